"""Compare two records, or two sets of regions, number by number; what came of it all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fieldmarks.measure.region import RegionSet, Shape, vertices
from fieldmarks.record import Record

LAB_STEP = 0.01  # differences of other processors and library versions stay far below this
SHARE_STEP = 0.01
PIXEL_STEP = 0.011  # region files keep hundredths of a pixel


@dataclass(frozen=True)
class Difference:
    """One number or word that is not the same."""

    what: str
    detail: str


def record_differences(before: Record, after: Record) -> list[Difference]:
    """Every reading, relation, finding, sign and conclusion that differs."""
    return [
        *_readings(before, after),
        *_relations(before, after),
        *_words(before, after),
    ]


def _readings(before: Record, after: Record) -> Iterator[Difference]:
    old = {r.mark: r for r in before.measurement.readings}
    new = {r.mark: r for r in after.measurement.readings}
    for mark in sorted(set(old) | set(new)):
        if mark not in old or mark not in new:
            yield Difference(mark, "read now, not then" if mark in new else "read then, not now")
            continue
        pairs = [*zip(("L*", "a*", "b*"), old[mark].lab, new[mark].lab, strict=True)]
        pairs.append(("uncertainty", old[mark].expanded, new[mark].expanded))
        for name, one, other in pairs:
            if not abs(one - other) <= LAB_STEP:
                yield Difference(f"{mark} {name}", f"{one:.2f} then, {other:.2f} now")


def _relations(before: Record, after: Record) -> Iterator[Difference]:
    old = {r.key: r.value for r in before.measurement.relations}
    new = {r.key: r.value for r in after.measurement.relations}
    for key in sorted(set(old) | set(new)):
        one, other = old.get(key), new.get(key)
        if one is None or other is None or not abs(one - other) <= LAB_STEP:
            yield Difference(key, f"{one} then, {other} now")


def _words(before: Record, after: Record) -> Iterator[Difference]:
    old, new = _statuses(before), _statuses(after)
    for key in sorted(set(old) | set(new)):
        one, other = old.get(key), new.get(key)
        if one is None or other is None or one[0] != other[0]:
            yield Difference(key, f"{one and one[0]} then, {other and other[0]} now")
        elif one[1] is not None and other[1] is not None and abs(one[1] - other[1]) > SHARE_STEP:
            yield Difference(key, f"{one[1]:.3f} then, {other[1]:.3f} now")
    then, now = before.assessment.conclusion.sentence, after.assessment.conclusion.sentence
    if then != now:
        yield Difference("conclusion", f"then: {then} Now: {now}")


def _statuses(record: Record) -> dict[str, tuple[str, float | None]]:
    found: dict[str, tuple[str, float | None]] = {}
    for sheet in record.assessment.sheets:
        for f in sheet.findings:
            found[f"{f.mark} as {sheet.species}"] = (f.status.value, f.held)
        for s in sheet.signs:
            found[f"sign {s.key}"] = (s.status.value, s.amount)
    return found


def region_differences(before: RegionSet, after: RegionSet) -> list[Difference]:
    """Regions that were moved, relabelled, added or taken away."""
    old, new = ({r.id: r for r in s.regions} for s in (before, after))
    found = []
    for key in sorted(set(old) | set(new)):
        one, other = old.get(key), new.get(key)
        if one is None or other is None:
            found.append(Difference(f"region {key}", "missing" if other is None else "added"))
        elif (one.mark, one.value) != (other.mark, other.value):
            found.append(Difference(f"region {key}", f"{one.mark} then, {other.mark} now"))
        elif _moved(one.shape, other.shape):
            found.append(Difference(f"region {key} ({one.mark})", "was moved or redrawn"))
    return found


def _moved(one: Shape, other: Shape) -> bool:
    a, b = vertices(one), vertices(other)
    return a.shape != b.shape or bool(np.abs(a - b).max() > PIXEL_STEP)


VERSION = "version"
Outcome = Literal["same", "different", "note"]


@dataclass(frozen=True)
class Check:
    """One thing that was checked.

    Args:
        where: Which photo or file.
        outcome (str): "same", "different", or "note" for what does not decide.
    """

    where: str
    what: str
    outcome: Outcome
    detail: str = ""


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
            said = (
                "SAME: every number follows again from the photos, regions and tables in this "
                "dossier."
            )
            if not self.compared:
                said += (
                    " Whether ring, names and PDF are as the maker wrote them is not known until "
                    "you compare the seal or the key below with what the maker told you."
                )
            return said
        count = sum(c.outcome == "different" for c in self.checks)
        said = f"DIFFERENT: {count} checks failed. See which below."
        versions = [c.detail for c in self.checks if c.what == VERSION]
        if versions:
            said += (
                f" It was {versions[0]}: that alone can change numbers. Check it with the version "
                "that made it before you conclude anything."
            )
        return said
