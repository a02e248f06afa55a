"""Dates a breeder is reminded of, from the facts of the species."""

import datetime

import pytest
import vobject

from fieldmarks.birds.calendar import to_calendar
from fieldmarks.birds.due import breeds_from, brood_dates
from fieldmarks.birds.model import Bird, Young
from fieldmarks.rules import load_rules

TABLES = load_rules()
HATCHED = datetime.date(2026, 3, 1)


def texts(reminders):
    return tuple(reminder.text for reminder in reminders)


def said(species, days):
    """What is said of a chick so many days after it hatched."""
    today = HATCHED + datetime.timedelta(days=days)
    return texts(brood_dates((Young("A", HATCHED),), TABLES.species[species].facts, today))


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
    hatches, ring, flies = texts(brood_dates((Young("E", laid=LAID),), facts, LAID))
    assert "hatch at about 2026-03-01" in hatches
    assert "if it hatches then" in ring
    assert "from 2026-03-09 to 2026-03-11" in ring
    assert "2026-04-12" in flies
    assert "take it off" not in hatches
    late = LAID + datetime.timedelta(days=60)
    overdue, _ = texts(brood_dates((Young("E", laid=LAID),), facts, late))
    assert "take it off" in overdue


def test_once_an_egg_has_hatched_the_day_it_did_counts():
    hatched = Young("E", hatched=HATCHED + datetime.timedelta(days=2), laid=LAID)
    ring, flies = texts(brood_dates((hatched,), TABLES.species["fischeri"].facts, HATCHED))
    assert "from 2026-03-11 to 2026-03-13" in ring
    assert "2026-04-14" in flies


def test_what_is_done_is_no_longer_reminded_of():
    facts = TABLES.species["fischeri"].facts
    ringed = Young("E", HATCHED, ringed=HATCHED + datetime.timedelta(days=9))
    (flies,) = texts(brood_dates((ringed,), facts, HATCHED))
    assert "leaves the nest" in flies
    flown = Young("E", HATCHED, fledged=HATCHED + datetime.timedelta(days=40))
    assert brood_dates((flown,), facts, HATCHED) == ()


MADE = datetime.datetime(2026, 2, 7, 12, tzinfo=datetime.UTC)


def test_another_program_reads_the_calendar_as_it_was_meant():
    facts = TABLES.species["fischeri"].facts
    reminders = brood_dates((Young("Ei; 1, grün\n" * 3, laid=LAID),), facts, LAID)
    calendar = vobject.readOne(to_calendar(reminders, MADE).decode())  # not what wrote it
    events = calendar.vevent_list
    for event, reminder in zip(events, reminders, strict=True):
        assert event.dtstart.value == reminder.day
        assert event.dtend.value == reminder.until + datetime.timedelta(days=1)
        assert reminder.text in event.description.value
        assert "about" in event.summary.value
        assert event.valarm.trigger.value == datetime.timedelta(hours=9)
    assert len({e.uid.value for e in events}) == len(events) == 3


def test_the_file_keeps_to_rfc_5545():
    reminders = brood_dates((Young("E" * 150, laid=LAID),), TABLES.species["fischeri"].facts, LAID)
    made = to_calendar(reminders, MADE)
    assert made.startswith(b"BEGIN:VCALENDAR\r\n")
    assert made.count(b"\n") == made.count(b"\r\n")
    assert max(map(len, made.split(b"\r\n"))) <= 75  # octets of a line, 3.1
    assert b"DTSTART;VALUE=DATE:20260301" in made  # 3.3.4
    assert b"DTSTAMP:20260207T120000Z" in made  # 3.6.1 asks for it


def test_a_day_that_moves_moves_its_event_and_adds_none():
    facts = TABLES.species["fischeri"].facts

    def uids(laid):
        calendar = vobject.readOne(
            to_calendar(brood_dates((Young("E", laid=laid),), facts, LAID), MADE).decode()
        )
        return {event.uid.value for event in calendar.vevent_list}

    assert uids(LAID) == uids(LAID + datetime.timedelta(days=1))


def test_a_bird_is_old_enough_to_breed_from_10_months():
    # From memory: 10 to 12 months.
    bird = Bird(id="a", name="A", species="fischeri", hatched=HATCHED)
    assert abs((breeds_from(bird, TABLES) - datetime.date(2027, 1, 1)).days) <= 2
