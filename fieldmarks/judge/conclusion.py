"""One plain sentence that the readings support, and no more."""

import math
from collections.abc import Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np

from fieldmarks.judge.findings import Finding, Status
from fieldmarks.judge.model import Explained
from fieldmarks.judge.scale import CLEAR, CLOSE, TOO_CLOSE, share, word
from fieldmarks.judge.signs import STRENGTHS, SignFinding, SignStatus
from fieldmarks.judge.together import Question, SpeciesSheet
from fieldmarks.rules.schema import Outcome
from fieldmarks.rules.separation import NextMark, next_marks, plumage_separates
from fieldmarks.rules.tables import Tables

Key = TypeVar("Key", bound=Hashable)

MARKS_NAMED = 3
# Strangeness from which nothing known fits. The shared lovebirds reach 0.2, the conure 3.3 (it was
# chosen on them). From 1 to 1.3 no stranger is lost, and fewer lovebirds with two marks mixed up
# are turned away (benchmarks/other_renderings.py).
STRANGE = 1.3
STRANGE_MARKS = 2  # one odd mark may be an outline astray: that many must not fit
# Kinds of conclusion where marks speak against a pure bird of the claimed or nearest species.
CONTRADICTED: tuple[Outcome, ...] = ("claim contradicted", "none fits", "mixed")
NO_CARD = (" No grey card is in the photo: plain colours decided this, fine tints and greyish "
           "against bright did not.")  # fmt: skip
SOME_CARDS = " Not every photo has a grey card: fine tints count for little on the others."
WRONG_CARD = (" The bird's colours and the grey card do not go together, so the card was not "
              "believed: see that its outline lies on the card, in the bird's light.")  # fmt: skip
LOOKED_AT = (SignStatus.SEEN, SignStatus.DOUBTFUL, SignStatus.NOT_SEEN, SignStatus.LOOK_AGAIN)


@dataclass(frozen=True)
class Standing:
    """How likely one explanation of the whole bird is.

    Args:
        species: One species, both parents of a first cross, or none for a bird of no known species.
        share: Probability, 0 to 1, among all explanations.
        behind: How many times less likely it is than the likeliest one, 1 or more.
    """

    species: tuple[str, ...]
    share: float
    behind: float


@dataclass(frozen=True)
class Conclusion:
    """What the readings come to.

    Args:
        candidates: Species less than ten times less likely than the likeliest.
        subjects: Species whose signs count: the claimed one unless another is clearly likelier,
            else the candidates.
        held: How likely what is concluded is, 0 to 1; None when nothing was decided.
        standing: Every species, cross and a bird of no known species, the likeliest first.
        variety: A variety whose colours are clearly likelier than those of the stated one.
    """

    outcome: Outcome
    sentence: str
    candidates: tuple[str, ...]
    subjects: tuple[str, ...]
    held: float | None = None
    standing: tuple[Standing, ...] = ()
    variety: str | None = None


@dataclass(frozen=True, eq=False)
class Case:
    """Everything a conclusion rests on."""

    tables: Tables
    explained: Sequence[Explained]
    sheets: Mapping[str, SpeciesSheet]
    question: Question
    carded: Sequence[bool]  # of each photo, whether it has a grey card that was believed
    doubted: bool = False  # whether a card was not believed
    read: Collection[str] = ()  # marks and relations

    @cached_property
    def weights(self) -> dict[tuple[str, ...], float]:
        """Logarithm of prior times likelihood of each kind of bird, varieties and ages together."""
        return _added((row.what.species, row.weight) for row in self.explained)

    @cached_property
    def ranked(self) -> list[tuple[tuple[str, ...], float]]:
        """All kinds of bird with their weight, the likeliest first."""
        return sorted(self.weights.items(), key=lambda item: -round(item[1], 9))

    @cached_property
    def standing(self) -> tuple[Standing, ...]:
        """All kinds of bird, the likeliest first."""
        most = max(self.weights.values())
        whole = float(np.logaddexp.reduce(list(self.weights.values())))
        return tuple(
            Standing(kind, math.exp(w - whole), math.exp(min(most - w, 700.0)))
            for kind, w in self.ranked
        )

    @cached_property
    def pure(self) -> dict[str, float]:
        """Weight of each species, the likeliest first."""
        return {kind[0]: w for kind, w in self.ranked if len(kind) == 1}

    @property
    def cross(self) -> tuple[tuple[str, ...], float]:
        """The likeliest first cross and its weight."""
        return next((row for row in self.ranked if len(row[0]) == 2), ((), -math.inf))

    @property
    def likeliest(self) -> str:
        """The likeliest species."""
        return next(iter(self.pure))

    @cached_property
    def candidates(self) -> tuple[str, ...]:
        """Species that are not ten times less likely than the likeliest, in the tables' order."""
        least = self.pure[self.likeliest] - math.log(CLEAR)
        return tuple(s for s in self.tables.species if self.pure[s] > least)

    @cached_property
    def coming(self) -> tuple[NextMark, ...]:
        """Marks to read next, the best first."""
        pool = self.candidates if len(self.candidates) > 1 else list(self.tables.species)
        return next_marks(self.tables, pool, self.read, self.question.variety, self.question.age)

    @property
    def told_by_plumage(self) -> bool:
        """Whether any feather mark tells any two of the candidates apart."""
        asked = self.question
        return plumage_separates(self.tables, self.candidates, asked.variety, asked.age)

    @cached_property
    def strangeness(self) -> float:
        """How much better a bird of no known species explains the readings than the best known one.

        A logarithm of a likelihood ratio: how rare either is is left out of it. Of what an unknown
        bird may look like the best counts, so that it is 0 where nothing was read.
        """
        kinds = [((row.what.species, row.what.like), row) for row in self.explained]
        prior = _added((kind, row.log_prior) for kind, row in kinds)
        ahead = {k: w - prior[k] for k, w in _added((k, row.weight) for k, row in kinds).items()}
        unknown = max((a for (species, _), a in ahead.items() if not species), default=-math.inf)
        return unknown - max(a for (species, _), a in ahead.items() if species)

    @property
    def mislabelled(self) -> bool:
        """Whether another species is clearly likelier than the claimed one."""
        return self.question.claimed is not None and self.question.claimed not in self.candidates

    @property
    def subjects(self) -> tuple[str, ...]:
        """Species the bird is looked at as."""
        if self.question.claimed is None or self.mislabelled:
            return self.candidates
        return (self.question.claimed,)

    def with_status(self, species: str, *statuses: Status) -> list[Finding]:
        """Findings of one species with some statuses."""
        return [f for f in self.sheets[species].findings if f.status in statuses]

    def seen(self) -> list[SignFinding]:
        """Signs seen on the subjects, surest first."""
        signs = (s for one in self.subjects for s in self.sheets[one].signs)
        seen = (s for s in signs if s.status is SignStatus.SEEN)
        return sorted(seen, key=lambda s: list(STRENGTHS).index(s.strength))

    def all_subjects_show_signs(self) -> bool:
        """Whether it shows a sign, and more than a hint, whichever of the subjects it is."""
        return {s.species for s in self.seen() if s.strength != "hint"} == set(self.subjects)

    def share_of(self, *kinds: tuple[str, ...]) -> float:
        """Probability of some kinds of bird together."""
        return sum(row.share for row in self.standing if row.species in kinds)

    def say(self, outcome: Outcome, sentence: str, held: float | None = None) -> Conclusion:
        """A conclusion, with what is to be said of the light and the variety."""
        own = (row for row in self.explained if row.what.species == (self.likeliest,))
        sums = _added((row.what.variety, row.weight) for row in own)
        variety, stated = max(sums, key=lambda key: sums[key]), self.question.variety
        ahead = sums[variety] - sums[stated]
        likelier = ahead >= math.log(CLEAR) and outcome not in ("nothing read", "none fits")
        if likelier:
            name, other = (self.tables.varieties[key].name for key in (variety, stated))
            sentence += f" Its colours are {word(ahead)} those of {name}, not of {other} as stated."
        if self.doubted:
            sentence += WRONG_CARD
        elif held is not None and not all(self.carded):
            sentence += SOME_CARDS if any(self.carded) else NO_CARD
        return Conclusion(
            outcome,
            sentence,
            self.candidates,
            self.subjects,
            held,
            self.standing,
            variety if likelier else None,
        )


def _added(rows: Iterable[tuple[Key, float]]) -> dict[Key, float]:
    """Logarithm of the sum, by key, of what is given as logarithms."""
    groups: dict[Key, list[float]] = {}
    for key, value in rows:
        groups.setdefault(key, []).append(value)
    return {key: float(np.logaddexp.reduce(values)) for key, values in groups.items()}


def conclude(case: Case) -> Conclusion:
    """Put the findings into one sentence."""
    compared = any(f.held is not None for sheet in case.sheets.values() for f in sheet.findings)
    looked = any(s.status in LOOKED_AT for sheet in case.sheets.values() for s in sheet.signs)
    if not compared and not looked:
        if not case.told_by_plumage:
            return _cannot_be_told(case)
        sentence = "Nothing was read that could tell these species apart."
        return case.say("nothing read", sentence + _next_step(case))
    parents, crossed = case.cross
    ahead = crossed - case.pure[case.likeliest]
    ancestry = {sign.mark for sign in case.seen()}  # what a sign of mixed ancestry accounts for
    strange = {f.mark for f in case.with_status(case.likeliest, Status.DOES_NOT_FIT)} - ancestry
    if case.strangeness > STRANGE and len(strange) >= STRANGE_MARKS:
        return _none_fits(case)
    if ahead > math.log(CLEAR):  # a bird is not lightly accused
        return _mixed(case, parents, ahead)
    if case.mislabelled:
        return _claim_contradicted(case)
    if case.all_subjects_show_signs():
        return _signs(case)
    if len(case.candidates) == 1:
        return _one_left(case)
    return _several_left(case)


def _claim_contradicted(case: Case) -> Conclusion:
    claimed = case.question.claimed
    assert claimed is not None
    said = word(case.pure[case.likeliest] - case.pure[claimed])
    alone = len(case.candidates) == 1
    rest = case.likeliest + _or_cross(case) if alone else f"another: {_between(case.candidates)}"
    sentence = f"The bird is claimed to be {claimed}, but it is {said} {rest}"
    if against := case.with_status(claimed, Status.DOES_NOT_FIT):
        sentence += f"; what speaks against {claimed}: {_marks(against)}"
    if case.seen() and case.all_subjects_show_signs():
        sentence += f"; {_seen(case)}"
    elif alone:
        sentence += _clean(case, case.likeliest)
    return case.say("claim contradicted", f"{sentence}.", 1 - case.share_of((claimed,)))


def _mixed(case: Case, parents: tuple[str, ...], ahead: float) -> Conclusion:
    sentence = f"This is {word(ahead)} a cross, {' x '.join(parents)}"
    odd = [f"{_marks(f)} for {one}" for one in parents
           if (f := case.with_status(one, Status.DOES_NOT_FIT))]  # fmt: skip
    if odd:
        sentence += f"; what does not fit a pure bird: {_list(odd, 'and')}"
    return case.say("mixed", f"{sentence}.", case.share_of(parents))


def _none_fits(case: Case) -> Conclusion:
    nearest, why = case.likeliest, []
    if against := case.with_status(nearest, Status.DOES_NOT_FIT):
        why.append(f"{_marks(against)} {'do' if len(against) > 1 else 'does'} not fit it")
    if close := case.with_status(nearest, Status.TOO_CLOSE):
        why.append(f"{_marks(close)} only just")
    sentence = (
        f"Nothing in the tables fits this bird; the nearest is {nearest}"
        f"{': ' if why else ''}{', and '.join(why)}. It may be of "
        "another species or variety, or an outline may lie on the wrong part."
    )
    return case.say("none fits", sentence, share(case.strangeness))


def _signs(case: Case) -> Conclusion:
    if len(case.subjects) > 1:
        start = f"It is {_between(case.subjects)}"
    elif case.subjects[0] == case.likeliest:
        start = f"As a whole the bird is {word(_ahead(case))} {case.likeliest}"
    else:
        start = f"Nothing read speaks clearly against {case.subjects[0]}"
    held = max(s.held or 0.0 for s in case.seen())
    return case.say("signs", f"{start}; {_seen(case)}.", held)


def _one_left(case: Case) -> Conclusion:
    (only,) = case.candidates
    fits = len(case.with_status(only, Status.FITS, Status.PROBABLY_FITS))
    odd = case.with_status(only, Status.DOES_NOT_FIT)
    words = f"{_count(fits, 'mark')} fit{'s' if fits == 1 else ''}"
    words += f", but not {_marks(odd)}" if odd else ""
    claimed = ", as claimed" if case.question.claimed == only else ""
    sentence = f"This is {word(_ahead(case))} {only}{_or_cross(case)}{claimed} ({words})"
    return case.say("one species left", f"{sentence}{_clean(case, only)}.", case.share_of((only,)))


def _several_left(case: Case) -> Conclusion:
    if not case.told_by_plumage:
        return _cannot_be_told(case)
    left, first, ahead = case.candidates, case.likeliest, _ahead(case)
    if len(left) == len(case.pure) and ahead < math.log(CLOSE):
        sentence = "The marks read do not decide between the species."
        return case.say("nothing decided", sentence + _next_step(case))
    if ahead < math.log(CLOSE):
        sentence = f"It is {_between(left)}"
    else:
        others = [s for s in left if s != first]
        sentence = f"This is {word(ahead)} {first} than {_list(others, 'or')}"
    if case.question.claimed is not None:
        sentence += f"; it is claimed to be {case.question.claimed}"
    sentence += f".{_next_step(case)}"
    return case.say("several species left", sentence, case.share_of(*((s,) for s in left)))


def _cannot_be_told(case: Case) -> Conclusion:
    left = case.candidates
    name = case.tables.varieties[case.question.variety].name
    sentence = (
        f"In a bird that is {name} the species cannot be told from plumage: "
        f"{_list(left, 'or')} are left and no feather mark tells them apart."
    )
    if case.coming:
        sentence += f" What may still narrow it: {_list([m.name for m in case.coming], 'and')}."
    held = case.share_of(*((s,) for s in left))
    return case.say("cannot be told", sentence, held if len(left) < len(case.pure) else None)


def _ahead(case: Case) -> float:
    """Logarithm of how many times likelier the likeliest species is than the next."""
    first, *rest = case.pure.values()
    return first - rest[0] if rest else math.inf


def _or_cross(case: Case) -> str:
    """The likeliest cross, where it is about as likely as the likeliest species."""
    parents, crossed = case.cross
    close = crossed - case.pure[case.likeliest] >= -math.log(CLOSE)
    return f" or a cross ({' x '.join(parents)})" if close else ""


def _clean(case: Case, species: str) -> str:
    looked = [s for s in case.sheets[species].signs if s.status in LOOKED_AT]
    again = [s for s in looked if s.status is SignStatus.LOOK_AGAIN]
    doubts = sum(s.status is SignStatus.DOUBTFUL for s in looked)
    said = []
    if hints := [s for s in looked if s.status is SignStatus.SEEN and s.strength == "hint"]:
        said.append(f"a hint of mixed ancestry, and no more: {_pointing(hints)}")
    if again:
        said.append(f"look again after the moult at: {_sign_words(again)}")
    elif doubts:
        said.append(f"{_count(doubts, 'sign')} of mixed ancestry could not be decided")
    if said:
        return f"; {'; '.join(said)}"
    return f"; no sign of mixed ancestry was {'seen' if looked else 'looked for'} in the marks read"


def _between(species: Sequence[str]) -> str:
    return f"{TOO_CLOSE} between {_list(species, 'and')}"


def _seen(case: Case) -> str:
    seen = case.seen()
    return f"{_count(len(seen), 'sign')} of mixed ancestry seen: {_pointing(seen)}"


def _pointing(seen: Sequence[SignFinding]) -> str:
    points = tuple(dict.fromkeys(p for s in seen for p in s.points_to))
    return f"{_sign_words(seen)} (pointing to {_list(points, 'or')})"


def _next_step(case: Case) -> str:
    named = [row.name for row in case.coming[:MARKS_NAMED]]
    return f" Mark these next: {_list(named, 'and')}." if named else ""


def _marks(findings: Sequence[Finding]) -> str:
    return _list(tuple(dict.fromkeys(f.name for f in findings)), "and")


def _sign_words(signs: Sequence[SignFinding]) -> str:
    words = (s.text.rstrip(".") for s in signs)
    return "; ".join(dict.fromkeys(w[:1].lower() + w[1:] for w in words))


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _list(words: Sequence[str], joint: str) -> str:
    *most, last = words or [""]
    return f"{', '.join(most)} {joint} {last}" if most else last
