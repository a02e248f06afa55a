"""Moults: how each mark changed from look to look, and what became of a sign.

A change is claimed only when it exceeds the combined uncertainty of the two readings (95 %, k = 2)
(JCGM 100). The uncertainties of two photos are taken as independent: part of the camera's share may
be common to photos of one phone, but nothing makes sure of it.
"""

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, NamedTuple

from fieldmarks.birds.model import Entry, MarkPoint, Observation, SignPoint, Stage
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure.quantities import COVERAGE_FACTOR

Quantity = Literal["L*", "C*", "h", "dark", "orange"]
BY_CHANCE = 0.0455  # share of a normal distribution outside k = 2
GROWN: tuple[Stage, ...] = ("after first moult", "later moult")
PRESENT = (SignStatus.SEEN.value, SignStatus.LOOK_AGAIN.value)
# Worst first: where the photos of one day differ, the first of these that occurs stands.
WORST_FIRST = (*PRESENT, SignStatus.DOUBTFUL.value, SignStatus.NOT_SEEN.value)


class Scale(NamedTuple):
    """How a quantity is told: its name, its greatest value, the factor it is shown by, its unit."""

    name: str
    top: float
    factor: float = 1
    unit: str = ""


SCALES: dict[Quantity, Scale] = {
    "L*": Scale("lightness L*", 100),
    "C*": Scale("colourfulness C*", 100),
    "h": Scale("hue h", 360),
    "dark": Scale("dark area", 1, 100, " %"),
    "orange": Scale("orange area", 1, 100, " %"),
}
QUANTITIES = tuple(SCALES)


class Measured(NamedTuple):
    """A value with its standard uncertainty (k = 1). Shares 0 to 1, hue in degrees."""

    value: float
    u: float


@dataclass(frozen=True)
class TimePoint:
    """One mark in one look."""

    day: date
    number: int
    stage: Stage
    point: MarkPoint

    def measured(self, quantity: Quantity) -> Measured | None:
        """One quantity; None for the hue of a mark too grey to have one."""
        p = self.point
        chroma = math.hypot(p.a, p.b)
        if quantity == "h":
            # Delta H* = C* times the angle; where the doubt reaches grey the angle means nothing.
            if chroma <= COVERAGE_FACTOR * max(p.u_chroma, p.u_hue):
                return None
            hue = math.degrees(math.atan2(p.b, p.a)) % 360
            return Measured(hue, math.degrees(p.u_hue / chroma))
        return {
            "L*": Measured(p.lightness, p.u_lightness),
            "C*": Measured(chroma, p.u_chroma),
            "dark": Measured(p.dark, p.u_dark),
            "orange": Measured(p.orange, p.u_orange),
        }[quantity]


@dataclass(frozen=True)
class Change:
    """What a mark did between two looks.

    ``difference`` is second minus first, of hue the short way round in degrees; ``smallest`` the
    smallest change that could have been seen, 2 (k) times the combined uncertainty.
    """

    mark: str
    quantity: Quantity
    difference: float
    smallest: float

    @property
    def claimed(self) -> bool:
        """Whether the change exceeds what the measuring can explain."""
        return abs(self.difference) > self.smallest


def timelines(entries: Sequence[Entry]) -> dict[str, list[TimePoint]]:
    """Every mark's calibrated readings of one bird, by day and then in the order saved."""
    lines: dict[str, list[TimePoint]] = {}
    for entry in in_order(entries):
        for point in (p for look in entry.observations for p in look.marks if p.calibrated):
            spot = TimePoint(entry.day, entry.number, entry.stage, point)
            lines.setdefault(point.mark, []).append(spot)
    return lines


def in_order(entries: Sequence[Entry]) -> list[Entry]:
    """Entries that count, by day; those of one day in the order saved, whatever the clock said."""
    return sorted((e for e in entries if not e.withdrawn), key=lambda e: (e.day, e.number))


def change(before: TimePoint, after: TimePoint, quantity: Quantity) -> Change | None:
    """The change of one quantity between two looks; None where it has no meaning."""
    first, second = before.measured(quantity), after.measured(quantity)
    if first is None or second is None:
        return None
    difference = second.value - first.value
    if quantity == "h":
        difference = (difference + 180) % 360 - 180
    smallest = COVERAGE_FACTOR * math.hypot(first.u, second.u)
    return Change(before.point.mark, quantity, difference, smallest)


def changes(lines: Mapping[str, Sequence[TimePoint]]) -> list[Change]:
    """From the first to the last day of every mark, each quantity."""
    ends = [(line[0], line[-1]) for line in lines.values() if line[0].day != line[-1].day]
    found = (change(*between, quantity) for between in ends for quantity in QUANTITIES)
    return [c for c in found if c is not None]


def expected_by_chance(compared: int) -> float:
    """How many of so many comparisons exceed k = 2 though nothing changed (normal errors)."""
    return BY_CHANCE * compared


def change_sentence(found: Change, name: str) -> str:
    """A change in plain words."""
    what, top, factor, unit = SCALES[found.quantity]
    unit = "°" if found.quantity == "h" else unit
    size, least = abs(found.difference) * factor, found.smallest * factor
    if top == 1 and found.smallest > 1:
        return f"{name}: the {what} cannot be followed on these photos; they are too unsure."
    if not found.claimed:
        return (
            f"{name}: no change of {what} can be claimed. One of {least:.1f}{unit} or more would "
            "have been seen."
        )
    up = "rose" if found.difference > 0 else "fell"
    return (
        f"{name}: {what} {up} by {size:.1f}{unit}, more than the {least:.1f}{unit} that measuring "
        "alone can explain."
    )


Story = Literal["faded", "stayed", "grew", "came", "unclear", "never"]


@dataclass(frozen=True)
class SignStory:
    """What became of one sign over the moults.

    Args:
        story (str): "faded": there when young, gone when grown: clears the doubt. "stayed": there
            past maturity: a sign. "grew": there and larger: a sign. "came": not there before, there
            when grown: a sign. "unclear": cannot be decided yet. "never": never there.
    """

    sign: str
    story: Story
    sentence: str


@dataclass(frozen=True)
class SignDay:
    """A sign on one day, at its worst; the marks that were compared, those that may show it, and
    whether the looks of that day disagree. Looks of one day are readings of the same plumage.
    """

    day: date
    grown: bool
    point: SignPoint
    compared: frozenset[str]
    there: frozenset[str]
    differ: bool


def sign_stories(
    entries: Sequence[Entry], texts: Mapping[str, str], matures: date | None = None
) -> list[SignStory]:
    """What became of every sign that was ever compared; ``texts`` holds their words."""
    found = sign_days(entries, matures)
    return [sign_story(sign, days, texts.get(sign, sign)) for (sign, _), days in found.items()]


def sign_days(
    entries: Sequence[Entry], matures: date | None = None
) -> dict[tuple[str, str], list[SignDay]]:
    """(sign, species the bird was taken for) -> the days on which it was compared, in order.

    Args:
        entries: Of one bird; those struck out do not count.
        matures: Day by which the bird is grown; without it the stage of each entry decides.
    """
    found: dict[tuple[str, str], list[SignDay]] = {}
    for day, of_day in itertools.groupby(in_order(entries), key=lambda e: e.day):
        looks = list(of_day)
        grown = day >= matures if matures else looks[-1].stage in GROWN
        whole = [o for e in looks for o in e.observations]
        points = [p for o in whole for p in o.signs]
        for sign, species in dict.fromkeys((p.sign, p.species) for p in points):
            worst = _worst(p for p in points if (p.sign, p.species) == (sign, species))
            if worst is not None:
                read, there = compared(whole, sign), _places(whole, sign)
                seen = SignDay(day, grown, worst, read, there, _differ(looks, sign))
                found.setdefault((sign, species), []).append(seen)
    return found


def _worst(points: Iterable[SignPoint]) -> SignPoint | None:
    """What stands where photos differ; None where no photo compared the sign."""
    told = (p for p in points if p.status in WORST_FIRST)
    return min(told, key=lambda p: WORST_FIRST.index(p.status), default=None)


def _points(looks: Sequence[Observation], sign: str) -> list[SignPoint]:
    return [p for look in looks for p in look.signs if p.sign == sign]


def _places(looks: Sequence[Observation], sign: str) -> frozenset[str]:
    """Marks in which a sign was there in any of some photos."""
    present = (p for p in _points(looks, sign) if p.status in PRESENT)
    return frozenset(mark for p in present for mark in p.places)


def _differ(day: Sequence[Entry], sign: str) -> bool:
    """Whether entries of one day disagree on a sign, in a mark that both compared."""
    there, free = set[str](), set[str]()
    for looks in (entry.observations for entry in day):
        there |= _places(looks, sign)
        worst = _worst(_points(looks, sign))
        # Where it was compared and not seen: nothing at all where a photo was in doubt.
        if worst is not None and worst.status == SignStatus.NOT_SEEN.value:
            free |= compared(looks, sign)
    return not there.isdisjoint(free)


def compared(looks: Sequence[Observation], sign: str) -> frozenset[str]:
    """Marks, or relation, in which a sign was compared in any of some photos."""
    points = _points(looks, sign)
    if any(p.compared for p in points):
        return frozenset(mark for p in points for mark in p.compared.split())
    # Version 0.1 did not say: whatever was read with a card may have been.
    colours = {p.mark for look in looks for p in look.marks if p.calibrated}
    return frozenset(colours | {p.mark for p in points})


def sign_story(sign: str, rows: Sequence[SignDay], text: str) -> SignStory:
    """What became of one sign over some days, in order; ``text`` is its words."""
    story, words = _story(rows)
    return SignStory(sign, story, f"{text.rstrip('.')}: {words}")


def _story(rows: Sequence[SignDay]) -> tuple[Story, str]:
    first, last = rows[0], rows[-1]
    there, gone = last.point.status in PRESENT, last.point.status == SignStatus.NOT_SEEN.value
    present = [r for r in rows if r.point.status in PRESENT]
    if not present and gone:
        sure = all(r.point.status == last.point.status for r in rows)
        how = "not seen in any look." if sure else "not seen; an earlier look was in doubt."
        return "never", how
    if not present:
        return "unclear", "not decided yet. Look again."
    if last.differ:
        said = f"two looks of {last.day} disagree: one shows it, one does not. Look again."
        return "unclear", said
    difference = last.point.amount - first.point.amount
    smallest = COVERAGE_FACTOR * math.hypot(first.point.u_amount, last.point.u_amount)
    sure = len(rows) > 1 and abs(difference) > smallest
    if there and last.grown:
        before = first.point.status in PRESENT
        # Only amounts of one mark can be compared.
        same = first.point.mark == last.point.mark if before else last.point.mark in first.compared
        if not (sure and difference > 0 and same):
            still = "still there" if before else "there"
            return "stayed", f"{still} in the grown bird. That is a sign."
        if before:
            return "grew", "it grew. That is a sign of mixed ancestry."
        return "came", "it came after the moult. That is a sign of mixed ancestry."
    unread = sorted(frozenset[str]().union(*(r.there for r in present)) - last.compared)
    if gone and unread:
        where = " and ".join(mark.replace("_", " ") for mark in unread)
        said = f"it was on the {where}, which the last look did not read. Look there again."
        return "unclear", said
    if gone and any(r.grown for r in present):
        said = "one look of the grown bird shows it and the last does not. Look again."
        return "unclear", said
    if gone and last.grown and not first.grown:
        if sure:
            return "faded", "gone after the moult. This doubt is cleared."
        said = "not seen any more, but the change is no larger than measuring alone can explain."
        return "unclear", f"{said} Look again."
    when = "" if last.grown else " when the bird is grown"
    return "unclear", f"not decided yet. Look again{when}."
