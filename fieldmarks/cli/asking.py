"""How commands ask: their groups, what is asked of a photo, days and names as they are typed."""

from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

from typer import Argument, Option, Typer

from fieldmarks._util.errors import FieldmarksError, TableError

Variety = Annotated[
    str, Option(help="Colour variety of the bird; a word it does not know lists them all.")
]
Age = Annotated[str, Option(help="Age of the bird: young, moulting or adult.")]
SoldAs = Annotated[str | None, Option(help="Species it is said to be, by any of its names.")]
Regions = Annotated[
    Path | None, Option(help="Region file. Default: the photo's name + .regions.json.")
]
BirdName = Annotated[str, Argument(metavar="BIRD", help="Its name, ring number or id.")]


def group(**given: Any) -> Typer:
    """An empty group of commands; its callback may tell what it is about."""
    return Typer(no_args_is_help=True, rich_markup_mode=None, **given)


def read_day(text: str | None) -> date | None:
    """A date written as 2025-04-30; None stays None, and empty text is none.

    Raises:
        FieldmarksError: It is no date.
    """
    if text is None or not text.strip():
        return None
    try:
        return datetime.strptime(text.strip(), "%Y-%m-%d").date()
    except ValueError:
        raise FieldmarksError(f"{text!r} is no date", mend="Write it as 2025-04-30") from None


def known_as(given: str | None, rows: Mapping[str, object], what: str) -> str | None:
    """Key of a species, variety or age by any of its names; None stays None, empty text is none.

    Raises:
        TableError: The tables do not hold it.
    """
    from fieldmarks.rules.tables import key_of, nearest_to

    if given is None or not given.strip():
        return None
    key = key_of(given, rows)
    if key is None:
        raise TableError(f"there is no {what} {given!r}", mend=nearest_to(given, rows))
    return key
