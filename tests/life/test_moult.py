"""Moults: a change is claimed only when measuring cannot explain it."""

import dataclasses
import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_birds import CLEAN, ORANGE, a_bird, an_entry, shoot

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.due import first_moult_over, summary
from fieldmarks.birds.model import STAGES, MarkPoint, Observation, SignPoint
from fieldmarks.birds.moult import (
    BY_CHANCE,
    TimePoint,
    change,
    change_sentence,
    changes,
    sign_stories,
    timelines,
)
from fieldmarks.birds.observation import observation_of
from fieldmarks.birds.service import keep_look
from fieldmarks.birds.standing import standings
from fieldmarks.birds.store import Store
from fieldmarks.record import Question

DAY = date(2025, 1, 1)


def look_due(bird, entries, tables):
    return summary(bird, entries, tables)["look_due"]


def point(lab=(50, 20, 20), u=(1, 1, 1), dark=0.0, orange=0.0, u_share=0.03, calibrated=True):
    return MarkPoint(
        "face", *lab, *u, expanded=2, calibrated=calibrated, dark=dark, u_dark=u_share,
        orange=orange, u_orange=u_share,
    )  # fmt: skip


def at(number, **how):
    return TimePoint(DAY, number, "young plumage", point(**how))


@given(st.floats(0, 100), st.floats(0, 100), st.floats(0.1, 8), st.floats(0.1, 8))
def test_a_change_is_claimed_only_beyond_twice_the_combined_uncertainty(a, b, ua, ub):
    # JCGM 100 (GUM): independent uncertainties add as squares; k = 2.
    found = change(at(1, lab=(a, 0, 0), u=(ua, 1, 1)), at(2, lab=(b, 0, 0), u=(ub, 1, 1)), "L*")
    assert found.smallest == pytest.approx(2 * math.sqrt(ua**2 + ub**2))
    assert found.claimed == (abs(b - a) > found.smallest)


def test_a_false_claim_is_as_rare_as_k_2_says():
    # 4.55 % of a normal distribution lies beyond two standard deviations (handbook tables).
    rng = np.random.default_rng(2)
    claims = [
        change(at(1, lab=(50 + x, 0, 0)), at(2, lab=(50 + y, 0, 0)), "L*").claimed
        for x, y in rng.normal(0, 1, (6000, 2))
    ]
    assert np.mean(claims) == pytest.approx(BY_CHANCE, abs=0.012)


def test_hue_goes_the_short_way_round_and_is_left_out_near_grey():
    five = (50, 30 * math.cos(math.radians(5)), 30 * math.sin(math.radians(5)))
    back = (50, 30 * math.cos(math.radians(-5)), 30 * math.sin(math.radians(-5)))
    found = change(at(1, lab=five), at(2, lab=back), "h")
    assert found.difference == pytest.approx(-10)
    # Delta H* = C* x angle: 1 unit at C* 30 is 1.91 degrees.
    assert found.smallest == pytest.approx(2 * math.sqrt(2) * math.degrees(1 / 30))
    assert change(at(1, lab=(50, 1, 0)), at(2, lab=five), "h") is None


def test_the_smallest_change_that_could_be_seen_is_said():
    sentence = change_sentence(change(at(1), at(2), "L*"), "Face")
    assert "no change" in sentence
    assert "2.8 or more would have been seen" in sentence
    rise = change_sentence(change(at(1), at(2, lab=(60, 20, 20)), "L*"), "Face")
    assert "rose by 10.0" in rise


def entry_with(bird, day, stage, number, signs=(), marks=()):
    look = Observation(
        "0" * 32, "0" * 64, "x.jpg", ".jpg", "signs", "", "green", "adult", None, "0.1.0",
        "0" * 64, marks, signs,
    )  # fmt: skip
    return dataclasses.replace(an_entry(bird, day, stage), observations=(look,), number=number)


def sign(status, amount, u=0.05):
    return SignPoint("dull", "personatus", status, "hint", "face", amount, u)


YOUNG, GROWN = (date(2025, 3, 1), "young plumage"), (date(2026, 3, 1), "after first moult")


@pytest.mark.parametrize(
    ("before", "after", "story"),
    [
        (("look again after the moult", 0.9), ("not seen", 0.0), "faded"),
        (("look again after the moult", 0.9), ("seen", 0.88), "stayed"),
        (("seen", 0.2), ("seen", 0.8), "grew"),
        (("not seen", 0.0), ("seen", 0.8), "came"),
        (("not seen", 0.0), ("not seen", 0.0), "never"),
        (("doubtful", 0.1), ("not seen", 0.0), "never"),
        (("not seen", 0.0), ("doubtful", 0.1), "unclear"),
        (("look again after the moult", 0.1), ("not seen", 0.02), "unclear"),
        (("look again after the moult", 0.9), ("doubtful", 0.4), "unclear"),
    ],
)
def test_what_became_of_a_sign(before, after, story):
    bird = a_bird()
    entries = [
        entry_with(bird, *YOUNG, 1, (sign(*before),)),
        entry_with(bird, *GROWN, 2, (sign(*after),)),
    ]
    (found,) = sign_stories(entries, {"dull": "A dull mask."})
    assert found.story == story


@pytest.mark.parametrize(
    ("read", "story"), [(("collar", "bib"), "faded"), (("bib",), "unclear"), ((), "unclear")]
)
def test_a_doubt_is_cleared_only_where_the_mark_that_had_it_was_read_again(read, story):
    bird = a_bird()
    was = dataclasses.replace(sign("look again after the moult", 0.9), mark="collar")
    now = dataclasses.replace(sign("not seen", 0.0), mark="bib")
    before, after = (entry_with(bird, *when, n, (s,)) for n, (when, s) in
                     enumerate(((YOUNG, was), (GROWN, now)), 1))  # fmt: skip
    looks = tuple(
        dataclasses.replace(look, marks=tuple(dataclasses.replace(point(), mark=m) for m in read))
        for look in after.observations
    )
    after = dataclasses.replace(after, observations=looks)
    (found,) = sign_stories([before, after], {"dull": "Orange in the collar or bib."})
    assert found.story == story
    assert ("on the collar, which the last look did not read" in found.sentence) == (
        story == "unclear"
    )
    (standing,) = standings([before, after])
    assert standing.disputed == (story == "unclear")


@pytest.mark.parametrize(
    ("compared", "story"), [("forehead face", "faded"), ("forehead", "unclear")]
)
def test_all_marks_that_showed_a_sign_must_be_free_of_it(compared, story):
    bird = a_bird()
    was, now = sign("look again after the moult", 0.9), sign("not seen", 0.0)
    was = dataclasses.replace(
        was, mark="forehead", compared="bib face forehead", there="face forehead"
    )
    now = dataclasses.replace(now, mark="forehead", compared=compared)
    entries = [entry_with(bird, *YOUNG, 1, (was,)), entry_with(bird, *GROWN, 2, (now,))]
    (found,) = sign_stories(entries, {"dull": "A brown mask."})
    assert found.story == story
    assert ("it was on the face, which the last look" in found.sentence) == (story == "unclear")


def test_a_sign_keeps_the_marks_it_was_compared_in_and_those_it_was_in(tables):
    """An orange face and forehead on a bird taken for one with a black mask; a black bib apart."""
    shot = shoot(tables, ORANGE, Question(claimed="personatus"))
    (point,) = (p for p in observation_of(shot, tables).signs if p.there)
    read = {r.mark for r in shot.record.measurement.readings}
    marks = set(tables.signs[point.sign].marks)
    assert set(point.compared.split()) == read & marks
    assert point.mark in point.there.split()
    assert set(point.there.split()) <= set(point.compared.split())


def test_amounts_of_two_marks_are_not_compared():
    bird = a_bird()
    first = dataclasses.replace(sign("seen", 0.2), mark="collar")
    last = dataclasses.replace(sign("seen", 0.8), mark="bib")
    entries = [entry_with(bird, *YOUNG, 1, (first,)), entry_with(bird, *GROWN, 2, (last,))]
    assert sign_stories(entries, {})[0].story == "stayed"


def test_of_two_photos_of_one_day_the_worse_counts():
    bird = a_bird()
    young = entry_with(bird, *YOUNG, 1, (sign("look again after the moult", 0.9),))
    two = entry_with(bird, *GROWN, 2, (sign("seen", 0.9),))
    clean = entry_with(bird, *GROWN, 2, (sign("not seen", 0.0),))
    both = dataclasses.replace(two, observations=(*two.observations, *clean.observations))
    assert sign_stories([young, both], {})[0].story == "stayed"


DAY_STATUSES = (("seen", 0.8), ("not seen", 0.0))


@pytest.mark.parametrize("order", [DAY_STATUSES, DAY_STATUSES[::-1]])
@pytest.mark.parametrize("earlier", [(), (("not seen", 0.0),), (("seen", 0.2),)])
def test_two_readings_of_one_day_disagree_and_are_no_development(order, earlier):
    bird = a_bird()
    entries = [entry_with(bird, *YOUNG, 1, (sign(*said),)) for said in earlier]
    entries += [entry_with(bird, *GROWN, n, (sign(*said),)) for n, said in enumerate(order, 2)]
    (found,) = sign_stories(entries, {"dull": "A dull mask."})
    assert found.story == "unclear"
    assert "two looks of 2026-03-01 disagree" in found.sentence
    (standing,) = standings(entries)
    assert (standing.status, standing.disputed) == ("doubtful", True)


def test_looks_of_one_day_at_different_marks_do_not_disagree():
    """One photo from the side shows the collar, one from the front only the bib."""
    bird = a_bird()
    side = dataclasses.replace(sign("seen", 0.8), mark="collar", compared="collar", there="collar")
    front = dataclasses.replace(sign("not seen", 0.0), mark="bib", compared="bib")
    for points in ((side, front), (front, side)):
        entries = [entry_with(bird, *GROWN, n, (p,)) for n, p in enumerate(points, 1)]
        assert sign_stories(entries, {})[0].story == "stayed"
        assert [(s.status, s.disputed) for s in standings(entries)] == [("seen", False)]


def test_a_sign_that_all_looks_of_a_day_show_still_came_after_the_moult():
    bird = a_bird()
    entries = [entry_with(bird, *YOUNG, 1, (sign("not seen", 0.0),))]
    entries += [entry_with(bird, *GROWN, n, (sign("seen", 0.8),)) for n in (2, 3)]
    assert sign_stories(entries, {})[0].story == "came"


def test_two_readings_of_one_day_are_never_called_a_change():
    bird = a_bird()
    entries = [
        entry_with(bird, *YOUNG, n, marks=(dataclasses.replace(point(), lightness=light),))
        for n, light in ((1, 20.0), (2, 80.0))
    ]
    assert changes(timelines(entries)) == []


def test_a_sign_in_a_young_bird_alone_decides_nothing():
    entries = [entry_with(a_bird(), *YOUNG, 1, (sign("look again after the moult", 0.9),))]
    assert sign_stories(entries, {})[0].story == "unclear"


def test_withdrawn_entries_and_photos_without_a_card_are_left_out_of_the_timeline():
    bird = a_bird()
    good = entry_with(bird, *YOUNG, 1, marks=(point(),))
    struck = dataclasses.replace(
        entry_with(bird, *GROWN, 2, marks=(point(),)), withdrawn="another bird"
    )
    plain = entry_with(bird, *GROWN, 3, marks=(point(calibrated=False),))
    assert [p.number for p in timelines([good, struck, plain])["face"]] == [1]
    assert changes(timelines([good, struck, plain])) == []


def test_entries_of_one_day_keep_the_order_in_which_they_were_saved():
    bird = a_bird()
    second = entry_with(bird, *YOUNG, 8, marks=(point(),))
    first = entry_with(bird, *YOUNG, 3, marks=(point(),))
    assert [p.number for p in timelines([second, first])["face"]] == [3, 8]


def test_painted_patches_that_changed_are_found_and_the_others_are_not(tables):
    bird = a_bird()
    asked = Question(claimed="personatus")
    looks = [
        observation_of(shoot(tables, c, asked, i), tables) for i, c in enumerate((ORANGE, CLEAN))
    ]
    entries = [
        dataclasses.replace(an_entry(bird, day, stage), observations=(look,), number=n)
        for n, ((day, stage), look) in enumerate(zip((YOUNG, GROWN), looks, strict=True), 1)
    ]
    claimed = {(c.mark, c.quantity) for c in changes(timelines(entries)) if c.claimed}
    assert ("collar", "orange") in claimed
    assert not {c for c in claimed if c[0] in ("face", "rump")}


def test_shares_of_dark_and_orange_follow_the_paint(tables):
    look = observation_of(shoot(tables, ORANGE), tables)
    marks = {m.mark: m for m in look.marks}
    assert (marks["face"].dark, marks["face"].orange) == (1, 0)
    assert (marks["collar"].dark, marks["collar"].orange) == (0, 1)
    assert all(m.u_dark >= 0.03 for m in look.marks)


def test_a_young_bird_is_due_when_its_first_moult_is_over(tables):
    bird = a_bird(hatched=date(2025, 4, 1))
    over = first_moult_over(bird, tables)
    # personatus: mature at 10 months (table, from memory).
    assert over == date(2026, 1, 30)
    young = entry_with(bird, date(2025, 6, 1), "young plumage", 1)
    assert look_due(bird, [young], tables) == over
    assert look_due(bird, [], tables) < date(2000, 1, 1)
    grown = entry_with(bird, date(2026, 3, 1), "after first moult", 2)
    assert look_due(bird, [young, grown], tables) is None
    assert look_due(dataclasses.replace(bird, status="dead"), [], tables) is None


def test_a_sign_seen_on_the_grown_bird_is_not_cleared_by_one_look_without_it():
    bird = a_bird()
    entries = [
        entry_with(bird, *YOUNG, 1, (sign("look again after the moult", 0.9),)),
        entry_with(bird, *GROWN, 2, (sign("seen", 0.9),)),
        entry_with(bird, date(2026, 9, 1), "later moult", 3, (sign("not seen", 0.0),)),
    ]
    (found,) = sign_stories(entries, {"dull": "A dull mask."})
    assert found.story == "unclear"
    assert "one look of the grown bird shows it" in found.sentence


def test_a_photo_kept_twice_by_mistake_is_refused_and_a_second_persons_look_is_not(
    tmp_path, tables, clean_shot
):
    with Store(tmp_path) as store:
        bird = store.save(a_bird("Pip"))
        day = date(2025, 6, 1)
        keep_look(store, bird, [clean_shot], tables, day, STAGES[-1], "Wren ")
        with pytest.raises(FieldmarksError, match=r"entry 1: this photo is kept"):
            keep_look(store, bird, [clean_shot], tables, day, STAGES[-1], "Wren")
        keep_look(store, bird, [clean_shot], tables, day, STAGES[-1], "Robin")
        assert [e.measured_by for e in store.entries(bird.id)] == ["Wren", "Robin"]
