"""Kinship from a recorded pedigree.

The kinship coefficient of two birds is the chance that a gene drawn at random from each is a copy
of the same ancestral gene; it is also the inbreeding coefficient of their young (S. Wright, 1922,
Coefficients of inbreeding and relationship, American Naturalist 56; tabular method as in M. Lynch
& B. Walsh, 1998, Genetics and Analysis of Quantitative Traits, chapter 7). Birds without recorded
parents are taken as unrelated, so the true value can only be higher.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from graphlib import CycleError, TopologicalSorter

import numpy as np
import numpy.typing as npt

from fieldmarks._util.errors import FieldmarksError

Parents = Mapping[str, tuple[str | None, str | None]]


def check_loops(parents: Parents, name: Callable[[str], str] = str) -> None:
    """Refuse a pedigree in which a bird is its own ancestor.

    Args:
        parents: Bird -> (father, mother), each None when not known.
        name: Turns a key into the name to show.

    Raises:
        FieldmarksError: Names the birds of the loop.
    """
    kinship_order(parents, name)


def ancestors(parents: Parents, birds: Iterable[str]) -> set[str]:
    """The birds themselves and all their recorded ancestors."""
    found: set[str] = set()
    waiting = list(birds)
    while waiting:
        bird = waiting.pop()
        if bird not in found:
            found.add(bird)
            waiting += [p for p in parents.get(bird, (None, None)) if p]
    return found


def kinship_order(
    parents: Parents, name: Callable[[str], str] = str, birds: Iterable[str] | None = None
) -> list[str]:
    """Birds with parents before their young.

    Raises:
        FieldmarksError: A bird is its own ancestor; names the birds of the loop.
    """
    graph = {bird: [p for p in parents.get(bird, (None, None)) if p] for bird in birds or parents}
    try:
        return list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        chain = " <- ".join(name(key) for key in error.args[1])
        raise FieldmarksError(
            f"the pedigree runs in a circle ({chain})", mend="Correct one of these parents"
        ) from None


def kinship_table(
    parents: Parents, birds: Iterable[str]
) -> tuple[list[str], npt.NDArray[np.float64]]:
    """Kinship among some birds and all their ancestors, by the tabular method.

    Returns:
        keys : list of str: Parents before their young.
        table : (n, n) array: Kinship coefficients; the diagonal holds (1 + F) / 2.

    Raises:
        FieldmarksError: The pedigree runs in a circle.
    """
    keys = kinship_order(parents, birds=ancestors(parents, birds))
    place = {key: i for i, key in enumerate(keys)}
    table = np.zeros((len(keys), len(keys)))
    for i, key in enumerate(keys):
        known = [place[p] for p in parents.get(key, (None, None)) if p]
        row = table[known, :i].sum(axis=0) / 2
        table[i, :i] = table[:i, i] = row
        inbreeding = table[known[0], known[1]] if len(known) == 2 else 0.0
        table[i, i] = (1 + inbreeding) / 2
    return keys, table


def kinship(parents: Parents, one: str, other: str) -> float:
    """Kinship coefficient of two birds, 0 to 1."""
    keys, table = kinship_table(parents, [one, other])
    return float(table[keys.index(one), keys.index(other)])


def inbreeding(parents: Parents, bird: str) -> float:
    """Inbreeding coefficient F: the kinship of its parents."""
    father, mother = parents.get(bird, (None, None))
    return kinship(parents, father, mother) if father and mother else 0.0


def shared_ancestors(parents: Parents, one: str, other: str, generations: int = 2) -> set[str]:
    """Birds that are an ancestor of both within some generations (1: parents), or one of the two
    birds that is an ancestor of the other.
    """
    return _within(parents, one, generations) & _within(parents, other, generations)


def _within(parents: Parents, bird: str, generations: int) -> set[str]:
    found, layer = {bird}, {bird}
    for _ in range(generations):
        layer = {p for b in layer for p in parents.get(b, (None, None)) if p}
        found |= layer
    return found


def recorded_share(parents: Parents, bird: str, generations: int = 2) -> float:
    """Share of the parents and grandparents (2 generations: 6) that are on record."""
    wanted, known, layer = 0, 0, [bird]
    for step in range(1, generations + 1):
        layer = [p for b in layer for p in parents.get(b, (None, None)) if p]
        wanted += 2**step
        known += len(layer)
    return known / wanted
