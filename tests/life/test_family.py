"""What is on record of parents and young speaks in the advice on a pair.

That a bird is no purer than its parents: common practice, no published source.
"""

from datetime import date

import pytest
from made_birds import a_bird, an_entry

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.model import Pair, Young, new_id
from fieldmarks.birds.service import advice_on_pair

TODAY = date(2026, 6, 1)
OLD = date(2022, 1, 1)


def bird(store, name, sex, **more):
    return store.save(a_bird(name, sex=sex, hatched=OLD, **more))


def against(store, one, other, tables):
    advice = advice_on_pair(store, one, other, tables, TODAY)
    texts = [r.text for r in advice.reasons if r.about == "family"]
    assert (advice.weight == "against") or not texts
    return texts


@pytest.fixture
def mate(store):
    return bird(store, "Mate", "hen")


def test_young_of_two_species_is_mixed_whatever_it_is_said_to_be(store, mate, tables):
    father = bird(store, "Dad", "cock")
    mother = bird(store, "Mum", "hen", species="fischeri")
    young = bird(store, "Kid", "cock", father=father.id, mother=mother.id)
    (said,) = against(store, young, mate, tables)
    assert said.startswith("Kid: its parents are of two species (Dad, ")
    assert said.endswith("so it is mixed.")


def test_one_parent_or_grandparent_of_another_species_is_named(store, mate, tables):
    old = bird(store, "Gran", "hen", species="nigrigenis")
    mother = bird(store, "Mum", "hen", mother=old.id)
    young = bird(store, "Kid", "cock", mother=mother.id)
    (said,) = against(store, young, mate, tables)
    assert said.startswith("Kid: its grandparent Gran is said to be ")


def test_a_parent_with_a_sign_speaks_against_a_young_that_looks_clean(
    store, mate, tables, orange_shot, clean_shot
):
    father = bird(store, "Dad", "cock")
    store.save_entry(an_entry(father, stage="later moult"), [orange_shot], tables)
    young = bird(store, "Kid", "cock", father=father.id)
    store.save_entry(an_entry(young), [clean_shot], tables)
    assert against(store, young, mate, tables) == [
        "Kid: its father Dad shows a sign of mixed ancestry."
    ]


@pytest.mark.parametrize("species", ["personatus", "fischeri"])
def test_a_young_with_a_sign_tells_of_its_parents_where_both_were_of_one_species(
    store, mate, tables, orange_shot, species
):
    father, mother = bird(store, "Dad", "cock"), bird(store, "Mum", "hen", species=species)
    young = bird(store, "Kid", "cock", father=father.id, mother=mother.id)
    store.save_entry(an_entry(young, stage="later moult"), [orange_shot], tables)
    told = against(store, father, mate, tables)
    assert bool(told) == (species == "personatus")
    assert all("One of the parents, or both, is not pure." in said for said in told)


def test_a_sign_found_in_a_test_mating_is_remembered(store, mate, tables):
    father, mother = bird(store, "Dad", "cock"), bird(store, "Mum", "hen")
    young = (Young("T1", finding="sign"), Young("T2", finding="clean"))
    store.save(Pair(new_id(), father.id, mother.id, "test mating", young=young))
    (said,) = against(store, father, mate, tables)
    assert said.startswith("Dad: its young T1 shows a sign")


def test_birds_with_nothing_against_their_family_are_not_touched(store, mate, tables, clean_shot):
    father, mother = bird(store, "Dad", "cock"), bird(store, "Mum", "hen")
    young = bird(store, "Kid", "cock", father=father.id, mother=mother.id)
    for one in (father, mother, young):
        store.save_entry(an_entry(one, stage="later moult"), [clean_shot], tables)
    assert against(store, young, mate, tables) == []


def test_a_bird_is_no_pair_with_itself(store, mate, tables):
    with pytest.raises(FieldmarksError, match="a pair is two birds"):
        advice_on_pair(store, mate, mate, tables, TODAY)
