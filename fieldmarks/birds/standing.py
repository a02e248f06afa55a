"""How the signs of a bird stand over all its looks, so that no later photo hides an earlier one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from fieldmarks.birds.model import Entry
from fieldmarks.birds.moult import (
    PRESENT,
    WORST_FIRST,
    as_one,
    by_day,
    differ,
    sign_stories,
)
from fieldmarks.judge.signs import SignStatus
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import holds_in, speaking_marks
from fieldmarks.rules.schema import Sign

DECIDED = (*PRESENT, SignStatus.NOT_SEEN.value)


@dataclass(frozen=True)
class SignStanding:
    """How one sign stands.

    Args:
        species: Species the bird was taken for.
        status: That of the latest day that decided; "doubtful" when nothing was decided, when a
            look after "not seen" was in doubt, or when the looks of that day disagree.
        day: The day that this rests on.
        disputed: The looks of that day disagree; or it was there earlier, is "not seen" now, and
            the change is not one that clears a doubt (see ``moult.sign_stories``).
    """

    sign: str
    species: str
    status: str
    day: date
    disputed: bool = False


def standings(entries: Sequence[Entry], matures: date | None = None) -> list[SignStanding]:
    """How every sign stands that was ever compared.

    Args:
        entries: Of one bird; those struck out do not count.
        matures: Day by which the bird is grown; without it the stage of each entry decides.
    """
    days = by_day(entries)
    rows: dict[tuple[str, str], list[tuple[int, str]]] = {}
    for place, day in enumerate(days):
        for key, status in _worst(as_one(day)).items():
            rows.setdefault(key, []).append((place, status))
    return [
        _standing(sign, species, found, days, matures) for (sign, species), found in rows.items()
    ]


def _worst(entry: Entry) -> dict[tuple[str, str], str]:
    """The worst status of each sign over some photos; none where none was compared."""
    worst: dict[tuple[str, str], str] = {}
    for point in (p for look in entry.observations for p in look.signs if p.status in WORST_FIRST):
        key = (point.sign, point.species)
        worst[key] = min(worst.get(key, point.status), point.status, key=WORST_FIRST.index)
    return worst


def _standing(
    sign: str,
    species: str,
    found: list[tuple[int, str]],
    days: list[list[Entry]],
    matures: date | None,
) -> SignStanding:
    decided = [(place, status) for place, status in found if status in DECIDED]
    place, status = decided[-1] if decided else found[-1]
    disputed = differ(days[place], sign)
    if disputed:
        status = SignStatus.DOUBTFUL.value
    elif status == SignStatus.NOT_SEEN.value:
        there = [p for p, earlier in decided if earlier in PRESENT]
        disputed = bool(there) and not _cleared(sign, days, there[-1], matures)
        if found[-1][0] > place:  # a doubt came up after it was last ruled out
            place, status = found[-1]
    return SignStanding(sign, species, status, days[place][0].day, disputed)


def _cleared(sign: str, days: list[list[Entry]], last_there: int, matures: date | None) -> bool:
    """Whether the sign went away with the moult in any look after it was last there."""
    return any(
        story.sign == sign and story.story == "faded"
        for end in range(last_there + 2, len(days) + 1)
        for story in sign_stories([e for day in days[:end] for e in day], {}, matures)
    )


def showing_signs(species: str | None, variety: str, tables: Tables) -> list[Sign]:
    """Signs of a species that can show in a variety; none when either is not in the tables."""
    kind = tables.varieties.get(variety)
    if kind is None:
        return []
    return [
        sign
        for sign in tables.signs.values()
        if sign.species == species and holds_in(sign, kind) and speaking_marks(tables, sign, kind)
    ]
