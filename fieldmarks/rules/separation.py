"""Which marks tell species apart, worked out from the expected swatches."""

import functools
import itertools
import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from fieldmarks.rules.plumage import RelationExpectation, expected, expected_relation
from fieldmarks.rules.tables import Tables

# CIEDE2000 by which a colour must lie outside the other species' tolerance before an ordinary
# reading can call it.
MARGIN = 3.0
How = Literal["always", "sometimes"]


@dataclass(frozen=True)
class Separation:
    """A mark, or relation, that tells two species apart.

    ``how`` is "always" when every colour of one lies outside the other's tolerances, both ways
    round, and "sometimes" when only some colours do. ``gap`` is the least CIEDE2000 between their
    swatches. Of a relation it is the distance between the two ranges in its own unit, 0 when they
    touch or overlap: "always" when the relation's margin lies between them, "sometimes" when one
    range reaches beyond the other by that margin.
    """

    mark: str
    name: str
    how: How
    gap: float
    relation: bool = False


@dataclass(frozen=True)
class NextMark:
    """An unread mark and the pairs of remaining species it would tell apart."""

    mark: str
    name: str
    look: str
    always: int
    sometimes: int
    of_pairs: int
    relation: bool = False


@functools.lru_cache(maxsize=256)
def separating_marks(
    tables: Tables, variety: str = "green", age: str = "adult"
) -> Mapping[tuple[str, str], tuple[Separation, ...]]:
    """For every pair of species, in the tables' order, what tells them apart, surest first."""
    table = {}
    for pair in itertools.combinations(tables.species, 2):
        found = [_by_mark(tables, *pair, mark, variety, age) for mark in tables.marks]
        found += [_by_relation(tables, *pair, key, variety, age) for key in tables.relations]
        rows = [row for row in found if row is not None]
        table[pair] = tuple(sorted(rows, key=lambda r: (r.how != "always", r.relation, -r.gap)))
    return MappingProxyType(table)


def next_marks(
    tables: Tables,
    candidates: Sequence[str],
    read: Collection[str],
    variety: str = "green",
    age: str = "adult",
) -> tuple[NextMark, ...]:
    """Marks and relations not ``read``, those that tell most of the candidates apart first."""
    table = separating_marks(tables, variety, age)
    pairs = [pair for pair in table if set(pair) <= set(candidates)]
    counts: dict[str, tuple[Separation, Counter[How]]] = {}
    for row in itertools.chain.from_iterable(table[pair] for pair in pairs):
        if row.mark not in read:
            counts.setdefault(row.mark, (row, Counter()))[1][row.how] += 1
    found = [
        NextMark(
            row.mark,
            row.name,
            (tables.relations if row.relation else tables.marks)[row.mark].look,
            hows["always"],
            hows["sometimes"],
            len(pairs),
            row.relation,
        )
        for row, hows in counts.values()
    ]
    return tuple(sorted(found, key=lambda mark: (-mark.always, -mark.sometimes, mark.relation)))


def tells_from(tables: Tables, species: str, variety: str, age: str) -> Counter[tuple[str, How]]:
    """From how many other species a mark or relation tells one, by how surely it does."""
    table = separating_marks(tables, variety, age)
    rows = (row for pair, rows in table.items() if species in pair for row in rows)
    return Counter((row.mark, row.how) for row in rows)


def plumage_separates(tables: Tables, candidates: Sequence[str], variety: str, age: str) -> bool:
    """Whether any feather mark, or comparison of feathers, tells any two of the species apart."""
    table = separating_marks(tables, variety, age)
    rows = (row for pair, rows in table.items() if set(pair) <= set(candidates) for row in rows)
    marks = (tables.relations[r.mark].marks if r.relation else (r.mark,) for r in rows)
    return any(all(tables.marks[mark].kind == "feather" for mark in each) for each in marks)


def _by_mark(
    tables: Tables, first: str, second: str, mark: str, variety: str, age: str
) -> Separation | None:
    one = expected(tables, first, mark, variety, age).swatches
    other = expected(tables, second, mark, variety, age).swatches
    if not one or not other:
        return None
    number, table = tables.swatch_number, tables.swatch_differences
    gaps = table[[[number[a]] for a in one], [[number[b] for b in other]]]
    tolerances = [[tables.swatches[k].tolerance for k in keys] for keys in (one, other)]
    one_out = (gaps - tolerances[1]).min(axis=1) > MARGIN
    other_out = (gaps.T - tolerances[0]).min(axis=1) > MARGIN
    if not one_out.any() and not other_out.any():
        return None
    how: How = "always" if one_out.all() and other_out.all() else "sometimes"
    return Separation(mark, tables.marks[mark].name, how, float(gaps.min()))


def _by_relation(
    tables: Tables, first: str, second: str, key: str, variety: str, age: str
) -> Separation | None:
    one = expected_relation(tables, first, key, variety, age)
    other = expected_relation(tables, second, key, variety, age)
    if one.says_nothing or other.says_nothing:
        return None
    if (one.low, one.high) == (other.low, other.high):
        return None
    kind = tables.relations[key]
    (low, high), (low_other, high_other) = _span(one), _span(other)
    gap = max(low, low_other) - min(high, high_other)
    if gap > 0 and gap >= (kind.margin or 0.0):
        return Separation(key, kind.name, "always", gap, True)
    beyond = max(_apart(low, low_other), _apart(high, high_other))
    if kind.margin is not None and beyond < kind.margin:
        return None
    return Separation(key, kind.name, "sometimes", max(gap, 0.0), True)


def _span(row: RelationExpectation) -> tuple[float, float]:
    """Ends between which the birds of a species lie; an open end is infinite."""
    low = row.low if row.nearest is None else row.nearest
    return -math.inf if low is None else low, math.inf if row.high is None else row.high


def _apart(one: float, other: float) -> float:
    return 0.0 if one == other else abs(one - other)  # two open ends are not apart
