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

import functools
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

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
from fieldmarks.judge.fit import FREEDOM, LOG_T, Fits, Wanted, fit
from fieldmarks.judge.hypotheses import (
    UNLIKE,
    Colours,
    Hypothesis,
    colours,
    others,
    possible,
    speaks,
)
from fieldmarks.judge.rendering import TERMS, Array, lab_to_linear, render
from fieldmarks.measure.quantities import COVERAGE_FACTOR, Relation
from fieldmarks.rules.plumage import expected_relation
from fieldmarks.rules.tables import Tables

# That a mark shows none of the colours expected of it: an outline astray, a stained feather. Chosen
# on the shared birds: 0.006 scores hardly better, and of such values the one that doubts most is
# kept (benchmarks/leave_one_bird_out.py, SLIGHT).
ODD = 0.012
ODD_SILENT = 0.25  # the same where a kind of bird says nothing on the mark
AREA_NEEDED = 0.6  # share of a mark of several colours that must show expected ones
# That one of several photos is of no use: another bird, a wrong card, outlines in the wrong place
# (our judgement). It then says of every hypothesis what it says of a bird of no known species.
ODD_PHOTO = 0.05
# That what was marked as the grey card is none, or lies in another light (our judgement). Readings
# of simulated birds beside a true card speak for that at most 1.1 times, those of the shared birds
# beside something greyish of their scene, taken for a card, in two of three runs over 20 times.
NO_GREY_CARD = 0.05
# What a bird as stated keeps, at least, of its likelihood under the other belief about the card: a
# mark that turns the belief then rules nothing out by itself either (our judgement).
OTHER_BELIEF = 1e-3
# Where the search for a rendering starts, in standard deviations of the exposure; and its steps.
STARTS, STEPS, STEPS_MORE = (-0.9, 0.0, 0.75), 7, 4
EXPOSURE = np.eye(len(TERMS))[0]
# How many of the likeliest kinds of bird in another variety or age an unknown one may look like.
NEAR = 5
# How softly a range ends and what it reaches from and to where it is open, in its own unit. Leaving
# birds out would take 0.12 for the ring: a broad one then no longer tells an eye-ring bird from a
# lid, as keepers hold it does.
RANGES = {
    "ring": (0.08, (0.0, 0.75)),
    "size": (4.0, (110.0, 200.0)),
    "same": (2.0, (0.0, 50.0)),
    "fade": (2.0, (-20.0, 40.0)),
}


@dataclass(frozen=True, eq=False)
class Explained:
    """How one hypothesis explains the readings.

    Args:
        log_prior, log_likelihood: Natural logarithms; the likelihood has the renderings integrated
            out.
        photos: The fit of each, of this one case.
    """

    what: Hypothesis
    log_prior: float
    log_likelihood: float
    photos: tuple[Fits, ...]

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

    Variety and age are as the keeper states them. Of each photo comes with it the evidence that
    was believed: without its card where the bird's own colours contradict it.
    """
    hypotheses = possible(tables, variety, age)
    priors = np.array([prior for _, prior in hypotheses])
    times = Counter(row.key for _, relations in photos for row in relations)
    each, believed = [], []
    for evidence, relations in photos:
        look = functools.partial(
            _explain_photo, tables, variety=variety, age=age, relations=relations, times=times
        )
        fits = look(evidence)
        if evidence.without_card is not None:
            left = evidence.without_card
            other = look(left, stated=True)
            stated = np.isfinite(other.log)  # only known birds as stated were looked at
            for_it, against = (np.logaddexp.reduce(found.log + priors) for found in (fits, other))
            if against - for_it > math.log((1 - NO_GREY_CARD) / NO_GREY_CARD):
                evidence, other = left, fits
                fits = look(evidence)
            both = np.logaddexp(fits.log, other.log + math.log(OTHER_BELIEF))
            fits = fits._replace(log=np.where(stated, both, fits.log))
        each.append(fits)
        believed.append(evidence)
    logs = np.array([fits.log for fits in each])
    if len(photos) > 1:
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
        Explained(
            what,
            prior,
            float(logs[:, place].sum()),
            tuple(Fits(*(part[place] for part in fits)) for fits in each),
        )
        for place, (what, prior) in enumerate(hypotheses)
    ]
    return sorted(found, key=lambda e: -e.weight), believed


def _explain_photo(
    tables: Tables,
    evidence: Evidence,
    variety: str,
    age: str,
    relations: Sequence[Relation],
    times: Mapping[str, int],
    stated: bool = False,
) -> Fits:
    """Log likelihood of one photo's readings and its rendering, by hypothesis.

    With ``stated`` only known birds as stated are looked at; the likelihood of all others is none.
    """
    hypotheses = possible(tables, variety, age)
    places = {what: place for place, (what, _) in enumerate(hypotheses)}
    # A mark on which no species has a rule (a thin edge) says nothing of the bird as a whole.
    evidence = evidence.of([m for m in evidence.marks if colours(tables, hypotheses[0][0], m)])
    rows = [_wanted(tables, variety, age, m, evidence.pupil_cut) for m in evidence.marks]
    # Hypotheses that expect the same of the marks read are worked out once.
    kinds = np.array([row.kind for row in rows], int).reshape(-1, len(hypotheses))
    cases, case_of = np.unique(kinds.T, axis=0, return_inverse=True)
    case_of = case_of.reshape(-1)
    # A comparison of two colours that were both read is in the readings already.
    read = set(evidence.marks)
    apart = [r for r in relations if not read.issuperset(tables.relations[r.key].marks)
             or tables.relations[r.key].kind == "ring"]  # fmt: skip
    related = np.array([
        sum(relation_likelihood(tables, what, row) * repeated(times[row.key]) for row in apart)
        for what in places
    ])  # fmt: skip
    known = np.array([bool(what.species) for what in places])
    usual = np.array([(what.variety, what.age) == (variety, age) for what in places])
    # Where nothing was read there is only the rendering as it is before.
    mean, spread = evidence.prior
    many, plain = len(cases), np.diag(spread**2)
    fits = Fits(np.zeros(many), np.tile(mean, (many, 1)), np.tile(plain, (many, 1, 1)))
    done = np.full(many, not rows)

    def look(where: npt.NDArray[np.bool_], starts: Sequence[Array], steps: int) -> None:
        new = np.isin(np.arange(many), case_of[where]) & ~done
        if new.any():
            found = fit(tables, evidence, rows, cases[new], starts, steps)
            for mine, better in zip(fits, found, strict=True):
                mine[new] = better
            done[new] = True

    look(known & usual, [mean + start * spread * EXPOSURE for start in STARTS], STEPS)
    if not stated:
        best = [fits.terms[np.where(done, fits.log, -np.inf).argmax()]]
        look(known, best, STEPS_MORE)
        # An unknown bird that looks like one that explains little explains as little.
        weight = fits.log[case_of] + related + [prior for _, prior in hypotheses]
        near = np.argsort(np.where(known, -weight, np.inf), kind="stable")[:NEAR]
        for what, place in places.items():
            alike = places.get(Hypothesis((what.like,), what.variety, what.age))
            if alike is not None and alike not in near and not usual[place]:
                case_of[place] = case_of[alike]
        look(~known, best, STEPS_MORE)
    logs = fits.log[case_of] + related
    if stated:
        logs[~(known & usual)] = -np.inf
    return Fits(logs, fits.terms[case_of], fits.covariance[case_of])


def relation_likelihood(tables: Tables, what: Hypothesis, relation: Relation) -> float:
    """Logarithm of the likelihood of a relation's value, over that of any value.

    A range that ends softly, blurred by what the measure may be off; that of a cross reaches from
    one parent's to the other's.
    """
    key = relation.key
    rows = [expected_relation(tables, s, key, what.variety, what.age) for s in what.species]
    if not rows or any(row.says_nothing for row in rows):
        return 0.0
    soft, (least, most) = RANGES[tables.relations[key].kind]
    low = min(least if row.low is None else row.low for row in rows)
    high = max(most if row.high is None else row.high for row in rows)
    blur = math.hypot(relation.expanded / COVERAGE_FACTOR, soft)
    inside = ndtr((relation.value - low) / blur) - ndtr((relation.value - high) / blur)
    anywhere = 1 / (most - least)
    return math.log((1 - ODD) * float(inside) / (high - low) / anywhere + ODD)


@functools.lru_cache(maxsize=512)
def _wanted(tables: Tables, variety: str, age: str, mark: str, pupil_cut: bool) -> Wanted:
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
    return Wanted(
        kind=np.array(kind),
        odd=np.array([odd for odd, _ in kinds]),
        begins=np.cumsum([0, *(len(shown) for _, shown in kinds)]),
        swatch=np.array(swatch),
        share=np.log(share),
    )


def mark_ratios(
    tables: Tables, evidence: Evidence, what: Hypothesis, fitted: Fits
) -> dict[str, float]:
    """How much likelier each mark's reading on a photo is with its expected colours than others.

    Mark -> natural logarithm of the likelihood of the colours expected of it over that of those it
    has in other species or at other ages, or any other. Of a mark of several colours: what most of
    its area reaches, so that a patch of another colour counts. ``fitted`` is the rendering of that
    photo, and what is left open of it.
    """
    light = lab_to_linear(swatch_colours(tables)[0])
    middle, moves = render(light, np.tile(fitted.terms, (len(light), 1)), evidence.top)
    whole = evidence.own[:, None] + natural_variation(tables, evidence)
    whole = whole + moves @ fitted.covariance @ np.swapaxes(moves, 1, 2)
    turn, scale = whitening(whole)
    off = np.einsum("mnij,mnj->mni", turn, evidence.lab[:, None] - middle)
    away = (off**2).sum(axis=-1)
    log = LOG_T - (FREEDOM + 3) / 2 * np.log1p(away / FREEDOM) + scale
    found: dict[str, list[tuple[float, float]]] = {}
    for place, mark in enumerate(evidence.marks):
        wanted = colours(tables, what, mark)
        if not wanted:
            continue
        chances = []
        for shown in (wanted, others(tables, what, mark)):
            columns = [tables.swatch_number[key] for key, _ in shown]
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
