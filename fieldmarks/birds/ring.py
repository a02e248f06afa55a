"""Ring numbers: when two are one, and their shape, which is checked only by a pattern."""

import re

from fieldmarks._util.errors import FieldmarksError

HELP = "A stands for a letter, 9 for a digit; anything else must stand there as it is"


def ring_key(ring: str) -> str | None:
    """A ring for comparing: capitals, small letters and spaces make no other ring."""
    return " ".join(ring.casefold().split()) or None


def same_ring(one: tuple[str, int | None], other: tuple[str, int | None]) -> bool:
    """Whether two (ring, year) are one ring: numbers come again in other years."""
    years = {one[1] or None, other[1] or None}
    return ring_key(one[0]) == ring_key(other[0]) and (None in years or len(years) == 1)


def fits_pattern(ring: str, pattern: str) -> bool:
    """Whether a ring number has the shape of a pattern; every ring fits an empty one.

    ``A`` stands for a capital letter, ``9`` for a digit; other characters stand for themselves.
    """
    if not pattern:
        return True
    parts = {"A": "[A-Z]", "9": "[0-9]"}
    shape = "".join(parts.get(character, re.escape(character)) for character in pattern)
    return re.fullmatch(shape, ring) is not None


def check_ring(ring: str, pattern: str) -> None:
    """Refuse a ring number of another shape, by a FieldmarksError."""
    if ring and not fits_pattern(ring, pattern):
        raise FieldmarksError(
            f"the ring number {ring!r} does not have the shape {pattern!r}",
            mend=f"Correct it, or change the pattern ({HELP})",
        )
