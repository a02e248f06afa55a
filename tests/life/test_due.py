"""Dates a breeder is reminded of, from the facts of the species."""

import datetime

import pytest

from fieldmarks.birds.due import breeds_from, brood_dates
from fieldmarks.birds.model import Bird, Young
from fieldmarks.rules import load_rules

TABLES = load_rules()
HATCHED = datetime.date(2026, 3, 1)


def said(species, days):
    """What is said of a chick so many days after it hatched."""
    today = HATCHED + datetime.timedelta(days=days)
    return brood_dates((Young("A", HATCHED),), TABLES.species[species].facts, today)


@pytest.mark.parametrize("species", TABLES.species)
def test_a_chick_is_ringed_at_8_to_10_days_and_flies_at_6_weeks(species):
    # From memory: ring at 8 to 10 days, leaves the nest at about 6 weeks (42 days).
    ring, flies = said(species, 0)
    assert "from 2026-03-09 to 2026-03-11" in ring
    assert "experienced breeder" in ring
    assert "local rules" in ring
    assert "2026-04-12" in flies
    assert said(species, 10) == (ring, flies)
    assert said(species, 11) == said(species, 42) == (flies,)
    assert said(species, 43) == ()


def test_nothing_is_said_of_a_chick_whose_day_of_hatching_is_not_known():
    facts = TABLES.species["fischeri"].facts
    assert brood_dates((Young("A"),), facts, HATCHED) == ()


LAID = datetime.date(2026, 2, 6)


@pytest.mark.parametrize("species", TABLES.species)
def test_from_the_day_an_egg_is_laid_all_later_dates_follow(species):
    # From memory: hatches at about 23 days, ring at 8 to 10 days, flies at about 6 weeks.
    facts = TABLES.species[species].facts
    hatches, ring, flies = brood_dates((Young("E", laid=LAID),), facts, LAID)
    assert "hatch at about 2026-03-01" in hatches
    assert "if it hatches then" in ring
    assert "from 2026-03-09 to 2026-03-11" in ring
    assert "2026-04-12" in flies
    assert "take it off" not in hatches
    late = LAID + datetime.timedelta(days=60)
    overdue, _ = brood_dates((Young("E", laid=LAID),), facts, late)
    assert "take it off" in overdue


def test_once_an_egg_has_hatched_the_day_it_did_counts():
    hatched = Young("E", hatched=HATCHED + datetime.timedelta(days=2), laid=LAID)
    ring, flies = brood_dates((hatched,), TABLES.species["fischeri"].facts, HATCHED)
    assert "from 2026-03-11 to 2026-03-13" in ring
    assert "2026-04-14" in flies


def test_a_bird_is_old_enough_to_breed_from_10_months():
    # From memory: 10 to 12 months.
    bird = Bird(id="a", name="A", species="fischeri", hatched=HATCHED)
    assert abs((breeds_from(bird, TABLES) - datetime.date(2027, 1, 1)).days) <= 2
