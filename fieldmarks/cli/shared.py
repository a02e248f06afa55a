"""What all commands share: where answers go, the rule tables, what is asked of a photo."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from fieldmarks.rules import Tables

Variety = Annotated[
    str,
    typer.Option(
        "--variety", help="Colour variety of the bird; a word it does not know lists them all."
    ),
]
Age = Annotated[str, typer.Option("--age", help="Age of the bird: young, moulting or adult.")]
SoldAs = Annotated[
    str | None,
    typer.Option("--sold-as", help="Species it is said to be, by any of its names."),
]
Regions = Annotated[
    Path | None,
    typer.Option("--regions", help="Region file. Default: the photo's name + .regions.json."),
]
_chosen: tuple[Path | None, bool] = (None, False)  # further tables, own swatches


def choose_rules(more_tables: Path | None, own_swatches: bool) -> None:
    """Take what stands before the command; it holds for whatever the command reads."""
    global _chosen
    _chosen = (more_tables, own_swatches)


def rules_for_app() -> dict[str, str]:
    """What was chosen, as settings of the process that runs the app."""
    more, own = _chosen
    given = {
        "MORE_TABLES": str(more.absolute()) if more else "",
        "OWN_SWATCHES": "1" if own else "",
    }
    return {f"FIELDMARKS_{name}": value for name, value in given.items() if value}


def rule_tables() -> Tables:
    """The rule tables chosen; own swatches that lie unused are mentioned."""
    from fieldmarks.rules import keepers, load_rules

    more, own = _chosen
    unused = [] if own else [swatch.key for swatch in keepers.own_swatches() if swatch.in_use]
    if unused:
        say(
            f"Shipped swatches are used. Yours ({', '.join(unused)}) are taken with "
            "fieldmarks --own-swatches ..."
        )
    return load_rules(more, own)


def console(stderr: bool = False) -> Console:
    """Where answers are printed."""
    from rich.console import Console

    # Piped output gets a fixed width, so that a saved report does not depend on the window.
    width = None if sys.stdout.isatty() else 120
    # Names in tables and photos are text, whatever brackets they hold.
    return Console(stderr=stderr, width=width, highlight=False, markup=False, emoji=False)


def table_of(
    headings: Sequence[str], rows: Iterable[Sequence[object]], title: str | None = None
) -> Table:
    """A table without lines; None is an empty cell."""
    from rich.table import Table
    from rich.text import Text

    table = Table(*headings, box=None, title=title)
    for row in rows:
        table.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    return table


def say(line: str) -> None:
    """Say something beside the answer, on standard error."""
    print(line, file=sys.stderr)
