"""How commands answer: on the terminal, cut nowhere in a pipe; beside the answer; into a file."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console, Group, RenderableType
    from rich.table import Table
    from rich.text import Text

INDENT = 2


def console(stderr: bool = False) -> Console:
    """Where answers are printed."""
    from rich.console import Console

    # Piped output gets a fixed width, so that a saved report does not depend on the window.
    width = None if sys.stdout.isatty() else 120
    # Names in tables and photos are text, whatever brackets they hold.
    return Console(stderr=stderr, width=width, highlight=False, markup=False, emoji=False)


def say(line: object) -> None:
    """Say something beside the answer, on standard error."""
    print(line, file=sys.stderr)


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error while something takes its time; gives what it is told by."""
    from rich.progress import Progress

    with Progress(console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def write(into: Path, made: str | bytes, more: str = "") -> None:
    """Write a file whole or not at all, and say so."""
    from fieldmarks._util.atomic_write import write_whole

    write_whole(into, made)
    say(f"Written: {into}{more}")


def heading(text: str) -> Text:
    """A bold line."""
    from rich.text import Text

    return Text(text, style="bold")


def section(title: str, body: RenderableType) -> Group:
    """Something under its heading, and an empty line."""
    from rich.console import Group
    from rich.padding import Padding

    return Group(heading(title), Padding(body, (0, 0, 1, INDENT)))


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


def fit(console: Console, *tables: Table) -> None:
    """In a pipe or a file nothing is cut or broken: the page is as wide as its widest table."""
    from rich.measure import Measurement

    if not console.is_terminal:
        endless = console.options.update(max_width=10_000)
        widest = max(Measurement.get(console, endless, table).maximum for table in tables)
        console.width = max(console.width, widest + INDENT)


def print_lists(console: Console, *lists: tuple[str, Iterable[object]]) -> None:
    """Lists under their headings; those that are empty are left out."""
    from rich.text import Text

    for title, lines in lists:
        if items := [f"* {line}" for line in lines]:
            console.print(section(title, Text("\n".join(items))))


def print_table(
    console: Console,
    headings: Sequence[str],
    rows: Iterable[Sequence[object]],
    title: str | None = None,
) -> None:
    """A table as wide as it needs."""
    table = table_of(headings, rows, title)
    fit(console, table)
    console.print(table)
