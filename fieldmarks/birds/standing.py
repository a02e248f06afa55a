"""How the signs of a bird stand over all its looks, so that no later photo hides an earlier one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from fieldmarks.birds.model import Entry
from fieldmarks.birds.moult import PRESENT, SignDay, sign_days, sign_story
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
            the change is not one that clears a doubt (see ``moult.sign_story``).
    """

    sign: str
    species: str
    status: str
    day: date
    disputed: bool = False


def standings(entries: Sequence[Entry], matures: date | None = None) -> list[SignStanding]:
    """How every sign stands that was ever compared.

    Args:
        entries, matures: As for :func:`sign_days`.
    """
    return [_standing(*key, days) for key, days in sign_days(entries, matures).items()]


def _standing(sign: str, species: str, days: Sequence[SignDay]) -> SignStanding:
    decided = [one for one in days if one.point.status in DECIDED]
    on = (decided or days)[-1]
    status, disputed = on.point.status, on.differ
    if disputed:
        status = SignStatus.DOUBTFUL.value
    elif status == SignStatus.NOT_SEEN.value:
        there = [place for place, one in enumerate(days, 1) if one.point.status in PRESENT]
        # Whether it went away with the moult in any look after it was last there.
        disputed = bool(there) and not any(
            sign_story(sign, days[:end], "").story == "faded"
            for end in range(there[-1] + 1, len(days) + 1)
        )
        on = days[-1]  # a doubt may have come up after it was last ruled out
        status = on.point.status
    return SignStanding(sign, species, status, on.day, disputed)


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
