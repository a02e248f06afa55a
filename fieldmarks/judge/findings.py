"""Findings: does a reading fit what a species should show?

A mark fits when at least 95 % of the draws of its reading lie within the tolerance of one of the
expected swatches. It does not fit when at most 5 % do, and the nearest swatch lies outside the
reading's own k = 2 uncertainty: a reading that could be anything contradicts nothing. In between it
is doubtful. Relations are judged the same way against their range.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import Relation
from fieldmarks.measure.sampling import Array, ColourDraws, draw_relation
from fieldmarks.rules.plumage import (
    Expectation,
    RelationExpectation,
    expected,
    expected_relation,
)
from fieldmarks.rules.schema import RelationKind
from fieldmarks.rules.tables import Tables

SURE = 0.95
LIMITS = (0.025, 0.975)  # of the draws: what an interval reaches from and to
CLEARLY = 0.8  # of the k = 2 uncertainty: where 5 % of a normal still reach back over one end
NOT_TOLD = "Not marked on the photo, or not to be told from it."
AREA_NEEDED = 0.7  # share of a many-coloured mark that must show expected colours


class Status(StrEnum):
    """How a mark stands for one species."""

    FITS = "fits"
    DOUBTFUL = "doubtful"
    DOES_NOT_FIT = "does not fit"
    NOT_READ = "not read"
    SAYS_NOTHING = "says nothing here"
    NOT_CALIBRATED = "not calibrated"


@dataclass(frozen=True)
class Finding:
    """One mark, or relation between marks, of one species.

    Parameters
    ----------
    species, mark : str
        Keys; ``mark`` is the relation's key when ``relation`` is true.
    name : str
        The mark in plain words.
    status : Status
    expected : tuple of str
        Swatch keys, or the range in words for a relation.
    basis : str
        Where the expectation comes from: "green row", "derived", "override".
    value : float, optional
        CIEDE2000 to the nearest expected swatch, or the value of the relation.
    nearest : str, optional
        Key of that swatch.
    tolerance : float, optional
        Its tolerance, CIEDE2000; None for relations.
    interval : (float, float), optional
        2.5 to 97.5 % of ``value`` over the draws.
    held : float, optional
        Share of the draws that fit, 0 to 1.
    reason : str
        Plain words.
    """

    species: str
    mark: str
    name: str
    status: Status
    expected: tuple[str, ...]
    basis: str
    reason: str
    relation: bool = False
    value: float | None = None
    nearest: str | None = None
    tolerance: float | None = None
    interval: tuple[float, float] | None = None
    held: float | None = None


@dataclass(frozen=True, eq=False)
class Judged:
    """A finding with, for each draw, whether it fitted (None where nothing was compared)."""

    finding: Finding
    fitted: npt.NDArray[np.bool_] | None = None


def status_of(held: float) -> Status:
    """Status for the share of draws that fit."""
    if held >= SURE:
        return Status.FITS
    return Status.DOES_NOT_FIT if held <= 1 - SURE else Status.DOUBTFUL


def judge_marks(
    tables: Tables,
    species: Sequence[str],
    draws: Mapping[str, ColourDraws],
    variety: str,
    age: str,
) -> dict[str, list[Judged]]:
    """Judge every mark of every species.

    Parameters
    ----------
    tables : Tables
    species : sequence of str
        Keys.
    draws : dict
        Mark -> draws of its reading.
    variety, age : str
        Keys.

    Returns
    -------
    dict
        Species -> findings in the order of its file.
    """
    wanted: dict[str, list[Expectation]] = {}
    for one in species:
        # A mark that is read but has no row is listed too: the keeper sees that it says nothing.
        for mark in dict.fromkeys([*tables.species[one].marks, *draws]):
            wanted.setdefault(mark, []).append(expected(tables, one, mark, variety, age))
    judged: dict[str, dict[str, Judged]] = {one: {} for one in species}
    compared = _compare_all(tables, wanted, draws)
    for mark, expectations in wanted.items():
        for row in expectations:
            found = compared.get((mark, row.swatches, row.mixed))
            judged[row.species][mark] = _judge_mark(tables, row, draws.get(mark), found)
    return {
        one: [judged[one][m] for m in dict.fromkeys([*tables.species[one].marks, *draws])]
        for one in species
    }


@dataclass(frozen=True, eq=False)
class _Gaps:
    """CIEDE2000 less tolerance, from the colours of a reading to every swatch it may need."""

    number: dict[str, int]  # swatch -> column
    point: Array  # (m,) from the median
    median: Array  # (n, m) from its draws
    point_populations: Array  # (p, m)
    populations: Array  # (p, n, m)
    fractions: Array  # (p,)


def _gaps(tables: Tables, expectations: Sequence[Expectation], drawn: ColourDraws) -> _Gaps:
    keys = list(dict.fromkeys(k for e in expectations for k in e.swatches))
    labs = np.array([tables.lab[k] for k in keys]).reshape(-1, 3)
    tolerance = np.array([tables.swatches[k].tolerance for k in keys])
    mixed = any(e.mixed for e in expectations) and len(drawn.fractions) > 1
    populations = drawn.populations if mixed else drawn.populations[:0]
    points = [drawn.reading.lab] + [p.lab for p in drawn.reading.populations if mixed]
    n = len(drawn.median)
    stacked = np.concatenate([np.array(points), drawn.median, populations.reshape(-1, 3)])
    single = np.float32  # half the time, and still a thousand times finer than any tolerance
    gaps = difference(stacked[:, None].astype(single), labs.astype(single)) - tolerance
    head = len(points)
    return _Gaps(
        number={k: i for i, k in enumerate(keys)},
        point=gaps[0],
        median=gaps[head : head + n],
        point_populations=gaps[1:head],
        populations=gaps[head + n :].reshape(-1, n, len(keys)),
        fractions=drawn.fractions if mixed else drawn.fractions[:0],
    )


@dataclass(frozen=True, eq=False)
class _Comparison:
    """A reading against one set of swatches."""

    value: float
    nearest: str
    interval: tuple[float, float]
    held: float
    fitted: npt.NDArray[np.bool_]


def _compare_all(
    tables: Tables,
    wanted: Mapping[str, Sequence[Expectation]],
    draws: Mapping[str, ColourDraws],
) -> dict[tuple[str, tuple[str, ...], bool], _Comparison]:
    """Compare each reading once with each set of swatches that some species expects of its mark."""
    found = {}
    for mark in draws:
        speaking = [e for e in wanted.get(mark, ()) if not e.says_nothing]
        if speaking:
            gaps = _gaps(tables, speaking, draws[mark])
            for one in dict.fromkeys((e.swatches, e.mixed) for e in speaking):
                found[mark, *one] = _nearest(tables, *one, gaps)
    if not found:
        return {}
    points, nearest, every, distances = zip(*found.values(), strict=True)
    # All at once: a call for each would take longer than the arithmetic.
    interval = np.clip(np.quantile(distances, LIMITS, axis=1), 0, None).T.tolist()
    fitted = np.array(every) <= 0
    held = fitted.mean(axis=1).tolist()
    rows = zip(points, nearest, interval, held, fitted, strict=True)
    return {
        key: _Comparison(point, swatch, (low, high), share, flags)
        for key, (point, swatch, (low, high), share, flags) in zip(found, rows, strict=True)
    }


def _nearest(
    tables: Tables, keys: tuple[str, ...], mixed: bool, gaps: _Gaps
) -> tuple[float, str, Array, Array]:
    """Distance to the nearest of some swatches and its key; then, per draw, gap and distance."""
    columns = [gaps.number[k] for k in keys]
    tolerance = np.array([tables.swatches[k].tolerance for k in keys])
    if mixed and len(gaps.fractions):
        each = gaps.point_populations[:, columns]
        which = _covering(each.min(axis=1)[:, None], gaps.fractions)[1][0]
        point = each[which]
        gap = _covering(gaps.populations[:, :, columns].min(axis=2), gaps.fractions)[0]
        distance = gap + tolerance[int(point.argmin())]
    else:
        point = gaps.point[columns]
        every = gaps.median[:, columns]
        gap = every.min(axis=1)
        distance = gap + tolerance[every.argmin(axis=1)]
    best = int(point.argmin())
    return float(point[best] + tolerance[best]), keys[best], gap, distance


def _judge_mark(
    tables: Tables,
    expectation: Expectation,
    drawn: ColourDraws | None,
    compared: _Comparison | None,
) -> Judged:
    mark = expectation.mark
    say = functools.partial(
        Finding,
        species=expectation.species,
        mark=mark,
        name=tables.marks[mark].name if mark in tables.marks else mark,
        expected=expectation.swatches,
        basis=expectation.basis,
    )
    if expectation.says_nothing:
        return Judged(say(status=Status.SAYS_NOTHING, reason=expectation.reason))
    if drawn is None or compared is None:
        return Judged(say(status=Status.NOT_READ, reason="Not marked on the photo."))
    status, fitted = status_of(compared.held), compared.fitted
    if status is Status.DOES_NOT_FIT and compared.value <= drawn.reading.expanded:
        status = Status.DOUBTFUL
    reason = _reason(tables, expectation, compared)
    if not drawn.reading.calibrated:
        status, reason = Status.NOT_CALIBRATED, "No usable grey card: this colour decides nothing."
    finding = say(
        status=status,
        reason=reason,
        value=compared.value,
        nearest=compared.nearest,
        tolerance=tables.swatches[compared.nearest].tolerance,
        interval=compared.interval,
        held=compared.held,
    )
    return Judged(finding, fitted if drawn.reading.calibrated else None)


def _covering(gap: Array, fractions: Array) -> tuple[Array, npt.NDArray[np.intp]]:
    """Smallest gap within which ``AREA_NEEDED`` of the area lies, per draw.

    Parameters
    ----------
    gap : (p, n) array
        Gap of each population in each draw.
    fractions : (p,) array

    Returns
    -------
    (n,) array of gaps and (n,) array of the population that sets it.
    """
    order = gap.argsort(axis=0)
    covered = (fractions / fractions.sum())[order].cumsum(axis=0)
    place = (covered >= AREA_NEEDED - 1e-9).argmax(axis=0)
    columns = np.arange(gap.shape[1])
    which = order[place, columns]
    return gap[which, columns], which


def _reason(tables: Tables, expectation: Expectation, compared: _Comparison) -> str:
    swatch = tables.swatches[compared.nearest]
    side = "inside" if compared.value <= swatch.tolerance else "outside"
    said = (
        f"{compared.value:.0f} from {swatch.name}, {side} its tolerance of "
        f"{swatch.tolerance:.0f}; fits in {compared.held:.0%} of the draws."
    )
    if expectation.basis == "green row":
        return said
    return f"{said} {expectation.reason}"


def judge_relations(
    tables: Tables,
    species: Sequence[str],
    relations: Mapping[str, Relation],
    variety: str,
    age: str,
    count: int,
    seed: int,
) -> tuple[dict[str, list[Judged]], dict[str, Array]]:
    """Judge every relation of every species; also give the draws of each measured relation."""
    drawn = {key: draw_relation(row, count, seed) for key, row in relations.items()}
    intervals = {key: _interval(values) for key, values in drawn.items()}
    judged = {
        one: [
            _judge_relation(
                expected_relation(tables, one, key, variety, age),
                tables.relations[key],
                relations.get(key),
                drawn.get(key),
                intervals.get(key),
            )
            for key in tables.relations
        ]
        for one in species
    }
    return judged, drawn


def _interval(drawn: Array) -> tuple[float, float]:
    low, high = np.quantile(drawn, LIMITS)
    return float(low), float(high)


def _judge_relation(
    expectation: RelationExpectation,
    kind: RelationKind,
    relation: Relation | None,
    drawn: Array | None,
    interval: tuple[float, float] | None,
) -> Judged:
    low, high = expectation.low, expectation.high
    say = functools.partial(
        Finding,
        species=expectation.species,
        mark=kind.key,
        name=kind.name,
        expected=() if expectation.says_nothing else (f"{_range(low, high)} {kind.unit}",),
        basis=expectation.basis,
        relation=True,
    )
    if expectation.says_nothing:
        return Judged(say(status=Status.SAYS_NOTHING, reason=expectation.reason))
    if relation is None or drawn is None:
        return Judged(say(status=Status.NOT_READ, reason=NOT_TOLD))
    fitted = np.ones(len(drawn), bool)
    if low is not None:
        fitted &= drawn >= low
    if high is not None:
        fitted &= drawn <= high
    held = float(fitted.mean())
    value = f"{relation.value:.3g} {kind.unit}"
    if kind.kind == "fade" and relation.value < 0:
        value = f"no fading: the base is the stronger by {-relation.value:.2g} {kind.unit}"
    reason = (
        f"{value}, expected {_range(low, high)}; "
        f"fits in {held:.0%} of the draws. {expectation.reason}"
    )
    outside = 0.0
    if low is not None:
        outside = max(outside, low - relation.value)
    if high is not None:
        outside = max(outside, relation.value - high)
    status = status_of(held)
    if status is Status.DOES_NOT_FIT and outside < CLEARLY * relation.expanded:
        status = Status.DOUBTFUL
    finding = say(
        status=status,
        reason=reason,
        value=relation.value,
        interval=interval,
        held=held,
    )
    return Judged(finding, fitted)


def _range(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"
