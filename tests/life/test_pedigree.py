"""Kinship against textbook values.

Values: full siblings 1/4, half siblings 1/8, first cousins 1/16, parent and young 1/4, oneself 1/2
(Lynch & Walsh 1998, Genetics and Analysis of Quantitative Traits, table 7.1; Wright 1922).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.pedigree import (
    kinship,
    kinship_order,
    kinship_table,
    recorded_share,
    shared_ancestors,
)

FAMILY = {
    "grandfather": (None, None),
    "grandmother": (None, None),
    "father": ("grandfather", "grandmother"),
    "aunt": ("grandfather", "grandmother"),
    "mother": (None, None),
    "second wife": (None, None),
    "uncle": (None, None),
    "child": ("father", "mother"),
    "sibling": ("father", "mother"),
    "half sibling": ("father", "second wife"),
    "cousin": ("uncle", "aunt"),
    "stranger": (None, None),
}


@pytest.mark.parametrize(
    ("one", "other", "value"),
    [
        ("child", "sibling", 1 / 4),
        ("child", "half sibling", 1 / 8),
        ("child", "cousin", 1 / 16),
        ("child", "father", 1 / 4),
        ("child", "grandfather", 1 / 8),
        ("child", "aunt", 1 / 8),
        ("child", "child", 1 / 2),
        ("child", "stranger", 0),
        ("father", "mother", 0),
    ],
)
def test_kinship_has_the_textbook_value(one, other, value):
    assert kinship(FAMILY, one, other) == value
    assert kinship(FAMILY, other, one) == value


def test_double_first_cousins_have_one_eighth():
    # Two brothers with two sisters: kinship of their young 1/8 (Wright 1922; Lynch & Walsh 1998).
    family = {
        "b1": ("p", "q"), "b2": ("p", "q"), "s1": ("r", "t"), "s2": ("r", "t"),
        "x": ("b1", "s1"), "y": ("b2", "s2"),
    }  # fmt: skip
    assert kinship(family, "x", "y") == 1 / 8


def test_inbreeding_over_generations_of_full_siblings_follows_wright():
    # Wright 1921/1922: F = 0, 1/4, 3/8, 1/2, 19/32 over generations of brother-sister mating.
    family = {"a0": (None, None), "b0": (None, None)}
    for step in range(1, 6):
        for side in "ab":
            family[f"{side}{step}"] = (f"a{step - 1}", f"b{step - 1}")
    values = [kinship(family, f"a{step}", f"b{step}") for step in range(5)]  # of the parents
    assert values == [0, 1 / 4, 3 / 8, 1 / 2, 19 / 32]


def test_a_circle_in_a_pedigree_is_refused_with_the_birds_in_it():
    family = {"Pip": ("Pep", None), "Pep": ("Pop", None), "Pop": ("Pip", None)}
    with pytest.raises(FieldmarksError, match="circle") as caught:
        kinship_order(family)
    assert all(name in str(caught.value) for name in family)
    with pytest.raises(FieldmarksError, match="circle"):
        kinship(family, "Pip", "Pep")


def test_shared_parents_and_grandparents_are_named():
    assert shared_ancestors(FAMILY, "child", "sibling") == {
        "father", "mother", "grandfather", "grandmother",
    }  # fmt: skip
    assert shared_ancestors(FAMILY, "child", "cousin") == {"grandfather", "grandmother"}
    assert shared_ancestors(FAMILY, "child", "father") == {"father", "grandfather", "grandmother"}
    assert shared_ancestors(FAMILY, "child", "stranger") == set()


def test_missing_ancestors_are_counted():
    assert recorded_share(FAMILY, "stranger") == 0
    assert recorded_share(FAMILY, "child") == pytest.approx(4 / 6)


def gene_drop(parents, order, draws, seed):
    """Kinship by simulation: drop two marked genes of each founder through the pedigree."""
    rng = np.random.default_rng(seed)
    genes, fresh = {}, 0
    for bird in order:
        pair = []
        for parent in parents.get(bird, (None, None)):
            if parent is None:
                pair.append(np.full(draws, fresh))
                fresh += 1
            else:
                pick = rng.integers(0, 2, draws)
                pair.append(np.where(pick == 0, genes[parent][0], genes[parent][1]))
        genes[bird] = pair
    return genes


@settings(max_examples=15, deadline=None)
@given(st.data())
def test_kinship_agrees_with_genes_dropped_through_any_pedigree(data):
    size = data.draw(st.integers(2, 9))
    parents = {}
    for i in range(size):
        older = [None, *range(i)]
        father = data.draw(st.sampled_from(older))
        mother = data.draw(st.sampled_from([o for o in older if o is None or o != father]))
        parents[str(i)] = tuple(None if p is None else str(p) for p in (father, mother))
    draws = 4000
    keys, table = kinship_table(parents)
    genes = gene_drop(parents, keys, draws, 1)
    one, other = data.draw(st.sampled_from(keys)), data.draw(st.sampled_from(keys))
    same = np.mean([genes[one][i] == genes[other][j] for i in (0, 1) for j in (0, 1)])
    assert same == pytest.approx(table[keys.index(one), keys.index(other)], abs=0.05)


@given(st.integers(1, 8))
def test_the_table_is_symmetric_and_bounded(depth):
    family = {f"{d}{s}": (f"{d - 1}a", f"{d - 1}b") for d in range(1, depth + 1) for s in "ab"}
    _, table = kinship_table(family)
    assert np.array_equal(table, table.T)
    assert (table >= 0).all()
    assert (np.diag(table) >= 0.5).all()
    assert (table <= 1).all()
