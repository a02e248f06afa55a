"""What the commands of a bird's life share: the app, its options, and how they open the store."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fieldmarks._util.errors import FieldmarksError, TableError
from fieldmarks.cli.shared import console as console
from fieldmarks.cli.shared import rule_tables as rule_tables
from fieldmarks.cli.shared import say as say

if TYPE_CHECKING:
    from fieldmarks.birds.store import Store

app = typer.Typer(
    help="Keep your birds' lives: moults, pairs, test matings and disputes.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

BirdName = Annotated[str, typer.Argument(metavar="BIRD", help="Its name, ring number or id.")]
OnDay = Annotated[str | None, typer.Option("--day", help="Only entries of this day.")]


@app.callback()
def where(
    context: typer.Context,
    folder: Annotated[
        Path | None,
        typer.Option("--store", help="Folder of the store; of the photos, beside --database."),
    ] = None,
    database: Annotated[
        str | None, typer.Option("--database", help="Database of a club: postgresql://...")
    ] = None,
) -> None:
    """Keep your birds' lives: moults, pairs, test matings and disputes."""
    context.obj = (folder, database)


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


def open_store(context: typer.Context) -> Store:
    """The store that the options name."""
    from fieldmarks.birds.store import Store

    folder, database = context.obj or (None, None)
    return Store(folder, database)


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error while something takes its time; gives what it is told by."""
    from rich.progress import Progress

    with Progress(console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


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
