"""One plain sentence that the findings support, and no more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fieldmarks.judge.findings import Judged, Status
from fieldmarks.judge.signs import Sighting, SignStatus
from fieldmarks.rules.schema import Outcome
from fieldmarks.rules.separation import NextMark, plumage_separates
from fieldmarks.rules.tables import Tables

MARKS_NAMED = 3
CONTRADICTED: tuple[Outcome, ...] = ("claim contradicted", "none fits")  # marks speak against it


@dataclass(frozen=True)
class Conclusion:
    """What the findings come to.

    Parameters
    ----------
    outcome : str
        Which kind of conclusion.
    sentence : str
    candidates : tuple of str
        Species with nothing against them.
    subjects : tuple of str
        Species the bird was looked at as: the claimed one, else the candidates, else the nearest.
    held : float, optional
        Share of the draws in which the conclusion held, 0 to 1; None when nothing was decided.
    """

    outcome: Outcome
    sentence: str
    candidates: tuple[str, ...]
    subjects: tuple[str, ...]
    held: float | None = None


@dataclass(frozen=True, eq=False)
class Case:
    """Everything a conclusion rests on."""

    tables: Tables
    judged: dict[str, list[Judged]]
    sightings: dict[str, list[Sighting]]
    variety: str
    age: str
    claimed: str | None
    draws: int

    def with_status(self, species: str, status: Status) -> list[Judged]:
        """Findings of one species with one status."""
        return [j for j in self.judged[species] if j.finding.status is status]

    def against(self, species: str) -> list[Judged]:
        """Findings that contradict a species."""
        return self.with_status(species, Status.DOES_NOT_FIT)

    @property
    def uncalibrated(self) -> bool:
        """Whether colours were read from a photo without a usable card."""
        return any(self.with_status(s, Status.NOT_CALIBRATED) for s in self.judged)

    @property
    def candidates(self) -> tuple[str, ...]:
        """Species with nothing against them."""
        return tuple(s for s in self.judged if not self.against(s))

    @property
    def subjects(self) -> tuple[str, ...]:
        """Species the bird is looked at as."""
        if self.claimed is not None:
            return (self.claimed,)
        if self.candidates:
            return self.candidates
        fewest = min(len(self.against(s)) for s in self.judged)
        return tuple(s for s in self.judged if len(self.against(s)) == fewest)

    def seen(self) -> list[Sighting]:
        """Signs seen on the subjects, surest first."""
        strengths = ("always", "usually", "hint")
        found = [
            s
            for one in self.subjects
            for s in self.sightings[one]
            if s.finding.status is SignStatus.SEEN
        ]
        return sorted(found, key=lambda s: strengths.index(s.finding.strength))

    def all_subjects_show_signs(self) -> bool:
        """Whether the bird shows a sign whichever of the subjects it is.

        While another species is left that shows none, a sign may just mean that it is that one.
        """
        showing = {s.finding.species for s in self.seen()}
        return showing == set(self.subjects)

    def contradictions(self) -> npt.NDArray[np.int_]:
        """Marks that contradict each species in each draw, a (species, draws) array."""
        rows = [
            sum((~j.fitted).astype(int) for j in self.judged[s] if j.fitted is not None)
            + np.zeros(self.draws, int)
            for s in self.judged
        ]
        return np.array(rows)


def conclude(case: Case, coming: Sequence[NextMark] = ()) -> Conclusion:
    """Put the findings into one sentence.

    Parameters
    ----------
    case : Case
    coming : sequence of NextMark
        Marks to read next, the best first.
    """
    compared = any(j.fitted is not None for rows in case.judged.values() for j in rows)
    looked = any(s.present is not None for rows in case.sightings.values() for s in rows)
    if not compared and not looked:
        return _nothing_compared(case, coming)
    if case.claimed is not None and case.against(case.claimed):
        return _claim_contradicted(case)
    if not case.candidates:
        return _none_fits(case)
    if case.all_subjects_show_signs():
        return _signs(case)
    if len(case.candidates) == 1:
        return _one_left(case)
    return _several_left(case, coming)


def _nothing_compared(case: Case, coming: Sequence[NextMark]) -> Conclusion:
    if case.uncalibrated:
        outcome: Outcome = "not calibrated"
        sentence = (
            "Without a usable grey card in the photo the colours decide nothing, and nothing "
            "else was compared."
        )
    elif not plumage_separates(case.tables, case.candidates, case.variety, case.age):
        return _cannot_be_told(case, coming)
    else:
        outcome = "nothing read"
        sentence = "Nothing was read that could tell these species apart." + _next_step(
            case, coming
        )
    return Conclusion(outcome, sentence, case.candidates, case.subjects)


def _claim_contradicted(case: Case) -> Conclusion:
    assert case.claimed is not None
    row = list(case.judged).index(case.claimed)
    marks = _marks(case.against(case.claimed))
    sentence = f"The bird is claimed to be {case.claimed}, but this speaks against it: {marks}."
    others = case.candidates
    if others:
        sentence = f"{sentence[:-1]}; nothing read speaks against {_list(others, 'or')}."
    present = case.contradictions()[row] > 0
    return _with_signs(case, "claim contradicted", sentence, present)


def _none_fits(case: Case) -> Conclusion:
    nearest = case.subjects
    count = len(case.against(nearest[0]))
    against = _marks([j for s in nearest for j in case.against(s)])
    each, named = ("it", against) if len(nearest) == 1 else ("each", f"in all: {against}")
    sentence = (
        f"No species fits in every mark read; nearest is {_list(nearest, 'or')}, "
        f"with {_count(count, 'mark')} against {each} ({named})."
    )
    present = np.asarray((case.contradictions() > 0).all(axis=0))
    return _with_signs(case, "none fits", sentence, present)


def _signs(case: Case) -> Conclusion:
    seen = case.seen()
    named = _list(case.subjects, "or")
    if len(case.candidates) == 1 or case.claimed is not None:
        start = f"Nothing decided speaks against {named}"
    else:
        start = f"The marks decided leave {named}"
    shown = np.array([s.present for s in seen if s.present is not None])
    present = np.asarray(shown.any(axis=0))
    if case.claimed is None:  # else it is looked at as that, whatever else would fit
        present = present & _set_held(case, case.candidates)
    return _with_signs(case, "signs", start + ".", present)


def _one_left(case: Case) -> Conclusion:
    (only,) = case.candidates
    fits = len(case.with_status(only, Status.FITS))
    doubtful = len(case.with_status(only, Status.DOUBTFUL))
    words = f"{_count(fits, 'mark')} fit" + ("s" if fits == 1 else "")
    if doubtful:
        words += f", {doubtful} doubtful"
    claimed = ", as claimed" if case.claimed == only else ""
    looked = [s for s in case.sightings[only] if s.present is not None]
    doubts = [s for s in looked if s.finding.status is SignStatus.DOUBTFUL]
    again = [s for s in looked if s.finding.status is SignStatus.LOOK_AGAIN]
    if again:
        tail = f"; look again after the moult at: {_sign_words(again)}"
    elif doubts:
        tail = f"; {_count(len(doubts), 'sign')} of mixed ancestry could not be decided"
    elif looked:
        tail = "; no sign of mixed ancestry was seen in the marks read"
    else:
        tail = "; no sign of mixed ancestry was looked for in the marks read"
    sentence = f"Of the species in the tables only {only} is left{claimed} ({words}){tail}."
    held = float(_set_held(case, case.candidates).mean())
    return Conclusion("one species left", sentence, case.candidates, case.subjects, held)


def _several_left(case: Case, coming: Sequence[NextMark]) -> Conclusion:
    left = case.candidates
    if not plumage_separates(case.tables, left, case.variety, case.age):
        return _cannot_be_told(case, coming)
    if len(left) == len(case.judged):
        sentence = "The marks read do not decide between the species." + _next_step(case, coming)
        return Conclusion("nothing decided", sentence, left, case.subjects)
    sentence = f"The marks read leave {_list(left, 'or')}."
    if case.claimed is not None:
        others = _list([s for s in left if s != case.claimed], "or")
        sentence = (
            f"Nothing decided speaks against {case.claimed}, as claimed, but {others} "
            "would fit too."
        )
    sentence += _next_step(case, coming)
    held = float(_set_held(case, left).mean())
    return Conclusion("several species left", sentence, left, case.subjects, held)


def _cannot_be_told(case: Case, coming: Sequence[NextMark]) -> Conclusion:
    left = case.candidates
    name = case.tables.varieties[case.variety].name
    sentence = (
        f"In a bird that is {name} the species cannot be told from plumage: "
        f"{_list(left, 'or')} are left and no feather mark tells them apart."
    )
    if coming:
        sentence += f" What may still narrow it: {_list([m.name for m in coming], 'and')}."
    excluded = len(left) < len(case.judged)
    held = float(_set_held(case, left).mean()) if excluded else None
    return Conclusion("cannot be told", sentence, left, case.subjects, held)


def _with_signs(
    case: Case, outcome: Outcome, sentence: str, present: npt.NDArray[np.bool_]
) -> Conclusion:
    seen = case.seen()
    showing = [one for one in case.subjects if any(s.finding.species == one for s in seen)]
    if seen and len(showing) == len(case.subjects):
        sentence = f"{sentence[:-1]}; {_count(len(seen), 'sign')} of mixed ancestry seen: "
        sentence += f"{_pointing(seen)}."
    elif seen:  # what is a sign on one of the species is none on the others
        parts = [
            f"{_pointing([s for s in seen if s.finding.species == one])} if it is {one}"
            for one in showing
        ]
        sentence = f"{sentence[:-1]}; a sign of mixed ancestry would be: {'; '.join(parts)}."
    return Conclusion(outcome, sentence, case.candidates, case.subjects, float(present.mean()))


def _pointing(seen: Sequence[Sighting]) -> str:
    points = tuple(dict.fromkeys(p for s in seen for p in s.finding.points_to))
    return f"{_sign_words(seen)} (pointing to {_list(points, 'or')})"


def _set_held(case: Case, candidates: Sequence[str]) -> npt.NDArray[np.bool_]:
    """Draws in which each candidate has fewer contradictions than any other species."""
    counts = case.contradictions()
    inside = np.array([s in candidates for s in case.judged])
    if inside.all():
        return np.ones(case.draws, bool)
    return np.asarray(counts[inside].max(axis=0) < counts[~inside].min(axis=0))


def _next_step(case: Case, coming: Sequence[NextMark]) -> str:
    if case.uncalibrated:
        return (
            " The colours decide nothing without a usable grey card: photograph it again with one."
        )
    named = [row.name for row in coming[:MARKS_NAMED]]
    return f" Mark these next: {_list(named, 'and')}." if named else ""


def _marks(judged: Sequence[Judged]) -> str:
    return _list(tuple(dict.fromkeys(j.finding.name for j in judged)), "and")


def _sign_words(sightings: Sequence[Sighting]) -> str:
    words = (s.finding.text.rstrip(".") for s in sightings)
    return "; ".join(dict.fromkeys(w[:1].lower() + w[1:] for w in words))


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _list(words: Sequence[str], joint: str) -> str:
    words = list(words)
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {joint} {words[-1]}"
