"""The one kind of error a keeper is ever shown."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from fieldmarks._util.sanitize import plain

if TYPE_CHECKING:
    from pydantic import ValidationError

LONGEST = 2000  # characters of one line


class FieldmarksError(Exception):
    """Something the keeper gave cannot be used; says what, where and how to mend it.

    Args:
        problem: What is wrong, as a short clause without a full stop.
        where: Which file, region, mark or table row it concerns.
        mend: What to do about it, as an instruction.
    """

    def __init__(self, problem: str, *, where: str = "", mend: str = "") -> None:
        self.problem = problem
        self.where = where
        self.mend = mend
        super().__init__(str(self))

    def __str__(self) -> str:
        line = f"{self.where}: {self.problem}" if self.where else self.problem
        if self.mend:
            line = f"{line}. {self.mend}"
        # One harmless line whatever the file or mark is called.
        return plain(line, LONGEST)


class PhotoError(FieldmarksError):
    """The photo cannot be read."""


class CardError(FieldmarksError):
    """The card cannot be used to calibrate."""


class RegionError(FieldmarksError):
    """A region or a region file cannot be used."""


class TableError(FieldmarksError, ValueError):
    """A row of a species, mark, variety, sign or swatch file cannot be used.

    A ValueError too, so that one raised in a validator of a row comes with its place.
    """


class NotReadError(FieldmarksError, KeyError):
    """Of a mark or photo that was asked for nothing was read; a KeyError too, as of any dict."""


@contextmanager
def told_if_not_opened(
    where: str, mend: str = "Check the file name", kind: type[FieldmarksError] = FieldmarksError
) -> Iterator[None]:
    """Read a file that a keeper named; an OSError is told in the keeper's words."""
    try:
        yield
    except OSError as error:
        raise kind(f"cannot be opened ({error.strerror})", where=where, mend=mend) from None


def first_fault(error: ValidationError) -> str:
    """Place and words of the first thing that does not keep to a schema."""
    first = error.errors(include_url=False)[0]
    return f"{'.'.join(map(str, first['loc'])) or 'file'}: {first['msg']}"
