"""Buying check: what to look at, what to ask and what a photo in a shop cannot tell."""

from __future__ import annotations

from dataclasses import dataclass

from fieldmarks.birds.advice import advice_table
from fieldmarks.judge.assess import Assessment
from fieldmarks.judge.findings import Status
from fieldmarks.judge.signs import SignStatus
from fieldmarks.record import Question
from fieldmarks.report.views import against_words
from fieldmarks.rules import Tables

MARKS_SHOWN = 5


@dataclass(frozen=True)
class BuyingCheck:
    """What a keeper needs in a shop."""

    sentence: str
    speaks_against: tuple[str, ...]  # marks that contradict the species, and signs seen
    fits: tuple[str, ...]
    look_at: tuple[tuple[str, str], ...]  # marks not read that decide most, each with its look
    ask: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    cautions: tuple[str, ...]


def buying_check(assessment: Assessment, tables: Tables) -> BuyingCheck:
    """Boil an assessment, best made with the species it is sold as, down to what decides."""
    advice = advice_table()
    sold_as = assessment.claimed or next(iter(assessment.conclusion.subjects), None)
    sheets = [s for s in assessment.sheets if s.species == sold_as]
    found = [f for sheet in sheets for f in sheet.findings]
    against = [against_words(f, tables) for f in found if f.status is Status.DOES_NOT_FIT]
    against += [
        f"{s.text} {s.status.value.capitalize()}."
        for s in assessment.signs
        if s.status in (SignStatus.SEEN, SignStatus.LOOK_AGAIN)
    ]
    variety = tables.varieties[assessment.variety]
    hides = [f"This variety hides marks: {variety.reason}"] if variety.says_nothing else []
    return BuyingCheck(
        sentence=assessment.conclusion.sentence,
        speaks_against=tuple(against),
        fits=tuple(f.name for f in found if f.status in (Status.FITS, Status.PROBABLY_FITS)),
        look_at=tuple((m.name, m.look) for m in assessment.next_marks[:MARKS_SHOWN]),
        ask=tuple(row.text for row in advice.ask),
        cannot_tell=(*hides, *(row.text for row in advice.cannot_tell)),
        cautions=advice.cautions("buying"),
    )


def possible_signs(tables: Tables, question: Question) -> tuple[str, ...]:
    """Signs of mixed ancestry that a bird sold as some species could show."""
    series = tables.varieties[question.variety].series
    return tuple(
        sign.text + (" Look again after its first moult." if question.age in sign.juvenile else "")
        for sign in tables.signs.values()
        if sign.species == question.claimed
        and series in sign.series
        and question.variety not in sign.not_in
    )
