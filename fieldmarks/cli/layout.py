"""How answers stand in a terminal: bold headings, lists and tables, cut nowhere in a pipe."""

from collections.abc import Iterable, Sequence

from rich.console import Console, Group, RenderableType
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

INDENT = 2


def heading(text: str) -> Text:
    """A bold line."""
    return Text(text, style="bold")


def section(title: str, body: RenderableType) -> Group:
    """Something under its heading, and an empty line."""
    return Group(heading(title), Padding(body, (0, 0, 1, INDENT)))


def table_of(
    headings: Sequence[str], rows: Iterable[Sequence[object]], title: str | None = None
) -> Table:
    """A table without lines; None is an empty cell."""
    table = Table(*headings, box=None, title=title)
    for row in rows:
        table.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    return table


def fit(console: Console, *tables: Table) -> None:
    """In a pipe or a file nothing is cut or broken: the page is as wide as its widest table."""
    if not console.is_terminal:
        endless = console.options.update(max_width=10_000)
        widest = max(Measurement.get(console, endless, table).maximum for table in tables)
        console.width = max(console.width, widest + INDENT)


def print_lists(console: Console, *lists: tuple[str, Iterable[object]]) -> None:
    """Lists under their headings; those that are empty are left out."""
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
