"""Guide: what to look for on a bird of one species, beside our own drawing of it.

Each mark of the drawing is filled with the colours expected of it (CIELAB, D65, shown as sRGB); a
mark that says nothing is hatched. Everything is given as SVG text or plain rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from fieldmarks._util.errors import TableError
from fieldmarks.report.bird import bird, callouts, defs, drawing, pointer
from fieldmarks.report.svg import hexadecimal, svg, unique
from fieldmarks.rules import Tables
from fieldmarks.rules.plumage import check_choice, expected, expected_relation
from fieldmarks.rules.schema import Species
from fieldmarks.rules.separation import separating_marks

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
class Colour:
    """An expected colour: swatch key, its plain name and its sRGB as ``#rrggbb``."""

    key: str
    name: str
    code: str


@dataclass(frozen=True)
class GuideRow:
    """What to look for at one mark, or in one comparison of marks.

    Args:
        number: As in the drawing; those of its marks joined by "+" for a comparison; empty when the
            mark is not in the drawing.
        mark: Key of the mark or relation.
        where: Where it lies on the bird.
        look: What this species should show there, in one line.
        colours: Empty for a comparison and for a mark that says nothing.
        always, sometimes: How many of the other species it tells this one from, surely and in part.
        of_others: How many other species there are.
    """

    number: str
    mark: str
    name: str
    where: str
    look: str
    colours: tuple[Colour, ...]
    always: int
    sometimes: int
    of_others: int
    says_nothing: bool
    relation: bool = False


def guide_rows(
    tables: Tables, species: str, variety: str = "green", age: str = "adult"
) -> tuple[GuideRow, ...]:
    """What to look for on a bird of one species, the marks that tell most first.

    Marks and comparisons that set the species apart from most others come first; marks that say
    nothing here come last.

    Raises:
        TableError: Unknown species, variety or age.
    """
    check_choice(tables, species, variety, age)
    counts = _tells(tables, species, variety, age)
    rows = [
        _mark_row(tables, species, mark, variety, age, counts)
        for mark in tables.species[species].marks
        if mark in tables.marks
    ]
    rows += [_relation_row(tables, species, key, variety, age, counts) for key in tables.relations]
    rows.sort(key=lambda row: (row.says_nothing, -row.always, -row.sometimes, row.relation))
    drawn = {layer.mark for layer in drawing().layers if layer.anchor and not layer.extra}
    on_bird = [row.mark for row in rows if row.mark in drawn and not row.relation]
    # Numbers: letters are those of the regions drawn on a photo, which may stand beside it.
    named = {mark: str(number) for number, mark in enumerate(on_bird, 1)}
    return tuple(_numbered(row, named, tables) for row in rows)


def _tells(
    tables: Tables, species: str, variety: str, age: str
) -> Mapping[tuple[str, bool], tuple[int, int]]:
    """(mark or relation, is relation) -> other species told apart always and sometimes."""
    counts: dict[tuple[str, bool], tuple[int, int]] = {}
    for pair, found in separating_marks(tables, variety, age).items():
        for row in found if species in pair else ():
            surely, partly = counts.get((row.mark, row.relation), (0, 0))
            sure = row.how == "always"
            counts[row.mark, row.relation] = (surely + sure, partly + (not sure))
    return counts


def _mark_row(
    tables: Tables,
    species: str,
    mark: str,
    variety: str,
    age: str,
    counts: Mapping[tuple[str, bool], tuple[int, int]],
) -> GuideRow:
    found = expected(tables, species, mark, variety, age)
    colours = tuple(
        Colour(key, tables.swatches[key].name, hexadecimal(tables.lab[key]))
        for key in found.swatches
    )
    if found.says_nothing:
        look = f"Says nothing here: {found.reason[:1].lower()}{found.reason[1:]}"
    elif found.basis == "green row":
        look = found.look
    else:
        look = _sentence([c.name for c in colours], "and" if found.mixed else "or")
    always, sometimes = counts.get((mark, False), (0, 0))
    row = tables.marks[mark]
    others = len(tables.species) - 1
    return GuideRow(
        "", mark, row.name, row.look, look, colours, always, sometimes, others, found.says_nothing
    )


def _relation_row(
    tables: Tables,
    species: str,
    key: str,
    variety: str,
    age: str,
    counts: Mapping[tuple[str, bool], tuple[int, int]],
) -> GuideRow:
    found = expected_relation(tables, species, key, variety, age)
    kind = tables.relations[key]
    ends = [v for v in (found.low, found.high) if v is not None]
    word = "at least" if found.high is None else "at most"
    span = (
        f"{ends[0]:g} to {ends[1]:g}" if len(ends) == 2 else f"{word} {ends[0]:g}" if ends else ""
    )
    said = ALIKE.get((kind.kind, found.high is not None), found.reason.rstrip("."))
    look = f"{said} ({span} {kind.unit})."
    if not ends:
        look = f"Says nothing here: {found.reason[:1].lower()}{found.reason[1:]}"
    always, sometimes = counts.get((key, True), (0, 0))
    others = len(tables.species) - 1
    return GuideRow(
        "", key, kind.name, kind.look, look, (), always, sometimes, others, not ends, True
    )


def _numbered(row: GuideRow, named: Mapping[str, str], tables: Tables) -> GuideRow:
    if row.relation:
        marks = [named[m] for m in tables.relations[row.mark].marks if m in named]
        label = "+".join(marks)
    else:
        label = named.get(row.mark, "")
    return replace(row, number=label)


def _sentence(words: Sequence[str], joint: str) -> str:
    joined = f"{', '.join(words[:-1])} {joint} {words[-1]}" if len(words) > 1 else words[0]
    return f"{joined[:1].upper()}{joined[1:]}."


def guide_drawing(
    tables: Tables,
    species: str,
    variety: str = "green",
    age: str = "adult",
    highlight: str | None = None,
) -> str:
    """The bird as a species, variety and age should look, its marks numbered as in the rows.

    Args:
        species, variety, age: Keys.
        highlight: Mark to bring out; the others fade.

    Returns:
        SVG.

    Raises:
        TableError: Unknown species, variety or age.
    """
    rows = guide_rows(tables, species, variety, age)
    key = unique("guide", species, variety, age, highlight)
    codes = _fills(tables, species, variety, age)
    labels = {row.mark: row.number for row in rows if not row.relation and row.number}
    strong = highlight if highlight in labels else None
    body = [defs(key, codes), *bird(key, codes, strong)]
    body += callouts(labels, strong)
    who = tables.species[species].name
    said = "; ".join(f"{row.number}: {row.name}, {row.look}" for row in rows if row.number)
    return svg(
        *drawing().size,
        body,
        title=f"{who}, {tables.varieties[variety].name}, {tables.ages[age].name}",
        description=f"A lovebird from the side, facing left. {said}",
        key=key,
    )


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
    """The bird without colours, with one mark filled and named.

    Raises:
        TableError: The mark is not in the tables or not in the drawing.
    """
    layers = [layer for layer in drawing().layers if layer.mark == mark]
    if mark not in tables.marks or not layers:
        known = sorted({layer.mark for layer in drawing().layers if layer.mark})
        raise TableError(f"there is no drawing of {mark!r}", mend=f"Use one of {', '.join(known)}")
    row = tables.marks[mark]
    key = unique("where", mark)
    body = [defs(key, {}), *bird(key, None, mark)]
    body += pointer(next(layer for layer in layers if layer.anchor), row.name)
    return svg(
        *drawing().size,
        body,
        title=f"Where is the {row.name}?",
        description=f"A lovebird from the side, facing left. {row.look}",
        key=key,
    )


def where_are(tables: Tables, marks: Sequence[str]) -> str:
    """The bird without colours, with some marks numbered from 1 on in their order."""
    key = unique("where", *marks)
    labels = {mark: str(number) for number, mark in enumerate(marks, 1)}
    said = "; ".join(f"{labels[m]}: {tables.marks[m].name}" for m in marks)
    lines = [part for part in bird(key, None, None) if "clip-path" not in part]  # a PDF clips none
    return svg(
        *drawing().size,
        [*lines, *callouts(labels, None)],
        title="Where the marks are",
        description=f"A lovebird from the side, facing left. {said}",
        key=key,
    )
