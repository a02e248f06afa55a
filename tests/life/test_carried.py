"""What a family tells of colours carried unseen, against every genotype that could have made it.

Mendel's rules (any textbook): each parent gives one of its two forms of a gene; a hen has one sex
chromosome Z alone, and has it from her father. Every family of two parents, a mate, a bird, its
sibling and its young is listed genotype by genotype; what is called known must be so in all of
those that look alike, and what is only called possible, or not told, must fail in one.
"""

import itertools
from collections import defaultdict

import pytest
from made_birds import a_bird

from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.brood import save_young
from fieldmarks.birds.carried import Kin, hidden_colours, hidden_of
from fieldmarks.birds.model import Bird, Pair, Young, new_id
from fieldmarks.rules import load_rules

TABLES = load_rules()


def gametes(genotype, sex, linked):
    """What a parent can give: forms of the gene, each with the sex it makes (None: either)."""
    if linked and sex == "hen":
        return {(genotype[0], "cock"), (None, "hen")}
    return {(form, None) for form in genotype}


def offspring(father, mother, linked):
    """(genotype, sex) of every young that two parents can have."""
    for (one, _), (other, makes) in itertools.product(
        gametes(father, "cock", linked), gametes(mother, "hen", linked)
    ):
        sexes = [makes] if makes else ["cock", "hen"]
        for sex in sexes:
            yield tuple(sorted(f for f in (one, other) if f is not None)), sex


def genotypes(sex, linked):
    return [(0,), (1,)] if linked and sex == "hen" else [(0, 0), (0, 1), (1, 1)]


def shows(genotype):
    return all(genotype)


def families(linked):
    """Looks of a family -> whether the bird carries the colour, in each that looks so."""
    found = defaultdict(set)
    for father, mother in itertools.product(genotypes("cock", linked), genotypes("hen", linked)):
        born = set(offspring(father, mother, linked))
        for (bird, sex), sibling in itertools.product(born, born):
            mate = "hen" if sex == "cock" else "cock"
            for other in genotypes(mate, linked):
                pair = (bird, other) if sex == "cock" else (other, bird)
                for young in set(offspring(*pair, linked)):
                    seen = tuple(map(shows, (father, mother, bird, sibling[0], young[0])))
                    found[seen, sex].add(any(bird))
    return found


def told(key, seen, sex, species="fischeri"):
    """What the program says of a family's looks."""
    father, mother, bird, sibling, young = (
        Bird(name, name, variety=key if shown else "green", species=species)
        for name, shown in zip("fmbsy", seen, strict=True)
    )
    bird = Bird("b", "b", variety=bird.variety, species=species, sex=sex, father="f", mother="m")
    kin = Kin(bird, [Kin(p, young=[bird, sibling]) for p in (father, mother)], [young])
    return {h.colour: h.certainty for h in hidden_colours(kin, TABLES)}


@pytest.mark.parametrize(
    ("key", "species", "linked"),
    [("blue", "fischeri", False), ("ino", "fischeri", False), ("ino", "roseicollis", True),
     ("opaline", "fischeri", True), ("dilute", "personatus", False)],
)  # fmt: skip
def test_known_is_certain_and_no_certain_one_is_missed(key, species, linked):
    certain = 0
    for (seen, sex), carried in families(linked).items():
        if seen[2]:
            assert key not in told(key, seen, sex, species)
            continue
        said = told(key, seen, sex, species).get(key)
        assert (said == "known") == (carried == {True}), (seen, sex)
        if said == "possible":
            assert carried == {True, False}, (seen, sex)
        certain += said == "known"
    assert certain > 5


@pytest.mark.parametrize("linked", [False, True])
def test_where_the_sex_is_not_known_nothing_is_called_known_that_is_not(linked):
    key = "opaline" if linked else "blue"
    either = defaultdict(set)
    for (seen, _), carried in families(linked).items():
        either[seen] |= carried
    for seen, carried in either.items():
        if not seen[2] and told(key, seen, "unknown").get(key) == "known":
            assert carried == {True}, seen


def test_every_colour_carried_is_shown_by_varieties_of_the_tables():
    for row in advice_table().carried:
        assert set(row.shown_by) <= set(TABLES.varieties)
        assert set(row.sex_linked_in) <= set(TABLES.species)


def test_a_blue_chick_noted_in_a_clutch_tells_of_both_its_green_parents(store):
    cock, hen = (store.save(a_bird(n, sex=n)) for n in ("cock", "hen"))
    pair = store.save(Pair(new_id(), cock.id, hen.id))
    assert hidden_of(store, cock, TABLES) == ()
    save_young(store, pair, Young("Y1", shows="cobalt"), TABLES)
    for parent in (cock, hen):
        (blue,) = hidden_of(store, parent, TABLES)
        assert str(blue) == "known: blue. Y1, its young, shows it."
    child = store.save(a_bird("child", father=cock.id, mother=hen.id))
    (blue,) = hidden_of(store, child, TABLES)
    assert blue.certainty == "possible"


def test_of_an_unknown_species_nothing_is_known_that_differs_between_species():
    seen = (False, False, False, False, True)  # its young alone shows it
    assert told("ino", seen, "cock", None) == {"ino": "possible"}
    assert told("blue", seen, "cock", None) == {"blue": "known"}


def test_what_the_keeper_wrote_is_never_called_known(store):
    bird = store.save(a_bird("B", split_for=("blue",)))
    (blue,) = hidden_of(store, bird, TABLES)
    assert (blue.certainty, "You wrote so" in blue.why) == ("possible", True)
