"""What the rule tables say, as text: expectations of one species, and marks that tell two apart."""

from collections.abc import Iterable, Iterator, Sequence

from rich.console import Console

from fieldmarks._util.errors import TableError
from fieldmarks.cli.layout import heading, table_of
from fieldmarks.judge.signs import STRENGTHS
from fieldmarks.report.guide import fact_rows
from fieldmarks.rules import Tables, plumage
from fieldmarks.rules.schema import PARTS, MakeUp, Part
from fieldmarks.rules.separation import Separation, separating_marks


def print_expectations(
    tables: Tables, species: str, variety: str, age: str, console: Console, make_up: bool = False
) -> None:
    """What a species should show, grouped as one reads a bird; then signs, then facts.

    Args:
        make_up: Say of every mark, too, what it is made of and which swatches that gives.

    Raises:
        TableError: Unknown species, variety or age, or a variety that only other species have.
    """
    plumage.check_choice(tables, species, variety, age)
    row, kind = tables.species[species], tables.varieties[variety]
    if kind.species and species not in kind.species:
        named = " and ".join(tables.species[s].name for s in kind.species)
        raise TableError(f"{kind.name} is not known in {species}", mend=f"It is one of {named}")
    asked = (tables, species, variety, age)
    console.print(heading(f"{row.name} ({row.scientific}), {kind.name}, {age}"))
    console.print(row.look if variety == "green" else kind.look, markup=False)
    for part in PARTS:
        rows = _of_part(*asked, part)
        _section(console, part.capitalize(), ("where", "should show", "why"), rows)
    signs = ("sign of mixed ancestry", "held to be", "of")
    _section(console, "Would speak of mixed ancestry", signs, _signs(*asked))
    if make_up:
        _section(console, "Made of", ("where", "make-up", "gives"), _made_of(*asked))
    _section(console, "Facts that no photo decides", ("fact", "usual"), fact_rows(row))
    # What must be looked up anew, and whom to ask.
    console.print(
        f"Source of these facts: {row.facts.evidence}. Before you rely on the IUCN or CITES "
        "entry, check today's listing and your local law. Ask your club or an avian vet for the "
        "ring size of your bird, and let an experienced breeder ring it.",
        markup=False,
    )


def _section(
    console: Console, title: str, headings: Sequence[str], rows: Iterable[Sequence[str]]
) -> None:
    table = table_of(headings, rows)
    if table.row_count:
        console.print()
        console.print(heading(title))
        console.print(table)


def _of_part(
    tables: Tables, species: str, variety: str, age: str, part: Part
) -> Iterator[tuple[str, str, str]]:
    """What each mark of a part of the bird should show, then each comparison that ends there."""
    for key, mark in tables.marks.items():
        if key not in tables.species[species].marks or mark.part != part:
            continue
        found = plumage.expected(tables, species, key, variety, age)
        names = ", ".join(tables.swatches[s].name for s in found.swatches)
        side = " (side by side)" if found.mixed and len(found.swatches) > 1 else ""
        yield mark.name, names + side if names else "says nothing here", found.reason
    for key, kind in tables.relations.items():
        relation = plumage.expected_relation(tables, species, key, variety, age)
        if tables.marks[kind.marks[0]].part == part and not relation.says_nothing:
            span = plumage.range_words(relation.low, relation.high)
            yield kind.name, f"{span} {kind.unit}", relation.reason


def _signs(tables: Tables, species: str, variety: str, age: str) -> Iterator[tuple[str, str, str]]:
    """What would be a sign of mixed ancestry, the surest first."""
    kind = tables.varieties[variety]
    for strength, held in STRENGTHS.items():
        for sign in tables.signs.values():
            if sign.species != species or sign.strength != strength:
                continue
            if plumage.holds_in(sign, kind) and plumage.speaking_marks(tables, sign, kind):
                late = ", not before the moult" if age in sign.juvenile else ""
                yield (
                    sign.text,
                    held.removeprefix("keepers hold it ") + late,
                    " or ".join(sign.points_to),
                )


def _made_of(
    tables: Tables, species: str, variety: str, age: str
) -> Iterator[tuple[str, str, str]]:
    """What each mark is made of, and the keys of the swatches that gives, whatever its row says."""
    for key, row in tables.species[species].marks.items():
        made = "; ".join(map(_levels, plumage.makeups(tables, row, key, variety, age)))
        gives, _ = plumage.derive(tables, row, key, variety, age)
        yield tables.marks[key].name, made, ", ".join(gives)


def _levels(makeup: MakeUp) -> str:
    parts = (f"{part} {level}" for part, level in makeup if level != "none")
    return ", ".join(parts) or "no pigment"


def print_separations(tables: Tables, variety: str, age: str, console: Console) -> None:
    """For each two species the marks that tell them apart, surest first."""
    plumage.check_choice(tables, None, variety, age)
    hows = ("always", "sometimes")
    cells = (
        (
            f"{one} / {other}",
            *(", ".join(_named(tables, r) for r in rows if r.how == how) or "nothing"
              for how in hows),
        )
        for (one, other), rows in separating_marks(tables, variety, age).items()
    )  # fmt: skip
    console.print(
        "Marks that tell two species apart. In brackets: how far apart their colours lie at "
        "least, in CIEDE2000, or the gap between two comparisons in the unit named. No bracket: "
        "some birds of both look alike there."
    )
    console.print(table_of(("species", *hows), cells))


def _named(tables: Tables, row: Separation) -> str:
    """A mark with how far apart it keeps two species, where they never meet."""
    if not row.relation:
        return row.name if row.gap < 1 else f"{row.name} ({row.gap:.0f})"
    kind = tables.relations[row.mark]
    gap = f"{row.gap:.{kind.decimals}f}"
    return row.name if float(gap) == 0 else f"{row.name} ({gap} {kind.unit})"
