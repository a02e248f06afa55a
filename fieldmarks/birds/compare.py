"""Compare two records, or two sets of regions, number by number; what came of it all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fieldmarks.measure.region import RegionSet, Shape, vertices
from fieldmarks.record import Record

STEP = 0.01  # CIELAB or share; differences of other processors and libraries stay far below this
PIXEL_STEP = 0.011  # region files keep hundredths of a pixel
READ = ("L*", "a*", "b*", "uncertainty")

Difference = tuple[str, str]  # a number or word that is not the same, and how


def record_differences(before: Record, after: Record) -> list[Difference]:
    """Every reading, relation, finding, sign and conclusion that differs."""
    (old_words, old), (new_words, new) = _told(before), _told(after)
    words = [(what, old_words.get(what, "nothing"), new_words.get(what, "nothing"))
             for what in sorted(old_words | new_words)]  # fmt: skip
    numbers = [(what, old[what], new[what]) for what in sorted(old.keys() & new.keys())]
    return [
        *((what, f"then: {then}; now: {now}") for what, then, now in words if then != now),
        *(
            (what, f"{then:.3f} then, {now:.3f} now")
            for what, then, now in numbers
            if not abs(then - now) <= STEP
        ),
    ]


def _told(record: Record) -> tuple[dict[str, str], dict[str, float]]:
    """What a record says in words, and in numbers, each by what it is said of."""
    words = {"conclusion": record.assessment.conclusion.sentence}
    numbers: dict[str, float | None] = {}
    for reading in record.measurement.readings:
        words[reading.mark] = "read"
        values = (*reading.lab, reading.expanded)
        numbers |= {f"{reading.mark} {n}": v for n, v in zip(READ, values, strict=True)}
    for relation in record.measurement.relations:
        words[relation.key] = "read"
        numbers[relation.key] = relation.value
    for sheet in record.assessment.sheets:
        for finding in sheet.findings:
            what = f"{finding.mark} as {sheet.species}"
            words[what], numbers[what] = finding.status.value, finding.held
        for sign in sheet.signs:
            words[f"sign {sign.key}"] = sign.status.value
            numbers[f"sign {sign.key}"] = sign.amount
    return words, {what: value for what, value in numbers.items() if value is not None}


def region_differences(before: RegionSet, after: RegionSet) -> list[Difference]:
    """Regions that were moved, relabelled, added or taken away."""
    old, new = ({r.id: r for r in s.regions} for s in (before, after))
    found = []
    for key in sorted(set(old) | set(new)):
        one, other = old.get(key), new.get(key)
        if one is None or other is None:
            found.append((f"region {key}", "missing" if other is None else "added"))
        elif (one.mark, one.value) != (other.mark, other.value):
            found.append((f"region {key}", f"{one.mark} then, {other.mark} now"))
        elif _moved(one.shape, other.shape):
            found.append((f"region {key} ({one.mark})", "was moved or redrawn"))
    return found


def _moved(one: Shape, other: Shape) -> bool:
    a, b = vertices(one), vertices(other)
    return a.shape != b.shape or bool(np.abs(a - b).max() > PIXEL_STEP)


VERSION = "version"
NOT_COMPARED = (
    " Whether ring, names and PDF are as the maker wrote them is not known until you compare the "
    "seal or the key below with what the maker told you."
)
Outcome = Literal["same", "different", "note"]


@dataclass(frozen=True)
class Check:
    """One thing that was checked."""

    where: str  # which photo or file
    what: str
    outcome: Outcome  # "note" for what does not decide
    detail: str = ""

    @classmethod
    def of(cls, where: str, what: str, is_same: bool, wrong: str = "") -> Check:
        """A check that decides; ``wrong`` says more where it failed."""
        return cls(where, what, "same") if is_same else cls(where, what, "different", wrong)


def checks(where: str, what: str, found: Sequence[Difference]) -> list[Check]:
    """One check for each difference, or one that there is none."""
    wrong = [Check(where, f"{what}: {of}", "different", detail) for of, detail in found]
    return wrong or [Check(where, what, "same")]


@dataclass(frozen=True)
class Verified:
    """What came of re-running a dossier.

    Args:
        key: Name of the key it is signed with; empty if it is not, or the signature does not fit.
        compared: Whether the seal or the key was compared with one that the maker told.
    """

    checks: tuple[Check, ...]
    seal: str
    key: str = ""
    compared: bool = False

    @property
    def same(self) -> bool:
        """Whether nothing was different."""
        return all(c.outcome != "different" for c in self.checks)

    @property
    def sentence(self) -> str:
        """The result in one sentence."""
        if self.same:
            return (
                "SAME: every number follows again from the photos, regions and tables in this "
                "dossier."
            ) + ("" if self.compared else NOT_COMPARED)
        count = sum(c.outcome == "different" for c in self.checks)
        said = f"DIFFERENT: {count} checks failed. See which below."
        versions = [c.detail for c in self.checks if c.what == VERSION]
        if versions:
            said += (
                f" It was {versions[0]}: that alone can change numbers. Check it with the version "
                "that made it before you conclude anything."
            )
        return said
