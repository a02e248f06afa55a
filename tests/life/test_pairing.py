"""Advice on pairs and before buying: reasons, never an order.

Trade facts here (sterile crosses, signs, quarantine): common practice, no published source.
"""

import dataclasses
from datetime import date

import pytest
from made_birds import ORANGE, a_bird, an_entry, shoot
from made_up import assess

from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.buying import buying_check
from fieldmarks.birds.due import summary
from fieldmarks.birds.model import Observation, SignPoint
from fieldmarks.birds.observation import observation_of
from fieldmarks.birds.pairing import advise_pair, warnings_for_test
from fieldmarks.record import Question

TODAY = date(2026, 6, 1)
OLD = date(2024, 1, 1)
COCK = a_bird("Pip", sex="cock", hatched=OLD)
HEN = a_bird("Pep", sex="hen", hatched=OLD)


def advise(tables, first, second, looks=None, parents=None):
    entries = {
        bird.id: [dataclasses.replace(an_entry(bird), observations=(look,))]
        for bird, look in (looks or {}).values()
    }
    known = parents or {first.id: (None, None), second.id: (None, None)}
    names = {first.id: first.name, second.id: second.name}
    return advise_pair(first, second, entries, known, names, tables, TODAY)


@pytest.fixture(scope="module")
def clean_look(tables, clean_shot):
    return observation_of(clean_shot, tables)


@pytest.fixture(scope="module")
def orange_look(tables, orange_shot):
    return observation_of(orange_shot, tables)


def test_two_clean_grown_unrelated_birds_have_nothing_against_them(tables, clean_look):
    parents = {COCK.id: ("a", "b"), HEN.id: ("c", "d")}
    parents |= {"a": ("e", "f"), "b": ("g", "h"), "c": ("i", "j"), "d": ("k", "l")}
    looks = {1: (COCK, clean_look), 2: (HEN, clean_look)}
    advice = advise(tables, COCK, HEN, looks, parents)
    assert advice.weight in ("for", "not known")
    assert not [r for r in advice.reasons if r.weight in ("against", "wait")]
    assert advice.kinship == 0
    assert any("The choice is yours" in c for c in advice.cautions)


def test_a_bird_with_signs_is_advised_to_be_kept_as_a_pet(tables, clean_look, orange_look):
    advice = advise(tables, COCK, HEN, {1: (COCK, orange_look), 2: (HEN, clean_look)})
    assert advice.weight == "against"
    assert "pet" in advice.reasons[0].text + advice.reasons[1].text


def a_look(outcome="one species left", *signs, claimed="personatus"):
    """A look made by hand; signs as (key, status, amount)."""
    points = tuple(
        SignPoint(key, "personatus", status, "usually", "collar", amount, 0.02)
        for key, status, amount in signs
    )
    return Observation(
        "0" * 32, "0" * 64, "x.jpg", ".jpg", outcome, "Said.", "green", "adult", claimed,
                "", "0" * 64, (), points)  # fmt: skip


def own_weights(tables, *looks, bird=COCK, days=None, stages=None):
    """What the record of one bird weighs, as (about, weight, text); one list of looks per entry."""
    days = days or [date(2026, 1 + n, 1) for n in range(len(looks))]
    stages = stages or ["later moult"] * len(looks)
    entries = [
        dataclasses.replace(an_entry(bird, day, stage), observations=tuple(these), number=n)
        for n, (these, day, stage) in enumerate(zip(looks, days, stages, strict=True), 1)
    ]
    known = {bird.id: (None, None), HEN.id: (None, None)}
    names = {bird.id: bird.name, HEN.id: HEN.name}
    advice = advise_pair(bird, HEN, {bird.id: entries}, known, names, tables, TODAY)
    return [
        (r.about, r.weight, r.text)
        for r in advice.reasons
        if r.text.startswith(bird.name) and r.about in ("signs", "species")
    ]


ORANGE_SEEN = ("personatus_orange_collar", "seen", 0.9)
ORANGE_GONE = ("personatus_orange_collar", "not seen", 0.0)
RUMP_CLEAN = ("personatus_blue_rump", "not seen", 0.0)


def test_a_sign_on_record_is_not_forgotten_when_a_later_photo_reads_only_the_rump(tables):
    later = [a_look("several species left", RUMP_CLEAN)]
    (found,) = own_weights(tables, [a_look("signs", ORANGE_SEEN)], later)
    assert found[:2] == ("signs", "against")
    assert "Orange in the collar" in found[2]


@pytest.mark.parametrize(
    "last",
    [
        a_look("not calibrated", ("personatus_blue_rump", "not calibrated", 0.0)),
        a_look("not calibrated", RUMP_CLEAN),
        a_look("nothing read"),
        a_look("cannot be told"),
        a_look("nothing decided", RUMP_CLEAN),
        a_look("one species left"),  # decided, but no sign was looked for
    ],
    ids=["card missing", "card missing, relation", "nothing read", "cannot be told",
         "nothing decided", "no sign looked for"],
)  # fmt: skip
def test_a_photo_that_decides_nothing_never_weighs_for_a_bird(tables, last):
    (found,) = own_weights(tables, [last])
    assert found[:2] == ("signs", "not known")
    assert "the last photo decides nothing" in found[2]


def test_a_bad_photo_after_a_good_one_is_said(tables):
    good, bad = [a_look("one species left", RUMP_CLEAN)], [a_look("not calibrated")]
    assert own_weights(tables, good)[0][:2] == ("signs", "for")
    assert own_weights(tables, good, bad)[0][:2] == ("signs", "not known")
    assert own_weights(tables, bad, good)[0][:2] == ("signs", "for")


def test_a_bad_photo_does_not_hide_a_sign_on_record(tables):
    for outcome in ("not calibrated", "nothing read", "cannot be told"):
        (found,) = own_weights(tables, [a_look("signs", ORANGE_SEEN)], [a_look(outcome)])
        assert found[:2] == ("signs", "against")


def test_of_two_photos_in_one_entry_the_worse_one_stands(tables):
    pair = [a_look("signs", ORANGE_SEEN), a_look("one species left", ORANGE_GONE)]
    for looks in (pair, pair[::-1]):
        (found,) = own_weights(tables, looks)
        assert found[:2] == ("signs", "against")


@pytest.mark.parametrize(
    ("together", "each", "expected"),
    [
        ("one species left", "claim contradicted", ("signs", "for")),
        ("one species left", "cannot be told", ("signs", "for")),
        ("claim contradicted", "several species left", ("species", "against")),
        ("cannot be told", "one species left", ("signs", "not known")),
    ],
)
def test_photos_judged_together_say_what_they_say_together(tables, together, each, expected):
    entry = dataclasses.replace(
        an_entry(COCK, date(2026, 1, 1), "later moult"), number=1, outcome=together,
        sentence="All of them said.",
        observations=(a_look("one species left", RUMP_CLEAN), a_look(each, RUMP_CLEAN)),
    )  # fmt: skip
    known = {COCK.id: (None, None), HEN.id: (None, None)}
    advice = advise_pair(COCK, HEN, {COCK.id: [entry]}, known, {}, tables, TODAY)
    own = [r for r in advice.reasons if r.text.startswith(COCK.name)]
    assert expected in [(r.about, r.weight) for r in own]
    assert ("All of them said." in " ".join(r.text for r in own)) == (expected[0] == "species")
    assert summary(COCK, [entry], tables)["last_outcome"] == together


def test_a_grown_bird_with_a_sign_in_one_look_and_not_in_the_next_waits(tables):
    (found,) = own_weights(tables, [a_look("signs", ORANGE_SEEN)], [a_look("x", ORANGE_GONE)])
    assert found[:2] == ("signs", "wait")
    assert "One look shows it and another does not" in found[2]


def test_a_tint_that_went_with_the_moult_stays_cleared(tables):
    young, grown = [a_look("signs", ORANGE_SEEN)], [a_look("one species left", ORANGE_GONE)]
    days, stages = [date(2024, 3, 1), date(2025, 6, 1)], ["young plumage", "later moult"]
    (found,) = own_weights(tables, young, grown, days=days, stages=stages)
    assert found[:2] == ("signs", "for")
    rump = [a_look("several species left", RUMP_CLEAN)]
    days, stages = [*days, date(2026, 3, 1)], [*stages, "later moult"]
    (found,) = own_weights(tables, young, grown, rump, days=days, stages=stages)
    assert found[:2] == ("signs", "for")


def test_a_doubt_after_not_seen_is_said(tables):
    doubt = [a_look("one species left", ("personatus_orange_collar", "doubtful", 0.05))]
    (found,) = own_weights(tables, [a_look("one species left", ORANGE_GONE)], doubt)
    assert found[:2] == ("signs", "not known")


def test_a_contradicted_species_stays_so_until_a_look_settles_it(tables):
    wrong, rump = [a_look("claim contradicted")], [a_look("several species left", RUMP_CLEAN)]
    settled = [a_look("one species left", RUMP_CLEAN)]
    assert ("species", "against") in {r[:2] for r in own_weights(tables, wrong, rump)}
    assert [r[:2] for r in own_weights(tables, wrong, settled)] == [("signs", "for")]
    other = [a_look("claim contradicted", claimed="fischeri")]
    assert [r[:2] for r in own_weights(tables, other, settled)] == [("signs", "for")]


@pytest.mark.parametrize("other", ["personatus", "fischeri", "nigrigenis", "lilianae"])
def test_crosses_of_roseicollis_are_named_sterile_both_ways_round(tables, other):
    rosy = dataclasses.replace(COCK, species="roseicollis")
    mate = dataclasses.replace(HEN, species=other)
    for pair in ((rosy, mate), (mate, rosy)):
        advice = advise(tables, *pair)
        assert advice.weight == "against"
        assert "sterile" in next(r.text for r in advice.reasons if r.about == "species")


def test_a_fertile_cross_is_advised_against_too(tables):
    advice = advise(tables, COCK, dataclasses.replace(HEN, species="fischeri"))
    text = next(r.text for r in advice.reasons if r.about == "species")
    assert advice.weight == "against"
    assert "sterile" not in text


def test_every_two_species_of_the_tables_have_a_row(tables):
    for one in tables.species:
        for other in tables.species:
            assert (advice_table().crossing(one, other) is None) == (one == other)


@pytest.mark.parametrize(
    ("parents", "weight", "kin"),
    [
        ({"COCK": ("f", "m"), "HEN": ("f", "m")}, "against", 1 / 4),
        ({"COCK": ("f", "m"), "HEN": ("f", "n")}, "against", 1 / 8),
        ({"COCK": ("p", "x"), "HEN": ("q", "y"), "p": ("g", "h"), "q": ("g", "h")}, "wait", 1 / 16),
        ({"COCK": ("f", "m"), "HEN": ("u", "v")}, "not known", 0),
    ],
)
def test_related_birds(tables, parents, weight, kin):
    names = {"COCK": COCK.id, "HEN": HEN.id}
    family = {names.get(k, k): v for k, v in parents.items()}
    advice = advise(tables, COCK, HEN, parents=family)
    reason = next(r for r in advice.reasons if r.about == "kinship")
    assert (reason.weight, advice.kinship) == (weight, kin)
    assert bool(advice.shared) == (kin > 0)


def test_two_of_one_sex_unknown_sex_young_birds_and_unmeasured_ones_are_said(tables):
    def weights(first, second):
        return {(r.about, r.weight) for r in advise(tables, first, second).reasons}

    assert ("sex", "against") in weights(COCK, dataclasses.replace(HEN, sex="cock"))
    assert ("sex", "not known") in weights(COCK, dataclasses.replace(HEN, sex="unknown"))
    assert ("age", "wait") in weights(COCK, dataclasses.replace(HEN, hatched=date(2026, 3, 1)))
    assert ("age", "not known") in weights(COCK, dataclasses.replace(HEN, hatched=None))
    assert ("signs", "not known") in weights(COCK, HEN)
    assert ("species", "against") in weights(COCK, dataclasses.replace(HEN, species=None))


def test_a_test_mating_warns_of_what_would_make_it_useless_or_harmful(tables):
    def warned(first, second):
        return " ".join(warnings_for_test(first, second, advise(tables, first, second), tables))

    assert warned(COCK, HEN) == ""
    assert "Both are cocks" in warned(COCK, dataclasses.replace(HEN, sex="cock"))
    assert "is not grown before" in warned(COCK, dataclasses.replace(HEN, hatched=TODAY))
    unknown = warned(COCK, dataclasses.replace(HEN, species=None))
    assert "The species of the mate, Pep, is not known" in unknown
    rosy = warned(COCK, dataclasses.replace(HEN, species="roseicollis"))
    assert "held to be sterile" in rosy
    assert "this test tells nothing" in rosy


@pytest.mark.parametrize("variety", ["ino", "blue_ino", "opaline"])
def test_a_variety_that_hides_signs_is_said(tables, variety):
    advice = advise(tables, COCK, dataclasses.replace(HEN, variety=variety))
    assert any(r.about == "variety" and "hides signs" in r.text for r in advice.reasons)
    green = advise(tables, COCK, HEN)
    assert not any(r.about == "variety" for r in green.reasons)


def test_the_buying_check_names_what_speaks_against_and_what_to_ask(tables):
    record = shoot(tables, ORANGE, Question(claimed="personatus"), seed=1).record
    check = buying_check(record.assessment, tables)
    assert any("Orange in the collar" in line for line in check.speaks_against)
    assert check.look_at
    assert all(look for _, look in check.look_at)
    said = " ".join((*check.ask, *check.cautions, *check.cannot_tell)).lower()
    for word in ("parents", "ring", "moult", "young", "quarantine", "vet", "lawful", "cites"):
        assert word in said
    assert "price" not in said


def test_a_variety_that_hides_marks_is_said_before_buying(tables):
    blank = assess((), (), tables, variety="opaline", claimed="personatus")
    assert "variety hides marks" in buying_check(blank, tables).cannot_tell[0]


def test_advice_never_orders():
    table = advice_table()
    lines = [row.text for row in (*table.ask, *table.cannot_tell, *table.caution)]
    assert not [line for line in lines if " must " in f" {line.lower()} "]
    assert all(len(line) < 200 for line in lines)
