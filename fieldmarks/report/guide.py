"""Guide: what to look for on a bird of one species, beside our own drawing of it.

Each mark of the drawing is filled with the colours expected of it (CIELAB, D65, shown as sRGB); a
mark that says nothing is hatched. Everything is given as SVG text or plain rows.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from fieldmarks._util.errors import TableError
from fieldmarks.report.bird import bird, callouts, defs, drawing, pointer
from fieldmarks.report.svg import hexadecimal, svg, unique
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import (
    Expectation,
    RelationExpectation,
    check_choice,
    expected,
    expected_relation,
    range_words,
)
from fieldmarks.rules.schema import RelationKind, Species
from fieldmarks.rules.separation import tells_from

# Kind of comparison, and whether it has an upper end -> what to look for.
ALIKE = {
    ("same", False): "The two should differ",
    ("same", True): "The two should look alike",
    ("fade", False): "The beak should fade towards the cere",
    ("fade", True): "The beak should not fade",
}


def fact_rows(species: Species) -> tuple[tuple[str, str], ...]:
    """What no photo of a species decides: name and value of each fact that is known."""
    facts = species.facts
    rows: tuple[tuple[str, str | float | tuple[float, float] | None, str], ...] = (
        ("body length", facts.body_length_mm, "{} mm"),
        ("weight", facts.mass_g, "{} g"),
        ("cock or hen", facts.sexes, "{}"),
        ("first moult", facts.first_moult_months, "at {} months"),
        ("grown", facts.mature_months, "at about {} months"),
        ("breed from", facts.breed_from_months, "{} months on"),
        ("clutch", facts.clutch, "{} eggs"),
        ("hatches", facts.hatch_days, "after about {} days"),
        ("closed ring goes on", facts.ring_days, "at {} days"),
        ("leg ring, inside", facts.leg_ring_mm, "{} mm"),
        ("leaves the nest", facts.fledge_weeks, "at about {} weeks"),
        ("IUCN Red List", facts.iucn, "{}"),
        ("CITES", facts.cites, "{}"),
    )
    return tuple((name, said.format(_span(fact))) for name, fact, said in rows if fact is not None)


def _span(fact: str | float | tuple[float, float]) -> str:
    if isinstance(fact, str):
        return fact
    low, high = fact if isinstance(fact, tuple) else (fact, fact)
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


@dataclass(frozen=True)
class GuideRow:
    """What to look for at one mark, or in one comparison of marks.

    Args:
        number: As in the drawing; those of its marks joined by "+" for a comparison; empty when the
            mark is not in the drawing.
        mark: Key of the mark or relation.
        look: What this species should show there, in one line.
        always, sometimes: How many of the other species it tells this one from, surely and in part.
        of_others: How many other species there are.
    """

    number: str
    mark: str
    name: str
    look: str
    always: int
    sometimes: int
    of_others: int
    says_nothing: bool
    relation: bool


def guide_rows(
    tables: Tables, species: str, variety: str = "green", age: str = "adult"
) -> tuple[GuideRow, ...]:
    """What to look for on a bird of one species.

    Marks and comparisons that set it apart from most others come first, those that say nothing
    here last.

    Raises:
        TableError: Unknown species, variety or age.
    """
    check_choice(tables, species, variety, age)
    telling = tells_from(tables, species, variety, age)
    others = len(tables.species) - 1
    rows = []
    for key in (*tables.species[species].marks, *tables.relations):
        relation = key in tables.relations
        name = (tables.relations if relation else tables.marks)[key].name
        looked_up = expected_relation if relation else expected
        found = looked_up(tables, species, key, variety, age)
        if found.says_nothing:
            look = f"Says nothing here: {found.reason[:1].lower()}{found.reason[1:]}"
        elif isinstance(found, Expectation):
            look = _coloured(found, tables)
        else:
            look = _compared(found, tables.relations[key])
        always, sometimes = (telling[key, how] for how in ("always", "sometimes"))
        silent = found.says_nothing
        rows.append(GuideRow("", key, name, look, always, sometimes, others, silent, relation))
    rows.sort(key=lambda row: (row.says_nothing, -row.always, -row.sometimes, row.relation))
    drawn = {layer.mark for layer in drawing().layers if layer.anchor and not layer.extra}
    on_bird = [row.mark for row in rows if row.mark in drawn and not row.relation]
    # Numbers: letters are those of the regions drawn on a photo, which may stand beside it.
    numbers = {mark: str(number) for number, mark in enumerate(on_bird, 1)}
    return tuple(
        replace(row, number="+".join(numbers[mark] for mark in marks if mark in numbers))
        for row in rows
        for marks in [tables.relations[row.mark].marks if row.relation else (row.mark,)]
    )


def _coloured(found: Expectation, tables: Tables) -> str:
    if found.basis == "green row":
        return found.look
    *most, last = (tables.swatches[key].name for key in found.swatches)
    joint = "and" if found.mixed else "or"
    said = f"{', '.join(most)} {joint} {last}" if most else last
    return f"{said[:1].upper()}{said[1:]}."


def _compared(found: RelationExpectation, kind: RelationKind) -> str:
    said = ALIKE.get((kind.kind, found.high is not None), found.reason.rstrip("."))
    return f"{said} ({range_words(found.low, found.high)} {kind.unit})."


def guide_drawing(
    tables: Tables,
    species: str,
    variety: str = "green",
    age: str = "adult",
    highlight: str | None = None,
) -> str:
    """The bird as a species, variety and age should look, its marks numbered as in the rows; SVG.

    Args:
        highlight: Mark to bring out; the others fade.

    Raises:
        TableError: Unknown species, variety or age.
    """
    rows = guide_rows(tables, species, variety, age)
    key = unique("guide", species, variety, age, highlight)
    codes = _fills(tables, species, variety, age)
    labels = {row.mark: row.number for row in rows if not row.relation and row.number}
    strong = highlight if highlight in labels else None
    choice = (tables.species[species], tables.varieties[variety], tables.ages[age])
    said = "; ".join(f"{row.number}: {row.name}, {row.look}" for row in rows if row.number)
    body = (defs(key, codes), *bird(key, codes, strong), *callouts(labels, strong))
    return _side_on(key, body, ", ".join(row.name for row in choice), said)


def _side_on(key: str, body: Iterable[str], title: str, said: str) -> str:
    described = f"A lovebird from the side, facing left. {said}"
    return svg(*drawing().size, body, title=title, description=described, key=key)


def _fills(tables: Tables, species: str, variety: str, age: str) -> Mapping[str, Sequence[str]]:
    """Mark -> the colours it is painted in: all of them side by side, or the first of a choice."""
    fills = {}
    for mark in tables.species[species].marks:
        found = expected(tables, species, mark, variety, age)
        shown = found.swatches if found.mixed else found.swatches[:1]
        colours = [tables.lab[key] for key in shown]
        if mark not in drawing().as_listed:
            colours.sort()  # by L*: the bands run from where such a mark is darkest
        fills[mark] = [hexadecimal(lab) for lab in colours]
    return fills


def where_is(tables: Tables, mark: str) -> str:
    """The bird without colours, with one mark filled and named; SVG.

    Raises:
        TableError: The mark is not in the tables or not in the drawing.
    """
    layers = [layer for layer in drawing().layers if layer.mark == mark]
    if mark not in tables.marks or not layers:
        known = sorted({layer.mark for layer in drawing().layers if layer.mark})
        raise TableError(f"there is no drawing of {mark!r}", mend=f"Use one of {', '.join(known)}")
    row = tables.marks[mark]
    key = unique("where", mark)
    named = pointer(next(layer for layer in layers if layer.anchor), row.name)
    body = (defs(key, {}), *bird(key, None, mark), *named)
    return _side_on(key, body, f"Where is the {row.name}?", row.look)


def where_are(tables: Tables, marks: Sequence[str]) -> str:
    """The bird without colours, with some marks numbered from 1 on in their order; SVG."""
    key = unique("where", *marks)
    labels = {mark: str(number) for number, mark in enumerate(marks, 1)}
    said = "; ".join(f"{labels[m]}: {tables.marks[m].name}" for m in marks)
    lines = [part for part in bird(key, None, None) if "clip-path" not in part]  # a PDF clips none
    return _side_on(key, (*lines, *callouts(labels, None)), "Where the marks are", said)
