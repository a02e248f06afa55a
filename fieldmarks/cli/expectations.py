"""What the rule tables say, as text: expectations of one species, and marks that tell two apart."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import check_choice, expected, expected_relation
from fieldmarks.rules.schema import Species
from fieldmarks.rules.separation import Separation, separating_marks


def print_expectations(
    tables: Tables, species: str, variety: str, age: str, console: Console
) -> None:
    """Every mark of a species in a variety and age: colours expected, and why; then its facts.

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
    _print_facts(tables.species[species], console)


def _print_facts(species: Species, console: Console) -> None:
    """What no photo decides, with where it comes from and what must be looked up anew."""
    facts = species.facts
    rows = (
        ("body length", f"{_span(facts.body_length_mm)} mm"),
        ("weight", f"{_span(facts.mass_g)} g"),
        ("leg ring, inside", f"{_span(facts.leg_ring_mm)} mm"),
        ("first moult", f"at {_span(facts.first_moult_months)} months"),
        ("grown", f"at about {facts.mature_months:g} months"),
        ("IUCN Red List", facts.iucn),
        ("CITES", facts.cites),
    )
    table = Table("fact", "usual", box=None)
    for row in rows:
        table.add_row(*row)
    console.print()
    console.print("Facts that no photo decides", style="bold")
    console.print(table)
    console.print(
        f"Source of these facts: {facts.evidence}. Before you rely on the IUCN or CITES entry, "
        "check today's listing and your local law. Ask your club or an avian vet for the ring "
        "size of your bird.",
        markup=False,
    )


def _span(ends: tuple[float, float]) -> str:
    low, high = ends
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


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
