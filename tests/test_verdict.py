"""The verdict in few words: what it names, what it counts, and what it must not say.

Painted demo birds only show how findings are put into words; they say nothing about real birds.
"""

import base64
import dataclasses
import io
import itertools
from functools import cache

import numpy as np
import pytest
from PIL import Image

from fieldmarks.app.findings import crop_of
from fieldmarks.app.marker.wire import MarkerEvent
from fieldmarks.app.state import open_demo
from fieldmarks.judge.conclusion import Standing
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure.region import Ellipse, Line, Rectangle, Region, vertices
from fieldmarks.pipeline import demo_birds
from fieldmarks.report.verdict import verdict_of
from fieldmarks.rules import load_rules

RULES = load_rules()


@cache
def record_of(bird):
    return open_demo(RULES, demo_birds()[bird], with_regions=True).record


def opened(bird):
    return open_demo(RULES, demo_birds()[bird], with_regions=False)


def with_standing(record, *shares):
    conclusion = dataclasses.replace(
        record.assessment.conclusion,
        standing=tuple(Standing(kind, share, shares[0][1] / share) for kind, share in shares),
    )
    assessment = dataclasses.replace(record.assessment, conclusion=conclusion)
    return dataclasses.replace(record, assessment=assessment)


def test_signs_are_counted_shown_where_they_are_and_speak_against_what_it_is_sold_as():
    found = verdict_of(record_of("personatus_orange_collar"), RULES)
    assert (found.tone, found.headline) == ("bad", "Signs of mixed ancestry: 2")
    assert found.sold_as.startswith("Sold as yellow-collared lovebird: does not match")
    collar = next(r for r in found.reasons if r.mark == "collar")
    assert collar.read is not None
    # The orange that decides, not the yellow of most of the collar: its hue angle is under 70.
    assert 0 < collar.read[2] < 2.7 * collar.read[1]
    assert len(found.reasons) <= 2


def test_the_picture_beside_a_reason_shows_every_outline_whose_pixels_were_read():
    work = opened("personatus_clean")
    scale = work.photo.width / work.screen_pixels.shape[1]
    work.screen_pixels = np.full_like(work.screen_pixels, 128)
    spots = {(255, 0, 0): 100, (0, 0, 255): 400}
    drawn = []
    for colour, x in spots.items():
        work.screen_pixels[100:160, x : x + 60] = colour
        shape = Rectangle(x * scale, 100 * scale, 60 * scale, 60 * scale)
        drawn.append(Region(f"R{x}", "rump", shape))
    work.regions = work.regions.with_regions(drawn)
    jpeg = base64.b64decode(crop_of(work, "rump").partition(",")[2])
    shown = np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB")).astype(int)
    for colour in spots:
        assert (abs(shown - colour).max(axis=2) < 40).any()
    assert crop_of(work, "collar") == ""


def test_a_clean_bird_says_how_many_signs_were_looked_at():
    found = verdict_of(record_of("personatus_clean"), RULES)
    assert found.tone == "good"
    assert found.headline.startswith("No sign seen, ")
    assert " looked at" in found.headline
    assert "yellow-collared lovebird" in found.kind


def test_a_bird_of_which_few_signs_were_looked_at_is_not_shown_as_free_of_them():
    record = record_of("personatus_clean")
    seen = itertools.count()

    def left(sign):
        fewer = sign.status is SignStatus.NOT_SEEN and next(seen) >= 2
        return dataclasses.replace(sign, status=SignStatus.NOT_LOOKED_AT) if fewer else sign

    signs = tuple(map(left, record.assessment.signs))
    fewer = dataclasses.replace(record.assessment, signs=signs)
    found = verdict_of(dataclasses.replace(record, assessment=fewer), RULES)
    assert (found.tone, found.headline) == ("soft", "No sign seen yet: 2 of 10 looked at")


@pytest.mark.parametrize(
    ("shares", "named"),
    [
        (((("personatus",), 0.9), (("fischeri",), 0.1)), True),
        (((("personatus",), 0.49), (("fischeri",), 0.48)), False),
        (((("personatus",), 0.4), (("fischeri", "personatus"), 0.35)), False),
    ],
)
def test_a_species_less_likely_than_not_is_never_named(shares, named):
    found = verdict_of(with_standing(record_of("personatus_clean"), *shares), RULES)
    assert ("yellow-collared" in found.kind) == named


def test_nothing_marked_says_so_and_names_nothing():
    found = verdict_of(opened("personatus_clean").record, RULES)
    assert (found.tone, found.headline) == ("soft", "Nothing marked yet")
    assert (found.kind, found.sold_as, found.tally, found.reasons) == ("", "", "", ())


def test_common_names_only():
    for bird in ("personatus_orange_collar", "fischeri_clean", "nigrigenis_blue_rump"):
        found = verdict_of(record_of(bird), RULES)
        said = " ".join((found.headline, found.kind, found.sold_as, found.tally))
        assert not any(species in said for species in RULES.species)


# ---- what the workbench asks for


def draw(work, mark, shape, name, kind="drawn", next_mark=""):
    regions = work.regions.with_regions((*work.regions.regions, Region(name, mark, shape)))
    work.handle(MarkerEvent(1, kind, regions, name, mark, next=next_mark))


def test_without_a_card_in_the_photo_the_first_mark_is_asked_for_at_once():
    work = opened("fischeri_no_card")
    assert work.suggestion is None
    assert work.mark != "card"
    assert "card" not in work.coming


def test_a_card_found_in_the_photo_is_asked_about_and_counts_only_once_it_is_kept():
    work = opened("personatus_clean")
    assert (work.suggestion, work.mark) == (None, "card")
    work.handle(MarkerEvent(1, "taps", work.regions, taps={}))
    assert work.suggestion is not None
    assert work.suggestion.mark == "card"
    assert not work.has_card
    draw(work, "card", work.suggestion.shape, "A", "kept", "rump")
    assert work.has_card
    assert work.mark == "rump"


def test_the_mark_the_drawing_goes_on_to_is_the_one_asked_for():
    work = opened("personatus_clean")
    first, second = [mark for mark in work.coming if mark != "card"][:2]
    work.handle(MarkerEvent(1, "picked", work.regions, mark=first, next=first))
    assert work.mark == first
    draw(work, first, Ellipse(700, 300, 60, 60), "A", next_mark=second)
    assert work.mark == second
    assert first not in work.coming


def test_a_mark_passed_over_is_not_asked_for_again():
    work = opened("fischeri_no_card")
    passed = work.mark
    work.handle(MarkerEvent(1, "skipped", work.regions, mark=passed, next=work.coming[1]))
    assert passed not in work.coming


def test_no_length_is_asked_for_or_read_before_a_scale_has_its_millimetres():
    work = opened("fischeri_no_card")
    assert "body_length" not in work.coming
    draw(work, "scale", Line((10, 10), (300, 10)), "A")
    draw(work, "body_length", Line((400, 300), (900, 900)), "B")
    assert work.problem == ""
    assert not any(r.key == "size" for r in work.record.measurement.relations)


def test_outlines_of_one_mark_that_look_unlike_are_asked_about():
    record = record_of("personatus_clean")
    shapes = {r.mark: r.shape for r in record.measurement.regions.regions}
    for other, unlike in (("rump", True), ("face", False)):
        work = opened("personatus_clean")
        draw(work, "forehead", shapes["forehead"], "A")
        draw(work, "forehead", shapes[other], "B")
        assert ("look unlike" in work.note) == unlike, other


def test_three_taps_offer_outlines_and_no_eye_offers_none():
    record = record_of("personatus_clean")
    shapes = {r.mark: r.shape for r in record.measurement.regions.regions}
    eye = shapes["pupil"]
    work = opened("personatus_clean")
    assert work.taps_asked
    work.handle(MarkerEvent(1, "taps", work.regions, taps={"eye": (eye.cx, eye.cy)}))
    assert not work.taps_asked
    assert {"card", "iris", "eye_ring"} <= {offer.mark for offer in work.offers}
    card = work.offers[0]
    assert card.mark == "card", "asked about with the others"
    kept = work.regions.with_regions([Region("A", card.mark, card.shape)])
    other = opened("personatus_clean")
    other.handle(MarkerEvent(1, "taps", other.regions, taps={"eye": (eye.cx, eye.cy)}))
    asked = {offer.mark: (offer.sure, offer.likely) for offer in other.offers}
    assert asked["collar"] == ("all of it?", False), "a sign is looked for in the whole of it"
    other.handle(MarkerEvent(2, "kept", kept, "A", "card"))
    assert other.has_card
    left = [RULES.marks[mark].name for mark in other.coming]
    assert other.note.startswith(f"Kept. Draw by hand what is in sight: {left[0]}")
    assert not work.record.measurement.readings, "an offer is not a reading"
    other = opened("personatus_clean")
    other.handle(MarkerEvent(1, "taps", other.regions, taps={}))
    assert other.offers == ()


def test_a_proposed_core_gives_no_width_so_that_taps_on_a_clean_bird_show_no_thin_eye_ring():
    record = record_of("personatus_clean")
    shapes = {r.mark: r.shape for r in record.measurement.regions.regions}
    eye, tip = shapes["pupil"], vertices(shapes["beak_tip"]).mean(axis=0)
    work = opened("personatus_clean")
    taps = {"eye": (eye.cx, eye.cy), "beak_tip": tuple(tip)}
    work.handle(MarkerEvent(1, "taps", work.regions, taps=taps))
    kept = [Region(f"Q{n}", o.mark, o.shape, None, o.note) for n, o in enumerate(work.offers)]
    work.handle(MarkerEvent(2, "kept", work.regions.with_regions(kept), "Q0", kept[0].mark))
    assert {"eye_ring", "iris"} <= {r.mark for r in work.record.measurement.readings}
    assert not any(r.kind == "ring" for r in work.record.measurement.relations)
    assert not any("eye ring" in reason.text.lower() for reason in work.day.verdict.reasons)
    # Drawn to its border by the keeper, it has a width.
    ring = next(r for r in work.regions.regions if r.mark == "eye_ring")
    whole = dataclasses.replace(ring, shape=shapes["eye_ring"])
    drawn = [whole if r.id == ring.id else r for r in work.regions.regions]
    work.handle(MarkerEvent(3, "reshaped", work.regions.with_regions(drawn), ring.id, "eye_ring"))
    assert any(r.kind == "ring" for r in work.record.measurement.relations)
