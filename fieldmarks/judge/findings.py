"""Findings: how each mark stands for one species, under the renderings that fit that species best.

What was read is set against two explanations: that the mark shows one of the colours expected of
it, and that it shows one it has in other species or at other ages, or any other. At least three
times likelier with an expected one it fits, three times less likely it does not, in between it
says so. A mark on several photos is judged on all of them: the logarithms add up.
"""

import functools
import math
import statistics
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr

from fieldmarks.judge.evidence import SHARED_PARTS, Evidence
from fieldmarks.judge.fit import Fits
from fieldmarks.judge.hypotheses import Hypothesis
from fieldmarks.judge.model import RANGES
from fieldmarks.judge.rendering import Array, undo
from fieldmarks.judge.scale import FITS, LIKELY, MISFIT, share
from fieldmarks.measure.colour import difference, faded
from fieldmarks.measure.quantities import COVERAGE_FACTOR, Budget, Reading, Relation
from fieldmarks.measure.uncertainty import ColourDraws
from fieldmarks.rules.plumage import (
    Expectation,
    RelationExpectation,
    expected,
    expected_relation,
    range_words,
)
from fieldmarks.rules.schema import RelationKind
from fieldmarks.rules.tables import Tables

LIMITS = (0.025, 0.975)  # of the draws: what an interval reaches from and to
NOT_TOLD = "Not marked on the photo, or not to be told from it."
TOO_SMALL = "Too few pixels to tell its colour from what lies beside it: come closer."


class Status(StrEnum):
    """How a mark stands for one species."""

    FITS = "fits"
    PROBABLY_FITS = "probably fits"
    TOO_CLOSE = "too close to call"
    DOES_NOT_FIT = "does not fit"
    NOT_READ = "not read"
    SAYS_NOTHING = "says nothing here"


@dataclass(frozen=True)
class Finding:
    """One mark, or relation between marks, of one species.

    Args:
        species, mark: Keys; ``mark`` is the relation's key when ``relation`` is true.
        name: The mark in plain words.
        expected: Swatch keys, or the range in words for a relation.
        basis: Where the expectation comes from: "green row", "derived", "override".
        value: CIEDE2000 of its largest colour to the nearest expected swatch once the rendering
            is undone, or the value of the relation.
        nearest, tolerance: Key of that swatch and its tolerance, CIEDE2000; None for relations.
        interval ((float, float), optional): 2.5 to 97.5 % of ``value`` over the draws, or from
            ``value`` itself where it is nearer.
        held: How likely it is, 0 to 1, that the mark shows an expected colour rather than another,
            or that the relation lies in its range.
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


def status_of(held: float) -> Status:
    """Status for how likely a mark fits, 0 to 1."""
    if held >= FITS:
        return Status.FITS
    if held >= LIKELY:
        return Status.PROBABLY_FITS
    return Status.DOES_NOT_FIT if held <= MISFIT else Status.TOO_CLOSE


def corrected(
    readings: Sequence[Reading], evidence: Evidence, fitted: Fits, count: int, seed: int
) -> dict[str, ColourDraws]:
    """Draws of what the colours of each mark on one photo truly are; mark -> draws.

    Each draw has one rendering, the same for all marks, from what a hypothesis leaves possible;
    each mark is then moved by its own doubt alone, all colours of one mark together. ``evidence``
    is that of the same readings; the rendering ``fitted`` is undone.
    """
    if not readings:
        return {}
    rng = np.random.default_rng(seed)
    terms = rng.standard_normal((count, len(fitted.terms)))
    terms = fitted.terms + terms @ np.linalg.cholesky(fitted.covariance).T
    # Of each mark its median, with the doubt of its first colour, and then its colours.
    places = [
        [i for i, mark in enumerate(evidence.marks) if mark == reading.mark] for reading in readings
    ]
    order = np.concatenate([[which[0], *which] for which in places])
    read = np.concatenate(
        [[one.lab, *evidence.lab[which]] for one, which in zip(readings, places, strict=True)]
    )
    normal = np.concatenate([
        np.tile(_noise(one.mark, count, seed), (len(which) + 1, 1, 1))
        for one, which in zip(readings, places, strict=True)
    ])  # fmt: skip
    roots = np.linalg.cholesky(evidence.own)[order]
    moved = read[:, None] + normal @ np.swapaxes(roots, 1, 2)
    moved[..., 0] = np.clip(moved[..., 0], 0, None)
    true = undo(moved, terms, evidence.top)
    true[..., 0] = np.clip(true[..., 0], 0, 100)
    ends = np.cumsum([len(which) + 1 for which in places])
    return {
        one.mark: ColourDraws(one, mine[0], mine[1:], evidence.weight[which])
        for one, which, mine in zip(readings, places, np.split(true, ends[:-1]), strict=True)
    }


@functools.lru_cache(maxsize=256)
def _noise(mark: str, count: int, seed: int) -> Array:
    """Standard normal numbers of a mark, (count, 3): the order of the readings must not matter."""
    rng = np.random.default_rng([seed, zlib.crc32(mark.encode())])
    return rng.standard_normal((count, 3))


def judge_marks(
    tables: Tables,
    what: Hypothesis,
    ratios: Mapping[str, float],
    draws: Mapping[str, Sequence[ColourDraws]],
    small: Iterable[str] = (),
) -> list[Finding]:
    """Findings on every mark of one species, in the order of its file.

    Args:
        what: The bird as that species, in the stated variety and age.
        ratios: Mark -> logarithm of how much likelier its readings are with the expected colours.
        draws: Mark -> draws of its true colours on each photo that shows it, see :func:`corrected`.
        small: Marks that were read on too few pixels.
    """
    (species,) = what.species
    # A mark that is read but has no row is listed too: the keeper sees that it says nothing.
    marks = dict.fromkeys([*tables.species[species].marks, *draws])
    wanted = {m: expected(tables, species, m, what.variety, what.age) for m in marks}
    near = _nearest(tables, wanted, {m: draws[m] for m in marks if draws.get(m)})
    return [
        _judge_mark(
            tables, wanted[m], ratios.get(m, 0.0), draws.get(m, ()), near.get(m), m in small
        )
        for m in marks
    ]


class _Nearest(NamedTuple):
    """The expected swatch that a mark is nearest to, all photos together."""

    key: str
    gap: float  # CIEDE2000 from the middle of the draws
    interval: tuple[float, float]


def _nearest(
    tables: Tables,
    wanted: Mapping[str, Expectation],
    draws: Mapping[str, Sequence[ColourDraws]],
) -> dict[str, _Nearest]:
    """All marks at once: a distance costs the same for one pair of colours as for a thousand."""
    marks = [mark for mark in draws if wanted[mark].swatches]
    every = [(mark, one) for mark in marks for one in draws[mark]]
    if not every:
        return {}
    middles = np.median([_largest(one) for _, one in every], axis=1)
    pairs = [(place, key) for place, (mark, _) in enumerate(every) for key in wanted[mark].swatches]
    apart = difference(middles[[p for p, _ in pairs]], [tables.lab[key] for _, key in pairs])
    gaps: dict[str, dict[str, list[float]]] = {mark: {} for mark in marks}
    for (place, key), gap in zip(pairs, apart, strict=True):
        gaps[every[place][0]].setdefault(key, []).append(float(gap))
    found = {}
    for mark, by_key in gaps.items():
        middle = {key: statistics.median(values) for key, values in by_key.items()}
        key = min(middle, key=lambda key: middle[key] - tables.swatches[key].tolerance)
        found[mark] = (key, middle[key])
    shown = np.array([tables.lab[found[mark][0]] for mark, _ in every])
    away = difference(np.stack([_largest(one) for _, one in every]), shown[:, None])
    ends = np.cumsum([len(draws[mark]) for mark in marks])
    by_mark = dict(zip(marks, np.split(away, ends[:-1]), strict=True))
    near = {}
    for photos in {len(rows) for rows in by_mark.values()}:
        alike = {mark: rows.ravel() for mark, rows in by_mark.items() if len(rows) == photos}
        for mark, (low, high) in zip(alike, _limits(np.stack([*alike.values()])), strict=True):
            key, gap = found[mark]
            # Draws round a colour that is hardly off all lie further off than their middle.
            near[mark] = _Nearest(key, gap, (min(low, gap), high))
    return near


def _judge_mark(
    tables: Tables,
    wanted: Expectation,
    ratio: float,
    drawn: Sequence[ColourDraws],
    near: _Nearest | None,
    small: bool,
) -> Finding:
    mark = wanted.mark
    say = functools.partial(
        Finding,
        species=wanted.species,
        mark=mark,
        name=tables.marks[mark].name,
        expected=wanted.swatches,
        basis=wanted.basis,
    )
    if wanted.says_nothing:
        return say(status=Status.SAYS_NOTHING, reason=wanted.reason)
    if near is None:
        return say(
            status=Status.NOT_READ, reason=TOO_SMALL if small else "Not marked on the photo."
        )
    held = share(ratio)
    swatch = tables.swatches[near.key]
    side = "inside" if near.gap <= swatch.tolerance else "outside"
    subject, whole = "", ""
    if any(len(one.fractions) > 1 for one in drawn):
        subject, whole = "Its largest colour is ", "all its colours together "
    reason = (
        f"{subject}{near.gap:.0f} from {swatch.name}, {side} its tolerance of "
        f"{swatch.tolerance:.0f}; {whole}{_times(ratio)}."
    )
    if wanted.basis != "green row":
        reason = f"{reason} {wanted.reason}"
    status = status_of(held)
    if (
        status is Status.DOES_NOT_FIT
        and all(len(d.fractions) == 1 for d in drawn)
        and near.gap <= min(own_doubt(d.reading) for d in drawn)
    ):
        status = Status.TOO_CLOSE  # a reading that could be anything contradicts nothing
    return say(
        status=status,
        reason=reason,
        value=near.gap,
        nearest=swatch.key,
        tolerance=swatch.tolerance,
        interval=near.interval,
        held=held,
    )


def _largest(drawn: ColourDraws) -> Array:
    """Draws of the mark's largest colour, (n, 3)."""
    if len(drawn.fractions) > 1:
        return np.asarray(drawn.populations[int(drawn.fractions.argmax())])
    return drawn.median


def _limits(rows: Array) -> list[tuple[float, float]]:
    """Where 95 % of each row's values lie."""
    return [(float(low), float(high)) for low, high in np.quantile(rows, LIMITS, axis=1).T]


def own_doubt(reading: Reading) -> float:
    """Doubt that a reading has by itself, without what all marks share; 95 %, CIEDE2000."""
    own = tuple(part for part in reading.budget.parts if part.name not in SHARED_PARTS)
    return Budget(own).expanded(reading.lab)


def _times(log_ratio: float) -> str:
    times = math.exp(min(abs(log_ratio), math.log(1000)))
    number = "more than 1000" if times >= 999 else f"{float(f'{times:.2g}'):g}"
    kind = "likelier" if log_ratio >= 0 else "less likely"
    return f"{number} times {kind} with a colour such a bird has there than with another"


def draw_relations(
    tables: Tables,
    relations: Sequence[Relation],
    draws: Mapping[str, ColourDraws],
    count: int,
    seed: int,
) -> dict[str, Array]:
    """Draws of each relation's true value, (n,).

    All of one photo. Comparisons of two colours are made anew on the colours with the rendering
    undone, where both marks were read; what is doubtful about the photo then strikes both alike.
    """
    found = {}
    for relation in relations:
        kind = tables.relations[relation.key]
        pair = [draws[mark].median for mark in kind.marks if mark in draws]
        if kind.kind in ("same", "fade") and len(pair) == 2:
            compare = faded if kind.kind == "fade" else difference
            found[relation.key] = np.asarray(compare(*pair), np.float64)
        else:
            rng = np.random.default_rng([seed, zlib.crc32(relation.key.encode())])
            off = relation.expanded / COVERAGE_FACTOR * rng.standard_normal(count)
            found[relation.key] = relation.value + off
    return found


def judge_relations(
    tables: Tables, what: Hypothesis, drawn: Mapping[str, Sequence[Array]]
) -> list[Finding]:
    """Findings on every relation of one species, from its draws on each photo that gave it."""
    (species,) = what.species
    return [
        _judge_relation(
            expected_relation(tables, species, key, what.variety, what.age),
            kind,
            drawn.get(key, ()),
        )
        for key, kind in tables.relations.items()
    ]


def _judge_relation(
    wanted: RelationExpectation, kind: RelationKind, photos: Sequence[Array]
) -> Finding:
    low, high = wanted.low, wanted.high
    say = functools.partial(
        Finding,
        species=wanted.species,
        mark=kind.key,
        name=kind.name,
        expected=() if wanted.says_nothing else (f"{range_words(low, high)} {kind.unit}",),
        basis=wanted.basis,
        relation=True,
    )
    if wanted.says_nothing:
        return say(status=Status.SAYS_NOTHING, reason=wanted.reason)
    if not photos:
        return say(status=Status.NOT_READ, reason=NOT_TOLD)
    drawn = np.concatenate(photos)
    bottom, top = -math.inf if low is None else low, math.inf if high is None else high
    held = float(((drawn >= bottom) & (drawn <= top)).mean())
    soft = RANGES[kind.kind][0]
    near = ndtr((drawn - bottom) / soft) * ndtr((top - drawn) / soft)
    status = status_of(held)
    if status is Status.DOES_NOT_FIT and near.mean() > MISFIT:
        status = Status.TOO_CLOSE  # ranges end softly: just outside contradicts nothing
    value = float(np.median(drawn))
    said = f"{value:.3g} {kind.unit}"
    if kind.kind == "fade" and value < 0:
        said = f"no fading: the base is the stronger by {-value:.2g} {kind.unit}"
    reason = f"{said}, expected {range_words(low, high)}; fits in {held:.0%} of the draws."
    return say(
        status=status,
        reason=f"{reason} {wanted.reason}",
        value=value,
        interval=_limits(drawn[None])[0],
        held=held,
    )
