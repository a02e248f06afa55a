"""What the commands of a bird's life share: the app, its options, and how they open the store."""

from __future__ import annotations

import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fieldmarks._util.errors import FieldmarksError

if TYPE_CHECKING:
    from fieldmarks.birds.store import Store
    from fieldmarks.rules import Tables

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
    """A date written as 2025-04-30; None stays None.

    Raises
    ------
    FieldmarksError
        It is no date.
    """
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise FieldmarksError(f"{text!r} is no date", mend="Write it as 2025-04-30") from None


def open_store(context: typer.Context) -> Store:
    """The store that the options name."""
    from fieldmarks.birds.store import Store

    folder, database = context.obj or (None, None)
    return Store(folder, database)


def rule_tables() -> Tables:
    """The rule tables."""
    from fieldmarks.rules import load_tables

    return load_tables()


def console() -> Any:
    """Where answers are printed."""
    from rich.console import Console

    return Console(
        width=None if sys.stdout.isatty() else 120, highlight=False, markup=False, emoji=False
    )


def say(line: str) -> None:
    """Say something beside the answer, on standard error."""
    print(line, file=sys.stderr)
