"""Hypotheses: what a bird may be, and the colours each mark of it may then show."""

import functools
import itertools
import math
from collections.abc import Collection
from dataclasses import dataclass

from fieldmarks.rules.plumage import cross_makeups, expected
from fieldmarks.rules.tables import Tables

# How likely before any mark is read (our judgement; sized on nothing). A first cross is rarer than
# a pure bird, and so is a bird of no species in the tables. The keeper's word on variety and age is
# believed, but not absolutely: a wrong one is found out by a few plain marks.
CROSSED, UNKNOWN = 0.10, 0.05
# A bird of no known species looks like one of ours (parrots do) but for this share of its marks,
# half of which show a colour that no part of such a kind is made up of. Between the shared birds
# and composed strangers 0.1 to 0.3 tell alike (benchmarks/other_renderings.py).
UNLIKE = 0.12
STATED = 0.97  # that the variety is as stated; and, apart from it, the age
PUPIL = 0.2  # that an iris drawn without its pupil reads as dark as the pupil
# Where the plumage of a first cross comes from: one parent, the other, half-way between them.
SHARES = (0.3, 0.3, 0.4)

Colours = tuple[tuple[str, float], ...]  # swatch key, probability


@dataclass(frozen=True)
class Hypothesis:
    """What the bird may be.

    Args:
        species: One species, the two parents of a first cross, or none for a bird of no known
            species.
        like: The species that a bird of no known species looks most like; empty for the others.
    """

    species: tuple[str, ...]
    variety: str
    age: str
    like: str = ""

    @property
    def pure(self) -> bool:
        """Whether it is of one species of the tables."""
        return len(self.species) == 1


@functools.lru_cache(maxsize=64)
def possible(tables: Tables, variety: str, age: str) -> tuple[tuple[Hypothesis, float], ...]:
    """Every hypothesis with the logarithm of its prior, for a stated variety and age."""
    found: list[tuple[Hypothesis, float]] = []
    known = math.log((1 - CROSSED - UNKNOWN) / len(tables.species))
    unknown = math.log(UNKNOWN / len(tables.species))
    # Beside the stated variety only those that are no combination of two and that the species has.
    plain = {key: row for key, row in tables.varieties.items() if not row.parts or key == variety}
    for species, (kind, row), years in itertools.product(
        tables.species, plain.items(), tables.ages
    ):
        if kind != variety and (years != age or (row.species and species not in row.species)):
            continue  # nobody is taken to be wrong about both
        said = _said(kind == variety, len(plain)) + _said(years == age, len(tables.ages))
        found.append((Hypothesis((species,), kind, years), known + said))
        found.append((Hypothesis((), kind, years, species), unknown + said))
    pairs = list(itertools.combinations(tables.species, 2))
    found += [(Hypothesis(pair, variety, age), math.log(CROSSED / len(pairs))) for pair in pairs]
    return tuple(found)


def _said(as_stated: bool, count: int) -> float:
    return math.log(STATED if as_stated else (1 - STATED) / max(count - 1, 1))


@functools.lru_cache(maxsize=65536)
def colours(tables: Tables, what: Hypothesis, mark: str, pupil_cut: bool = True) -> Colours:
    """Swatches that a mark may show, with the probability of each; they add up to 1.

    Where a hypothesis says nothing on a mark, it may show whatever any species shows there (in the
    same variety or, where that moves the colours about, in the green and ino ones), or as well any
    colour such a part can be made up of. ``pupil_cut``: the pupil was cut out of an iris.
    """
    shown = _expected(tables, what, mark)
    if not shown:
        anything = _even(_anything(tables, mark, what.variety, what.age))
        shown = anything and _together((anything, 0.5), (_even(palette(tables, mark)), 0.5))
    elif what.like:
        shown = _together((shown, 1 - UNLIKE), (_even(palette(tables, mark)), UNLIKE / 2))
    if tables.marks[mark].kind == "iris" and not pupil_cut and shown:
        dark = _even(tables.makeup_index["iris", "none", "full", "none"].swatches)
        return _together((shown, 1 - PUPIL), (dark, PUPIL))
    return shown


def speaks(tables: Tables, what: Hypothesis, mark: str) -> bool:
    """Whether a hypothesis says anything on a mark."""
    return bool(_expected(tables, what, mark))


def _expected(tables: Tables, what: Hypothesis, mark: str) -> Colours:
    if len(what.species) == 2:
        return _crossed(tables, what, mark)
    one = what.like or what.species[0]
    return _even(expected(tables, one, mark, what.variety, what.age).swatches)


@functools.lru_cache(maxsize=8192)
def others(tables: Tables, what: Hypothesis, mark: str) -> Colours:
    """Colours that a mark does not have under a hypothesis: of other species and ages, or any."""
    own = {key for key, _ in colours(tables, what, mark)}
    near = dict.fromkeys(
        key
        for species in tables.species
        for age in tables.ages
        for key in expected(tables, species, mark, what.variety, age).swatches
        if key not in own
    )
    far = [key for key in palette(tables, mark) if key not in own]
    parts = ((_even(near), 0.7), (_even(far), 0.3))
    return _together(*(part for part in parts if part[0]))


def _crossed(tables: Tables, what: Hypothesis, mark: str) -> Colours:
    parents = [expected(tables, s, mark, what.variety, what.age).swatches for s in what.species]
    if not all(parents):
        return ()
    between = cross_makeups(tables, *what.species, mark, what.variety, what.age)
    parts = [_even(keys) for keys in (*parents, between) if keys]
    return _together(*zip(parts, SHARES, strict=False))


def _anything(tables: Tables, mark: str, variety: str, age: str) -> tuple[str, ...]:
    """Whatever any species shows at a mark."""
    for varieties in ((variety,), ("green", "ino")):
        keys = dict.fromkeys(
            key
            for kind in varieties
            if kind in tables.varieties
            for species in tables.species
            for key in expected(tables, species, mark, kind, age).swatches
        )
        if keys:
            return tuple(keys)
    return ()


@functools.lru_cache(maxsize=256)
def palette(tables: Tables, mark: str) -> tuple[str, ...]:
    """Every colour that a mark of this kind can be made up of."""
    grounds = {tables.marks[mark].kind} | {
        row.marks[mark].ground for row in tables.species.values() if mark in row.marks
    }
    rules = (rule for rule in tables.makeup if rule.ground in grounds)
    return tuple(dict.fromkeys(key for rule in rules for key in rule.swatches))


def _even(keys: Collection[str]) -> Colours:
    return tuple((key, 1 / len(keys)) for key in keys)


def _together(*parts: tuple[Colours, float]) -> Colours:
    """Mixture of several sets of colours; equal swatches are added up."""
    whole = sum(share for _, share in parts) or 1.0
    total: dict[str, float] = {}
    for shown, share in parts:
        for key, weight in shown:
            total[key] = total.get(key, 0.0) + weight * share / whole
    return tuple(total.items())
