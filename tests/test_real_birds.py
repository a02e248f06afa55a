"""Thirteen real lovebirds and a conure without a card: none is struck out, most are found.

Readings of public web photographs, outlines by eye; ``tests/data/real_birds_sources.csv`` names
the repository, path and SHA-256 of each photograph, which is not passed on. Species judged by eye.
"""

from pathlib import Path

import pytest
import real_birds

from fieldmarks.rules import load_rules

FOLDER, PREFIX = Path(__file__).parent / "data", "real_birds_"
TABLES = load_rules()
BIRDS = {row["bird"]: row for row in real_birds.rows(FOLDER, f"{PREFIX}sources.csv")}
LOVEBIRDS = [name for name, row in BIRDS.items() if row["species"] in TABLES.species]


@pytest.fixture(scope="module")
def results():
    readings, relations = real_birds.numbers(FOLDER, PREFIX)
    return {b: real_birds.judged(readings[b], relations[b], TABLES, BIRDS[b]) for b in BIRDS}


def test_no_true_species_is_struck_out(results):
    assert len(LOVEBIRDS) == 13
    assert not [b for b in LOVEBIRDS if real_birds.struck_out(results[b], BIRDS[b]["species"])]


def test_most_true_species_are_first_and_many_stand_alone(results):
    ranks = {b: real_birds.ranked(results[b]) for b in LOVEBIRDS}
    first = [b for b, order in ranks.items() if order[0][0] == BIRDS[b]["species"]]
    assert len(first) >= 10
    assert sum(ranks[b][1][1] >= 10 for b in first) >= 6


def test_a_parrot_of_another_kind_is_told_to_be_none_of_them(results):
    (other,) = set(BIRDS) - set(LOVEBIRDS)
    assert results[other].conclusion.outcome == "none fits"


def test_no_pure_bird_is_called_a_cross_without_a_card(results):
    assert not [b for b in LOVEBIRDS if results[b].conclusion.outcome == "mixed"]
