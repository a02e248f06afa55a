"""What the rule tables say, as text: expectations of one species, and marks that tell two apart."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from fieldmarks.tables import Tables
from fieldmarks.tables.plumage import check_choice, expected, expected_relation
from fieldmarks.tables.separation import Separation, separating_marks


def print_expectations(
    tables: Tables, species: str, variety: str, age: str, console: Console
) -> None:
    """Every mark of a species in a variety and age: colours expected, and why.

    Raises
    ------
    TableError
        Unknown species, variety or age.
    """
    check_choice(tables, species, variety, age)
    table = Table("mark", "expected", "from", "why", box=None)
    for key, mark in tables.marks.items():
        if key not in tables.species[species].marks:
            continue
        found = expected(tables, species, key, variety, age)
        names = ", ".join(tables.swatches[s].name for s in found.swatches)
        table.add_row(mark.name, names or "says nothing here", found.basis, found.reason)
    for key, kind in tables.relations.items():
        relation = expected_relation(tables, species, key, variety, age)
        if relation.says_nothing:
            span = "says nothing here"
        else:
            ends = [f"{v:g}" for v in (relation.low, relation.high) if v is not None]
            words = "at least " if relation.high is None else "at most "
            span = " to ".join(ends) if len(ends) == 2 else words + "".join(ends)
            span = f"{span} {kind.unit}"
        table.add_row(kind.name, span, relation.basis, relation.reason)
    console.print(f"{tables.species[species].scientific}, {variety}, {age}", style="bold")
    console.print(table)


def print_separations(tables: Tables, variety: str, age: str, console: Console) -> None:
    """For each two species the marks that tell them apart, surest first."""
    check_choice(tables, None, variety, age)
    table = Table("species", "always", "sometimes", box=None)
    for (one, other), rows in separating_marks(tables, variety, age).items():
        cells = [
            ", ".join(_named(tables, row) for row in rows if row.how == how)
            for how in ("always", "sometimes")
        ]
        cells = [cell or "nothing" for cell in cells]
        table.add_row(f"{one} / {other}", *cells)
    console.print(
        "Marks that tell two species apart. In brackets: how far apart their colours lie at "
        "least, in CIEDE2000, or the gap between two comparisons in the unit named. No bracket: "
        "some birds of both look alike there."
    )
    console.print(table)


def _named(tables: Tables, row: Separation) -> str:
    """A mark with how far apart it keeps two species, where they never meet."""
    if not row.relation:
        return row.name if row.gap < 1 else f"{row.name} ({row.gap:.0f})"
    kind = tables.relations[row.mark]
    gap = f"{row.gap:.{kind.decimals}f}"
    return row.name if float(gap) == 0 else f"{row.name} ({gap} {kind.unit})"
