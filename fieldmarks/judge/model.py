"""The model of a bird on its photos: how well each hypothesis explains all readings together.

Every mark of a photo went through the same rendering, which nobody knows. Each hypothesis says what
colours the marks may have; it is asked which rendering fits them best to what was read, and how
likely the readings are then, with all renderings near that one counted in (Laplace's method; the
mixture over swatches by expectation maximisation with Gauss-Newton steps, Dempster, Laird & Rubin
1977). A mark is off as Student's t has it (Lange, Little & Taylor 1989): with d its distance from a
swatch in standard deviations and n degrees of freedom, its likelihood goes with (1 + d^2 / n)^(-(n
+ 3) / 2), so that what lies far off pulls the rendering little. A mark that no expected colour
explains counts as any colour at all: one odd mark costs a bounded amount and rules nothing out by
itself. Every photo has a rendering of its own; what the photos say of a hypothesis adds up, and one
photo of several, like one mark of several, may be odd.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fieldmarks.judge.evidence import (
    Evidence,
    natural_variation,
    repeated,
    swatch_colours,
    whitening,
)
from fieldmarks.judge.hypotheses import (
    UNLIKE,
    Colours,
    Hypothesis,
    colours,
    others,
    possible,
    relation_range,
    speaks,
)
from fieldmarks.judge.rendering import TERMS, Array, lab_to_linear, slopes
from fieldmarks.measure.quantities import (
    COVERAGE_FACTOR,
    Relation,
)
from fieldmarks.rules.tables import Tables

# Degrees of freedom of Student's t, by which a mark is off: feathers and outlines are rarely far
# off, but more often than a normal distribution has it (our judgement).
FREEDOM = 5.0
LOG_T = math.lgamma((FREEDOM + 3) / 2) - math.lgamma(FREEDOM / 2)
LOG_T -= 1.5 * math.log(FREEDOM * math.pi)
# That a mark shows none of the colours expected of it: an outline astray, a stained feather. Of 220
# marks of the shared birds one or two (chosen on them).
ODD = 0.012
ODD_SILENT = 0.25  # the same where a kind of bird says nothing on the mark
AREA_NEEDED = 0.6  # share of a mark of several colours that must show expected ones
# That one of several photos is of no use: another bird, a wrong card, outlines in the wrong place
# (our judgement). It then says of every hypothesis what it says of a bird of no known species.
ODD_PHOTO = 0.05
# Where the search for a rendering starts, in standard deviations of the exposure; and its steps.
STARTS, STEPS, STEPS_MORE = (-0.9, 0.0, 0.75), 7, 4
NO_SHARE = 1e-4  # of a mark's weight; what is less moves nothing
EXPOSURE = np.eye(len(TERMS))[0]
# How softly a range ends and what it reaches from and to where it is open, in its own unit.
RANGES = {
    "ring": (0.08, (0.0, 0.75)),
    "size": (4.0, (110.0, 200.0)),
    "same": (2.0, (0.0, 50.0)),
    "fade": (2.0, (-20.0, 40.0)),
}


class Fitted(NamedTuple):
    """The likeliest rendering of one photo under a hypothesis, (6,), and its covariance, (6, 6)."""

    rendering: Array
    covariance: Array


@dataclass(frozen=True, eq=False)
class Explained:
    """How one hypothesis explains the readings.

    Parameters
    ----------
    what : Hypothesis
    log_prior, log_likelihood : float
        Natural logarithms; the likelihood has the renderings integrated out.
    photos : tuple of Fitted
        One per photo.
    """

    what: Hypothesis
    log_prior: float
    log_likelihood: float
    photos: tuple[Fitted, ...]

    @property
    def weight(self) -> float:
        """Logarithm of prior times likelihood."""
        return self.log_prior + self.log_likelihood


def explain(
    tables: Tables,
    photos: Sequence[tuple[Evidence, Sequence[Relation]]],
    variety: str,
    age: str,
) -> list[Explained]:
    """Let every hypothesis explain the readings of all photos, the likeliest first.

    Parameters
    ----------
    tables : Tables
    photos : sequence of (Evidence, sequence of Relation)
    variety, age : str
        As the keeper states them.
    """
    hypotheses = possible(tables, variety, age)
    times: dict[str, int] = {}
    for _, relations in photos:
        for row in relations:
            times[row.key] = times.get(row.key, 0) + 1
    each = [_explain_photo(tables, *photo, variety, age, times) for photo in photos]
    logs = np.array([[log for log, _ in fits] for fits in each])
    if len(photos) > 1:
        nothing = [place for place, (what, _) in enumerate(hypotheses) if not what.species]
        odd = np.logaddexp.reduce(logs[:, nothing], axis=1) + math.log(ODD_PHOTO / len(nothing))
        logs = np.logaddexp(logs + math.log(1 - ODD_PHOTO), odd[:, None])
        # One photo of several never says by itself that the bird is none of ours.
        priors = [prior if what.species else -math.inf for what, prior in hypotheses]
        ahead = logs[:, nothing].max(axis=1) - logs[:, np.argmax(logs.sum(axis=0) + priors)]
        worst = int(ahead.argmax())
        logs[worst, nothing] -= max(ahead[worst], 0.0)
    found = [
        Explained(what, prior, float(logs[:, place].sum()), tuple(f[place][1] for f in each))
        for place, (what, prior) in enumerate(hypotheses)
    ]
    return sorted(found, key=lambda e: -e.weight)


def _explain_photo(
    tables: Tables,
    evidence: Evidence,
    relations: Sequence[Relation],
    variety: str,
    age: str,
    times: Mapping[str, int],
) -> list[tuple[float, Fitted]]:
    """Log likelihood of one photo's readings and its rendering, by hypothesis."""
    hypotheses = possible(tables, variety, age)
    # A mark on which no species has a rule (a thin edge) says nothing of the bird as a whole.
    evidence = evidence.of([m for m in evidence.marks if colours(tables, hypotheses[0][0], m)])
    marks = {m: _wanted(tables, variety, age, m, evidence.pupil_cut) for m in evidence.marks}
    # Hypotheses that expect the same of the marks read are worked out once.
    kinds = np.array([marks[m].kind for m in evidence.marks], int).reshape(-1, len(hypotheses))
    cases, case_of = np.unique(kinds.T, axis=0, return_inverse=True)
    case_of = case_of.reshape(-1)
    stated = [not w.like and (w.variety, w.age) == (variety, age) for w, _ in hypotheses]
    first = np.isin(np.arange(len(cases)), case_of[stated])
    # A comparison of two colours that were both read is in the readings already.
    read = set(evidence.marks)
    apart = [r for r in relations if not read.issuperset(tables.relations[r.key].marks)
             or tables.relations[r.key].kind == "ring"]  # fmt: skip
    fits = _Fits.before(evidence, len(cases))
    if len(evidence.marks):
        rows = [marks[m] for m in evidence.marks]
        starts = [evidence.prior[0] + s * evidence.prior[1] * EXPOSURE for s in STARTS]
        fits.fill(first, _fit(tables, evidence, rows, cases[first], starts, STEPS))
        if not first.all():
            best = fits.terms[first][fits.log[first].argmax()]
            more = _fit(tables, evidence, rows, cases[~first], [best], STEPS_MORE)
            fits.fill(~first, more)
    found = []
    for (what, _), case in zip(hypotheses, case_of, strict=True):
        related = sum(
            relation_likelihood(tables, what, row) * repeated(times[row.key]) for row in apart
        )
        fitted = Fitted(fits.terms[case], fits.covariance[case])
        found.append((float(fits.log[case]) + related, fitted))
    return found


def relation_likelihood(tables: Tables, what: Hypothesis, relation: Relation) -> float:
    """Logarithm of the likelihood of a relation's value, over that of any value.

    A range that ends softly, blurred by what the measure may be off.
    """
    kind = tables.relations[relation.key]
    span = relation_range(tables, what, relation.key)
    if span is None:
        return 0.0
    soft, width = RANGES[kind.kind]
    low, high = (end if end is not None else other for end, other in zip(span, width, strict=True))
    blur = math.hypot(relation.expanded / COVERAGE_FACTOR, soft)
    inside = ndtr((relation.value - low) / blur) - ndtr((relation.value - high) / blur)
    anywhere = 1 / (width[1] - width[0])
    return math.log((1 - ODD) * float(inside) / (high - low) / anywhere + ODD)


class _Wanted(NamedTuple):
    """What every hypothesis expects of one mark; those that expect the same are of one kind."""

    kind: npt.NDArray[np.intp]  # (hypotheses,)
    odd: Array  # (kinds,) that the mark shows none of the colours
    begins: npt.NDArray[np.intp]  # (kinds + 1,) where the colours of each kind begin
    swatch: npt.NDArray[np.intp]  # (colours,)
    share: Array  # (colours,) logarithm of the probability of each, and that the mark is not odd


@functools.lru_cache(maxsize=512)
def _wanted(tables: Tables, variety: str, age: str, mark: str, pupil_cut: bool) -> _Wanted:
    kinds: dict[tuple[float, Colours], int] = {}
    kind = []
    for what, _ in possible(tables, variety, age):
        odd = ODD_SILENT
        if speaks(tables, what, mark):
            odd = ODD if what.species else UNLIKE / 2
        shown = (odd, colours(tables, what, mark, pupil_cut))
        kind.append(kinds.setdefault(shown, len(kinds)))
    flat = [(tables.swatch_number[key], share * (1 - odd)) for odd, shown in kinds
            for key, share in shown]  # fmt: skip
    swatch, share = zip(*flat, strict=True)
    return _Wanted(
        kind=np.array(kind),
        odd=np.array([odd for odd, _ in kinds]),
        begins=np.cumsum([0, *(len(shown) for _, shown in kinds)]),
        swatch=np.array(swatch),
        share=np.log(share),
    )


class _Fits(NamedTuple):
    """Of each case: log likelihood (c,), likeliest rendering (c, 6), its covariance (c, 6, 6)."""

    log: Array
    terms: Array
    covariance: Array

    @staticmethod
    def before(evidence: Evidence, count: int) -> _Fits:
        """Where nothing was read: only the rendering as it is before."""
        mean, spread = evidence.prior
        return _Fits(
            np.zeros(count), np.tile(mean, (count, 1)), np.tile(np.diag(spread**2), (count, 1, 1))
        )

    def fill(self, where: npt.NDArray[np.bool_], found: _Fits) -> None:
        """Put in what was found of some cases."""
        for mine, new in zip(self, found, strict=True):
            mine[where] = new


def _fit(
    tables: Tables,
    evidence: Evidence,
    wanted: Sequence[_Wanted],
    cases: npt.NDArray[np.intp],
    starts: Sequence[Array],
    steps: int,
) -> _Fits:
    """The likeliest rendering of each case, from the best of several starts.

    ``wanted`` holds one for each observation; ``cases``, (c, m), the kind that each expects of it.
    """
    mean, spread = evidence.prior
    rows = _Rows.of(tables, evidence, wanted, np.tile(cases, (len(starts), 1)))
    terms = np.repeat(starts, len(cases), axis=0)
    for step in range(steps + 1):
        total, pull, bend = rows.look(evidence, terms)
        bend = bend + np.diag(spread**-2)
        if step < steps:
            move = np.linalg.solve(bend, (pull - (terms - mean) / spread**2)[..., None])
            terms = terms + np.clip(move[..., 0], -1.2 * spread, 1.2 * spread)
    off = ((terms - mean) / spread) ** 2
    value = total - 0.5 * off.sum(axis=1)
    value -= 0.5 * np.linalg.slogdet(bend)[1] + np.log(spread).sum()
    best = value.reshape(len(starts), -1).argmax(axis=0) * len(cases) + np.arange(len(cases))
    return _Fits(value[best], terms[best], np.linalg.inv(bend[best]))


@dataclass(frozen=True, eq=False)
class _Rows:
    """One row for each swatch that a case expects of an observation; rows of one lie together."""

    observed: npt.NDArray[np.intp]  # (r,)
    unit: npt.NDArray[np.intp]  # (r,) which rendered swatch
    case: npt.NDArray[np.intp]  # (r,)
    group: npt.NDArray[np.intp]  # (r,) which (case, observation)
    begins: npt.NDArray[np.intp]  # where the rows of each group begin
    log_odd: Array  # (cases, m)
    unit_case: npt.NDArray[np.intp]  # (u,)
    light: Array  # (u, 3) linear light of each unit's swatch
    turn: Array  # (r, 3, 3) whitens a difference
    log_share: Array  # (r,) of the swatch, that the mark is not odd, and the scale of ``turn``

    @staticmethod
    def of(
        tables: Tables,
        evidence: Evidence,
        wanted: Sequence[_Wanted],
        cases: npt.NDArray[np.intp],
    ) -> _Rows:
        count, many = cases.shape
        first = np.cumsum([0, *(len(w.swatch) for w in wanted)])
        begins = np.column_stack([w.begins[k] for w, k in zip(wanted, cases.T, strict=True)])
        ends = np.column_stack([w.begins[k + 1] for w, k in zip(wanted, cases.T, strict=True)])
        long = (ends - begins).ravel()
        group = np.repeat(np.arange(count * many), long)
        starts = np.cumsum(long) - long
        case, observed = np.divmod(group, many)
        row = np.arange(len(group)) - starts[group] + (begins + first[:-1]).ravel()[group]
        swatch = np.concatenate([w.swatch for w in wanted])[row]
        swatches = len(tables.swatch_number)
        units, unit = np.unique(case * swatches + swatch, return_inverse=True)
        turn, scale = whitening(evidence.own[:, None] + natural_variation(tables, evidence))
        odd = np.column_stack([w.odd[k] for w, k in zip(wanted, cases.T, strict=True)])
        return _Rows(
            observed=observed,
            unit=unit,
            case=case,
            group=group,
            begins=starts,
            log_odd=np.log(odd) + evidence.any,
            unit_case=units // swatches,
            light=lab_to_linear(swatch_colours(tables)[0])[units % swatches],
            turn=turn[observed, swatch],
            log_share=np.concatenate([w.share for w in wanted])[row] + scale[observed, swatch]
            + LOG_T,
        )  # fmt: skip

    def look(self, evidence: Evidence, terms: Array) -> tuple[Array, Array, Array]:
        """Log likelihood of each case, its slope and its curvature in the terms.

        Parameters
        ----------
        terms : (cases, 6) array
        """
        middle, moves = slopes(self.light, terms[self.unit_case], evidence.top)
        off = evidence.lab[self.observed] - middle[self.unit]
        off = np.einsum("rij,rj->ri", self.turn, off)
        away = 1 + np.einsum("ri,ri->r", off, off) / FREEDOM
        log = self.log_share - (FREEDOM + 3) / 2 * np.log(away)
        odd = self.log_odd.ravel()
        peak = np.maximum(np.maximum.reduceat(log, self.begins), odd)
        share = np.exp(log - peak[self.group])
        total = np.add.reduceat(share, self.begins) + np.exp(odd - peak)
        weight = share / total[self.group] * evidence.weight[self.observed]
        # What has no share in explaining its reading does not pull.
        near = np.flatnonzero(weight > NO_SHARE)
        root = np.sqrt((FREEDOM + 3) / FREEDOM * weight[near] / away[near])
        turn = self.turn[near] * root[:, None, None]
        along = moves[self.unit[near]]
        move = turn[..., 0, None] * along[:, None, 0]
        move[:, 1:] += turn[:, 1:, 1, None] * along[:, None, 1]  # above it lie zeros
        move[:, 2] += turn[:, 2, 2, None] * along[:, 2]
        move = move.reshape(-1, len(TERMS))
        off = (off[near] * root[:, None]).ravel()
        ends = 3 * np.searchsorted(self.case[near], np.arange(len(terms) + 1))
        pairs = [slice(*pair) for pair in itertools.pairwise(ends)]
        pull = np.stack([off[mine] @ move[mine] for mine in pairs])
        bend = np.stack([move[mine].T @ move[mine] for mine in pairs])
        total = (peak + np.log(total)).reshape(self.log_odd.shape)
        return (total * evidence.weight).sum(axis=1), pull, bend


def mark_ratios(
    tables: Tables, evidence: Evidence, what: Hypothesis, fitted: Fitted
) -> dict[str, float]:
    """How much likelier each mark's reading is with its expected colours than with others.

    Parameters
    ----------
    tables : Tables
    evidence : Evidence
        Of one photo.
    what : Hypothesis
    fitted : Fitted
        The rendering of that photo, and what is left open of it.

    Returns
    -------
    dict
        Mark -> natural logarithm of the likelihood of the colours expected of it over that of
        those it has in other species or at other ages, or any other. Of a mark of several colours:
        what most of its area reaches, so that a patch of another colour counts.
    """
    light = lab_to_linear(swatch_colours(tables)[0])
    middle, moves = slopes(light, np.tile(fitted.rendering, (len(light), 1)), evidence.top)
    whole = evidence.own[:, None] + natural_variation(tables, evidence)
    whole = whole + moves @ fitted.covariance @ np.swapaxes(moves, 1, 2)
    turn, scale = whitening(whole)
    off = np.einsum("mnij,mnj->mni", turn, evidence.lab[:, None] - middle)
    away = (off**2).sum(axis=-1)
    log = LOG_T - (FREEDOM + 3) / 2 * np.log1p(away / FREEDOM) + scale
    number = tables.swatch_number
    found: dict[str, list[tuple[float, float]]] = {}
    for place, mark in enumerate(evidence.marks):
        wanted = colours(tables, what, mark)
        if not wanted:
            continue
        chances = []
        for shown in (wanted, others(tables, what, mark)):
            columns = [number[key] for key, _ in shown]
            fitting = log[place, columns] + np.log([(1 - ODD) * share for _, share in shown])
            chances.append(np.logaddexp.reduce([*fitting, evidence.any[place] + math.log(ODD)]))
        ratio = float(chances[0] - chances[1])
        found.setdefault(mark, []).append((ratio, float(evidence.weight[place])))
    return {mark: _over_area(rows) for mark, rows in found.items()}


def _over_area(rows: Sequence[tuple[float, float]]) -> float:
    """Ratio of a mark from (ratio, share) of its colours: their mean over the area.

    Where less than ``AREA_NEEDED`` of it is likelier expected than not, that of the colour at which
    so much is covered: a patch of another colour is not made up for by the rest.
    """
    covered = 0.0
    for ratio, share in sorted(rows, reverse=True):
        covered += share
        if covered >= AREA_NEEDED - 1e-9:
            mean = sum(r * s for r, s in rows) / sum(s for _, s in rows)
            return mean if ratio >= 0 else ratio
    return min(ratio for ratio, _ in rows)
