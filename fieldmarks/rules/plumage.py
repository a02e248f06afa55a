"""The plumage model: what a mark should look like, derived from what gives it its colour.

A mark's make-up in green adult plumage (psittacin, eumelanin, structure) is changed by the age and
by the colour variety, and the result is looked up as swatches. A row of a species file may override
the outcome with its reason.
"""

import functools
import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from fieldmarks._util.errors import TableError
from fieldmarks.rules.schema import (
    LEVELS,
    Limited,
    MakeUp,
    Operation,
    Row,
    Sign,
    SpeciesMark,
    Variety,
)
from fieldmarks.rules.tables import Tables, nearest_to

Basis = Literal["green row", "derived", "override", "says nothing"]

MOST_APART = 2  # times a relation's limit: marks alike that may differ by more say nothing (ours)
EDGE_REASON = "So thin an edge blends its two colours in a photo; only signs are looked for here."


@dataclass(frozen=True)
class Expectation:
    """The colours a mark of a species should show.

    Args:
        swatches: Keys; empty when the mark says nothing here.
        look: What to look for in green adult plumage.
        mixed: Whether the mark holds several of the colours side by side.
    """

    species: str
    mark: str
    swatches: tuple[str, ...]
    basis: Basis
    reason: str
    look: str = ""
    mixed: bool = False

    @property
    def says_nothing(self) -> bool:
        """Whether the mark cannot be judged here."""
        return not self.swatches


@dataclass(frozen=True)
class RelationExpectation:
    """The range in which a relation of a species should lie; both ends None: says nothing.

    ``nearest`` is the least value that two marks made up differently can show, in the relation's
    own unit: the range begins at the relation's limit, the birds themselves lie from there on.
    """

    species: str
    relation: str
    low: float | None
    high: float | None
    basis: Basis
    reason: str
    nearest: float | None = None

    @property
    def says_nothing(self) -> bool:
        """Whether the relation cannot be judged here."""
        return self.low is None and self.high is None


def range_words(low: float | None, high: float | None) -> str:
    """An expected range, of which one end may be open."""
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def check_choice(tables: Tables, species: str | None, variety: str, age: str) -> None:
    """Refuse a species, variety or age that the tables do not hold.

    Raises:
        TableError
    """
    choice = {"species": species, "variety": variety, "age": age}
    tabled: tuple[Mapping[str, Row], ...] = (tables.species, tables.varieties, tables.ages)
    for (what, key), known in zip(choice.items(), tabled, strict=True):
        if key is not None and key not in known:
            raise TableError(f"there is no {what} {key!r}", mend=nearest_to(key, known))


@functools.lru_cache(maxsize=32768)  # Tables never change and are told apart by identity
def expected(
    tables: Tables, species: str, mark: str, variety: str = "green", age: str = "adult"
) -> Expectation:
    """What a mark should look like.

    Raises:
        TableError: The species, variety or age is unknown.
    """
    check_choice(tables, species, variety, age)
    row, kind = tables.species[species].marks.get(mark), tables.varieties[variety]
    say = functools.partial(Expectation, species, mark)
    if row is None:
        name = tables.marks[mark].name if mark in tables.marks else mark
        return say((), "says nothing", f"No rule is known for the {name}.")
    if row.edge:
        return say((), "says nothing", EDGE_REASON, row.look)
    if mark in kind.says_nothing:
        return say((), "says nothing", kind.reason, row.look)
    own = (o for o in row.overrides if _covers(o, (variety,), kind.series, age))
    if override := next(own, None):
        basis: Basis = "override" if override.swatches else "says nothing"
        mixed = row.mixed if override.mixed is None else override.mixed
        return say(override.swatches, basis, override.reason, row.look, mixed)
    here, green = (makeups(tables, row, mark, v, age) for v in (variety, "green"))
    if list(here) == list(makeups(tables, row, mark, "green", "adult")):
        basis = "green row" if variety == "green" else "derived"
        return say(row.swatches, basis, row.look, row.look, row.mixed)
    derived, reasons = derive(tables, row, mark, variety, age)
    if variety == "green":
        derived = _unique((*row.swatches, *derived))
    patched = None in here.values()
    mixed = (row.mixed or patched) and len(reasons) > 1  # one make-up cannot stand beside itself
    of_variety = "" if list(here) == list(green) else kind.reason
    why = filter(None, _unique((of_variety, *here.values(), *reasons)))
    return say(derived, "derived", " ".join(why), row.look, mixed)


def holds_in(sign: Sign, kind: Variety) -> bool:
    """Whether a sign is one at all in a variety."""
    return kind.series in sign.series and not {kind.key, *kind.parts}.intersection(sign.not_in)


def speaking_marks(tables: Tables, sign: Sign, kind: Variety) -> tuple[str, ...]:
    """Marks of a sign, or of its relation, at which a variety lets it speak; may be none.

    A relation compares its marks, so it takes one silent mark to silence it.
    """
    marks = tables.relations[sign.relation].marks if sign.relation else sign.marks
    if kind.silences is None:
        left = tuple(mark for mark in marks if mark not in kind.says_nothing)
        return () if sign.relation and left != marks else left
    return () if sign.missing_black and "missing black" in kind.silences else marks


def _covers(row: Limited, varieties: Iterable[str], series: str, age: str) -> bool:
    """Whether a row holds at an age, in a series and in any of the varieties."""
    named = series in row.series or any(variety in row.varieties for variety in varieties)
    unlimited = not row.varieties and not row.series
    return (named or unlimited) and (not row.ages or age in row.ages)


def derive(
    tables: Tables, row: SpeciesMark, mark: str, variety: str, age: str
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Swatches that follow from a mark's make-up alone, and the reasons.

    Raises:
        TableError: ``makeup.toml`` has no rule for a make-up that comes out.
    """
    ground, kind = row.ground or tables.marks[mark].kind, tables.varieties[variety]
    results: list[str] = []
    reasons: list[str] = []
    for makeup in makeups(tables, row, mark, variety, age):
        cell = (ground, makeup.psittacin, makeup.eumelanin, makeup.structure)
        rule = tables.makeup_index.get(cell)
        if rule is None:
            words = f"psittacin {cell[1]}, eumelanin {cell[2]}, structure {cell[3]}"
            raise TableError(
                f"no rule for {ground} with {words}",
                where=f"makeup.toml (mark {mark}, {variety}, {age})",
                mend="Add a makeup row",
            )
        turns = kind.turns if makeup.structure == "none" else {}
        results += [turns.get(swatch, swatch) for swatch in rule.swatches]
        reasons.append(kind.reason if turns.keys() & {*rule.swatches} else rule.reason)
    return _unique(results), _unique(reasons)


def makeups(
    tables: Tables, row: SpeciesMark, mark: str, variety: str, age: str
) -> dict[MakeUp, str | None]:
    """All make-ups a mark may have at an age, after the variety's operations, and why.

    An empty reason: as in adults; None: in the variety's patches alone.
    """
    ground, kind = row.ground or tables.marks[mark].kind, tables.varieties[variety]
    found = [(m, "") for m in row.makeup]
    # Young plumage is duller, but a bird may moult early: the age adds and takes nothing away.
    of_age = tables.ages[age]
    found += [(_operate(m, of_age.operations, ground), of_age.reason) for m in row.makeup]
    for extra in row.extra:
        if _covers(extra, (variety, *kind.parts), kind.series, age):
            found += [(m, extra.reason) for m in extra.makeup]
    made: dict[MakeUp, str | None] = {}
    for makeup, why in found:
        made.setdefault(_operate(makeup, kind.operations, ground), why)
    for makeup in list(made):
        made.setdefault(_operate(makeup, kind.patches, ground), None)
    return made


@functools.lru_cache(maxsize=4096)
def cross_makeups(
    tables: Tables, one: str, other: str, mark: str, variety: str, age: str
) -> tuple[str, ...]:
    """Swatches between two species: each pigment and the structure at a middle level.

    Empty where a species has no row for the mark, both are made up alike, or no rule covers what
    lies between.
    """
    rows = [tables.species[species].marks.get(mark) for species in (one, other)]
    if any(row is None for row in rows):
        return ()
    grounds = [row.ground or tables.marks[mark].kind for row in rows if row]
    options = [makeups(tables, row, mark, variety, age) for row in rows if row]
    keys: list[str] = []
    for first, second in itertools.product(*options):
        if first != second:
            pigments, blacks, structures = _between(first, second)
            for one_way in itertools.product(grounds[:1], pigments, blacks, structures):
                rule = tables.makeup_index.get(one_way)
                keys += rule.swatches if rule else ()
    return _unique(keys)


def _between(one: MakeUp, other: MakeUp) -> list[tuple[str, ...]]:
    """Levels in the middle between two make-ups, the stronger one where they are neighbours.

    Of black pigment also three quarters of the way: a little of it already makes a colour dark.
    """
    middle = []
    for part, levels in LEVELS.items():
        low, high = sorted(levels.index(getattr(m, part)) for m in (one, other))
        places = {(low + high + 1) // 2}
        if part == "eumelanin" and high - low > 2:
            places.add((low + 3 * high) // 4)
        middle.append(tuple(levels[place] for place in sorted(places)))
    return middle


def _operate(makeup: MakeUp, operations: Iterable[Operation], ground: str) -> MakeUp:
    found = {part: getattr(makeup, part) for part in LEVELS}
    for operation in operations:
        if operation.grounds and ground not in operation.grounds:
            continue
        level = found[operation.on]
        if operation.to is not None:
            new = operation.to
        elif operation.map is not None:
            new = operation.map.get(level, level)
        else:
            levels = LEVELS[operation.on]
            place = levels.index(level) + (operation.steps or 0)
            new = levels[min(max(place, 0), len(levels) - 1)]
        found[operation.on] = new
    return _made_of(*found.values())


@functools.cache  # a few dozen, each met thousands of times
def _made_of(*levels: str) -> MakeUp:
    return MakeUp.model_validate(dict(zip(LEVELS, levels, strict=True)))


@functools.lru_cache(maxsize=2048)
def expected_relation(
    tables: Tables, species: str, relation: str, variety: str = "green", age: str = "adult"
) -> RelationExpectation:
    """Range in which a relation should lie.

    Ring and other stated ranges come from the species file and body length from its facts. Whether
    the rump is as the back, or the beak fades, follows from the expected swatches of both marks:
    alike when they are the same (as far as these lie apart among themselves), different when every
    swatch of one lies beyond the relation's limit from every swatch of the other, and otherwise it
    says nothing.
    """
    check_choice(tables, species, variety, age)
    say = functools.partial(RelationExpectation, species, relation)
    kind = tables.relations[relation]
    silent_at = tables.varieties[variety].says_nothing
    if all(mark in silent_at for mark in kind.marks):
        return say(None, None, "says nothing", tables.varieties[variety].reason)
    row = tables.species[species].relations.get(relation)
    if row is not None:
        return say(row.low, row.high, "green row", row.look)
    if kind.kind == "size":
        low, high = tables.species[species].facts.body_length_mm
        return say(low, high, "green row", f"Usual body length {low:.0f} to {high:.0f} mm.")
    if kind.kind == "ring" or kind.limit is None:
        return say(None, None, "says nothing", "No rule is known for it.")
    first, second = (expected(tables, species, mark, variety, age) for mark in kind.marks)
    if first.says_nothing or second.says_nothing:
        silent = first if first.says_nothing else second
        return say(None, None, "says nothing", silent.reason)
    apart = _fades if kind.kind == "fade" else _differences
    steps = apart(tables, first.swatches, second.swatches)
    patches = first.mixed or second.mixed  # two patches of one bird may be as far apart as any
    if set(first.swatches) == set(second.swatches) and not (patches and max(steps) > kind.limit):
        high = max(kind.limit, math.ceil(max(steps)))
        if high > MOST_APART * kind.limit:
            return say(None, None, "says nothing", "Either mark varies too much here.")
        return say(None, high, "derived", "Both marks are made up alike.")
    if min(steps) > kind.limit:
        reason = "The two marks are made up differently."
        return say(kind.limit, None, "derived", reason, min(steps))
    reason = "The two marks may or may not look alike here."
    return say(None, None, "says nothing", reason)


def _differences(tables: Tables, first: Iterable[str], second: Iterable[str]) -> list[float]:
    number = tables.swatch_number
    return [float(tables.swatch_differences[number[a], number[b]]) for a in first for b in second]


def _fades(tables: Tables, first: Iterable[str], second: Iterable[str]) -> list[float]:
    """Differences as a fading is measured, negative where the first mark is the stronger one."""
    from fieldmarks.measure.colour import faded

    return [float(faded(tables.lab[a], tables.lab[b])) for a in first for b in second]


def disagreeing_swatches(tables: Tables, species: str, mark: str) -> tuple[str, ...]:
    """Swatches on which the stated green row and the make-up disagree.

    Stated ones outside the tolerance of every derived one, and derived ones outside the tolerance
    of every stated one.
    """
    row = tables.species[species].marks[mark]
    derived, _ = derive(tables, row, mark, "green", "adult")
    return tuple(
        key
        for some, others in ((row.swatches, derived), (derived, row.swatches))
        for key in some
        if not any(
            _differences(tables, [key], [other])[0] <= tables.swatches[other].tolerance
            for other in others
        )
    )


def _unique(items: Iterable) -> tuple:
    return tuple(dict.fromkeys(items))
