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

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fieldmarks.judge.evidence import Evidence, natural_variation, repeated, swatch_colours
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
# That what was marked as the grey card is none, or lies in another light (our judgement). Readings
# of simulated birds beside a true card speak for that at most 1.1 times, those of the shared birds
# beside something greyish of their scene, taken for a card, mostly over 100 times.
NO_GREY_CARD = 0.05
# Where the search for a rendering starts, in standard deviations of the exposure; and its steps.
STARTS, STEPS, STEPS_MORE = (-0.9, 0.0, 0.75), 7, 4
EXPOSURE = np.eye(len(TERMS))[0]
# How many of the likeliest kinds of bird in another variety or age an unknown one may look like.
NEAR = 5
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
) -> tuple[list[Explained], list[Evidence]]:
    """Let every hypothesis explain the readings of all photos, the likeliest first.

    Parameters
    ----------
    tables : Tables
    photos : sequence of (Evidence, sequence of Relation)
    variety, age : str
        As the keeper states them.

    Returns
    -------
    explained : list of Explained
    believed : list of Evidence
        That of each photo: without its card where the bird's own colours contradict it.
    """
    hypotheses = possible(tables, variety, age)
    times: dict[str, int] = {}
    for _, relations in photos:
        for row in relations:
            times[row.key] = times.get(row.key, 0) + 1
    each, believed = [], []
    for evidence, relations in photos:
        fits = _explain_photo(tables, evidence, relations, variety, age, times)
        if evidence.without_card is not None:
            left = evidence.without_card
            stated = _explain_photo(tables, left, relations, variety, age, times, stated=True)
            for_it, against = (
                float(np.logaddexp.reduce([f[w][0] + prior for w, prior in hypotheses if w in f]))
                for f in (fits, stated)
            )
            if against - for_it > math.log((1 - NO_GREY_CARD) / NO_GREY_CARD):
                evidence = left
                fits = _explain_photo(tables, evidence, relations, variety, age, times)
        each.append([fits[what] for what, _ in hypotheses])
        believed.append(evidence)
    logs = np.array([[log for log, _ in fits] for fits in each])
    if len(photos) > 1:
        priors = np.array([prior for _, prior in hypotheses])
        none = np.array([not what.species for what, _ in hypotheses])
        usual = priors[none] - np.logaddexp.reduce(priors[none])
        odd = np.logaddexp.reduce(logs[:, none] + usual, axis=1) + math.log(ODD_PHOTO)
        logs = np.logaddexp(logs + math.log(1 - ODD_PHOTO), odd[:, None])
        # One photo of several never says by itself that the bird is none of ours.
        known = np.where(none, -np.inf, logs.sum(axis=0) + priors)
        ahead = logs[:, none].max(axis=1) - logs[:, known.argmax()]
        worst = int(ahead.argmax())
        logs[worst, none] -= max(ahead[worst], 0.0)
    found = [
        Explained(what, prior, float(logs[:, place].sum()), tuple(f[place][1] for f in each))
        for place, (what, prior) in enumerate(hypotheses)
    ]
    return sorted(found, key=lambda e: -e.weight), believed


def _explain_photo(
    tables: Tables,
    evidence: Evidence,
    relations: Sequence[Relation],
    variety: str,
    age: str,
    times: Mapping[str, int],
    stated: bool = False,
) -> dict[Hypothesis, tuple[float, Fitted]]:
    """Log likelihood of one photo's readings and its rendering, by hypothesis.

    Of all of them, or only of known birds as ``stated``.
    """
    hypotheses = possible(tables, variety, age)
    # A mark on which no species has a rule (a thin edge) says nothing of the bird as a whole.
    evidence = evidence.of([m for m in evidence.marks if colours(tables, hypotheses[0][0], m)])
    # A comparison of two colours that were both read is in the readings already.
    read = set(evidence.marks)
    apart = [r for r in relations if not read.issuperset(tables.relations[r.key].marks)
             or tables.relations[r.key].kind == "ring"]  # fmt: skip
    related = {
        what: sum(relation_likelihood(tables, what, r) * repeated(times[r.key]) for r in apart)
        for what, _ in hypotheses
    }
    # Hypotheses that expect the same of the marks read are worked out once.
    case_of: dict[Hypothesis, _Case] = {}
    fits: dict[_Case, _Fit] = {}

    def fit(which: Iterable[Hypothesis], starts: Sequence[Array], steps: int) -> None:
        for what in which:
            wanted = tuple(colours(tables, what, m, evidence.pupil_cut) for m in evidence.marks)
            odd = ODD if what.species else UNLIKE / 2
            told = (speaks(tables, what, m) for m in evidence.marks)
            odds = tuple(odd if known else ODD_SILENT for known in told)
            case_of[what] = _Case(odds, wanted)
        new = [case for case in dict.fromkeys(case_of.values()) if case not in fits]
        fits.update(zip(new, _fit(tables, evidence, new, starts, steps), strict=True))

    def found(what: Hypothesis, case: _Case) -> tuple[float, Fitted]:
        value, *rendering = fits[case]
        return value + related[what], Fitted(*rendering)

    known = [what for what, _ in hypotheses if what.species]
    starts = [evidence.prior[0] + s * evidence.prior[1] * EXPOSURE for s in STARTS]
    fit((w for w in known if (w.variety, w.age) == (variety, age)), starts, STEPS)
    if stated:
        return {what: found(what, case) for what, case in case_of.items()}
    best = [max(fits.values(), key=lambda fit: fit[0])[1]]
    fit((w for w in known if w not in case_of), best, STEPS_MORE)
    weight = {w: fits[case_of[w]][0] + related[w] + prior for w, prior in hypotheses if w.species}
    near = set(sorted(known, key=lambda w: -weight[w])[:NEAR])
    alike = {w: Hypothesis((w.like,), w.variety, w.age) for w, _ in hypotheses if w.like}
    fit((w for w in alike if alike[w] in near or (w.variety, w.age) == (variety, age)),
        best, STEPS_MORE)  # fmt: skip
    # What looks like a bird that explains little explains as little.
    return {w: found(w, case_of.get(w) or case_of[alike[w]]) for w, _ in hypotheses}


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


class _Case(NamedTuple):
    """What a hypothesis expects of every observation."""

    odd: tuple[float, ...]
    wanted: tuple[Colours, ...]


_Fit = tuple[float, Array, Array]


def _fit(
    tables: Tables,
    evidence: Evidence,
    cases: Sequence[_Case],
    starts: Sequence[Array],
    steps: int,
) -> list[_Fit]:
    """Log likelihood, likeliest rendering and its covariance, of each case."""
    if not cases:
        return []
    mean, spread = evidence.prior
    if not evidence.marks:  # nothing was read: only the rendering before it
        return [(0.0, mean, np.diag(spread**2)) for _ in cases]
    rows = _Rows.of(tables, evidence, cases)
    best: list[Array] = []
    for start in starts:
        terms = np.tile(start, (len(cases), 1))
        for step in range(steps + 1):
            total, pull, bend = rows.look(evidence, terms)
            bend = bend + np.diag(spread**-2)
            if step < steps:
                move = np.linalg.solve(bend, (pull - (terms - mean) / spread**2)[..., None])
                terms = terms + np.clip(move[..., 0], -1.2 * spread, 1.2 * spread)
        off = ((terms - mean) / spread) ** 2
        value = total - 0.5 * off.sum(axis=1)
        value -= 0.5 * np.linalg.slogdet(bend)[1] + np.log(spread).sum()
        found = [value, terms, np.linalg.inv(bend)]
        if best:
            better = value > best[0]
            found = [
                np.where(better.reshape(-1, *(1,) * (new.ndim - 1)), new, old)
                for new, old in zip(found, best, strict=True)
            ]
        best = found
    return [(float(best[0][i]), best[1][i], best[2][i]) for i in range(len(cases))]


@dataclass(frozen=True, eq=False)
class _Rows:
    """One row for each swatch that a case expects of an observation; rows of one lie together."""

    case: npt.NDArray[np.intp]  # (r,)
    unit: npt.NDArray[np.intp]  # (r,) which rendered swatch
    log_share: Array  # (r,) of the swatch, and that the mark is not odd
    begins: npt.NDArray[np.intp]  # where the rows of each (case, observation) begin
    case_begins: npt.NDArray[np.intp]
    observed: npt.NDArray[np.intp]  # (r,)
    log_odd: Array  # (cases, m)
    unit_case: npt.NDArray[np.intp]  # (u,)
    light: Array  # (u, 3) linear light of each unit's swatch
    turn: Array  # (r, 3, 3) whitens a difference
    log_scale: Array  # (r,)

    @staticmethod
    def of(tables: Tables, evidence: Evidence, cases: Sequence[_Case]) -> _Rows:
        units: dict[tuple[int, str], int] = {}
        table: list[tuple[int, int, int, int, float]] = []
        swatches = tables.swatch_number
        for number, case in enumerate(cases):
            for place, wanted in enumerate(case.wanted):
                for key, share in wanted:
                    unit = units.setdefault((number, key), len(units))
                    share *= 1 - case.odd[place]
                    table.append((number, place, unit, swatches[key], share))
        columns = (np.array(column) for column in zip(*table, strict=True))
        case_of, observed, unit_of, swatch, share_of = columns
        light = lab_to_linear(swatch_colours(tables)[0])
        natural = natural_variation(tables, evidence.lab)
        count = len(light)
        pairs, back = np.unique(observed * count + swatch, return_inverse=True)
        read, shown = np.divmod(pairs, count)
        whole = evidence.own[read] + natural[read, shown]
        turn = np.linalg.inv(np.linalg.cholesky(whole))
        scale = np.log(np.diagonal(turn, axis1=1, axis2=2)).sum(axis=1)
        group = case_of * len(evidence.lab) + observed
        begins = np.flatnonzero(np.diff(group, prepend=-1))
        swatch_of_unit = np.array([swatches[key] for _, key in units])
        return _Rows(
            case=case_of,
            unit=unit_of,
            log_share=np.log(share_of),
            begins=begins,
            case_begins=np.flatnonzero(np.diff(case_of, prepend=-1)),
            observed=observed,
            log_odd=np.log([case.odd for case in cases]) + evidence.any,
            unit_case=np.array([number for number, _ in units]),
            light=light[swatch_of_unit],
            turn=turn[back],
            log_scale=scale[back] + LOG_T,
        )

    def look(self, evidence: Evidence, terms: Array) -> tuple[Array, Array, Array]:
        """Log likelihood of each case, its slope and its curvature in the terms.

        Parameters
        ----------
        terms : (cases, 6) array
        """
        shape = self.log_odd.shape
        middle, moves = slopes(self.light, terms[self.unit_case], evidence.top)
        off = evidence.lab[self.observed] - middle[self.unit]
        off = (self.turn @ off[..., None])[..., 0]
        move = self.turn @ moves[self.unit]
        away = 1 + (off**2).sum(axis=1) / FREEDOM
        log = self.log_share + self.log_scale - (FREEDOM + 3) / 2 * np.log(away)
        odd = self.log_odd.ravel()
        peak = np.maximum(np.maximum.reduceat(log, self.begins), odd)
        groups = np.repeat(np.arange(len(peak)), np.diff([*self.begins, len(log)]))
        share = np.exp(log - peak[groups])
        fitting = np.add.reduceat(share, self.begins)
        total = peak + np.log(fitting + np.exp(odd - peak))
        weight = share / np.exp(total - peak)[groups] * evidence.weight[self.observed]
        weight = weight * (FREEDOM + 3) / FREEDOM / away
        turned = np.swapaxes(move * weight[:, None, None], 1, 2)
        pull = np.add.reduceat((turned @ off[..., None])[..., 0], self.case_begins)
        bend = np.add.reduceat(turned @ move, self.case_begins)
        total = (total.reshape(shape) * evidence.weight).sum(axis=1)
        return total, pull, bend


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
    natural = natural_variation(tables, evidence.lab)
    middle, moves = slopes(light, np.tile(fitted.rendering, (len(light), 1)), evidence.top)
    whole = evidence.own[:, None] + natural
    whole = whole + moves @ fitted.covariance @ np.swapaxes(moves, 1, 2)
    off = evidence.lab[:, None] - middle
    away = (off[..., None, :] @ np.linalg.solve(whole, off[..., None]))[..., 0, 0]
    log = LOG_T - (FREEDOM + 3) / 2 * np.log1p(away / FREEDOM) - np.linalg.slogdet(whole)[1] / 2
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
