"""Kinship from a recorded pedigree.

The kinship coefficient of two birds is the chance that a gene drawn at random from each is a copy
of the same ancestral gene; it is also the inbreeding coefficient of their young (S. Wright, 1922,
Coefficients of inbreeding and relationship, American Naturalist 56; tabular method as in M. Lynch
& B. Walsh, 1998, Genetics and Analysis of Quantitative Traits, chapter 7). Birds without recorded
parents are taken as unrelated, so the true value can only be higher.
"""

from collections.abc import Callable, Mapping
from graphlib import CycleError, TopologicalSorter
from itertools import chain

import numpy as np
import numpy.typing as npt

from fieldmarks._util.errors import FieldmarksError

Parents = Mapping[str, tuple[str | None, str | None]]  # bird -> father and mother
GENERATIONS = 2  # that are asked for: parents and grandparents


def kinship_order(parents: Parents, name: Callable[[str], str] = str) -> list[str]:
    """Birds with parents before their young; ``name`` turns a key into what is shown.

    Raises:
        FieldmarksError: A bird is its own ancestor; names the birds of the loop.
    """
    graph = {bird: [p for p in both if p] for bird, both in parents.items()}
    try:
        return list(TopologicalSorter(graph).static_order())
    except CycleError as error:
        chain = " <- ".join(name(key) for key in error.args[1])
        raise FieldmarksError(
            f"the pedigree runs in a circle ({chain})", mend="Correct one of these parents"
        ) from None


def kinship_table(parents: Parents) -> tuple[list[str], npt.NDArray[np.float64]]:
    """Kinship among all birds of a pedigree, by the tabular method.

    Returns:
        keys : list of str: Parents before their young.
        table : (n, n) array: Kinship coefficients; the diagonal holds (1 + F) / 2.

    Raises:
        FieldmarksError: The pedigree runs in a circle.
    """
    keys = kinship_order(parents)
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
    keys, table = kinship_table({one: (None, None), other: (None, None), **parents})
    return float(table[keys.index(one), keys.index(other)])


def _generations(parents: Parents, bird: str) -> list[list[str]]:
    """The bird, its recorded parents and its recorded grandparents, a list of each."""
    layers = [[bird]]
    for _ in range(GENERATIONS):
        layers.append([p for b in layers[-1] for p in parents.get(b, (None, None)) if p])
    return layers


def shared_ancestors(parents: Parents, one: str, other: str) -> set[str]:
    """Parents and grandparents of both, or one of the two that is such of the other."""
    first, second = (set(chain(*_generations(parents, bird))) for bird in (one, other))
    return first & second


def recorded_share(parents: Parents, bird: str) -> float:
    """Share of the six parents and grandparents that are on record."""
    known = sum(map(len, _generations(parents, bird)[1:]))
    return known / (2 ** (GENERATIONS + 1) - 2)
