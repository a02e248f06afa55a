"""Photos of one bird on one day on the workbench: one verdict, nothing lost, nothing twice.

The birds are painted: they prove what the app does with photos, not what feathers look like.
"""

import functools
import io
from dataclasses import replace

import pytest
from PIL import Image
from together import SIDES, SWAPPED

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.marker.component import photo_key
from fieldmarks.app.marker.wire import MarkerEvent
from fieldmarks.app.state import Day
from fieldmarks.measure.region import RegionSet
from fieldmarks.measure.region_file import read_region_file
from fieldmarks.pipeline import demo_birds, region_file_of
from fieldmarks.record import Examination
from fieldmarks.rules import load_rules

TABLES = load_rules()
BIRD = demo_birds()["personatus_orange_collar"]
CLEAN = demo_birds()["personatus_clean"]
REGIONS = read_region_file(region_file_of(BIRD)).regions


@functools.cache
def photograph(gain=(1.0, 1.0, 1.0), like=BIRD):
    """The painted bird under another light, as the bytes of a photo file."""
    with Image.open(like) as image:
        shown = image.convert("RGB").point(
            [min(255, round(v * g)) for g in gain for v in range(256)]
        )
    out = io.BytesIO()
    shown.save(out, "JPEG", quality=95)
    return out.getvalue()


LIGHTS = {"front": (0.97, 0.96, 0.95), "side": (0.9, 0.93, 0.95), "back": (0.85, 0.85, 0.88)}


def draw(work, marks, moved=None, of=REGIONS):
    """Give a photo its card and some marks, as the browser does."""
    wanted = {"card", *marks}
    drawn = [r for r in of if r.mark in wanted]
    if moved:
        drawn = [replace(r, mark=moved.get(r.mark, r.mark)) for r in drawn]
    event = MarkerEvent(1, "drawn", work.regions.with_regions(drawn), drawn[-1].id, drawn[-1].mark)
    work.handle(event)


def opened(bird=BIRD, count=3):
    day, lights = Day(TABLES), [*LIGHTS.items()][:count]
    return [day.open(photograph(gain, bird), f"{name}.jpg") for name, gain in lights]


def said(work):
    conclusion = work.day.judged.assessment.conclusion
    return conclusion.outcome, conclusion.candidates, work.day.verdict.headline


@pytest.fixture(scope="module")
def whole():
    work = Day(TABLES).open(photograph(LIGHTS["front"]), "front.jpg")
    draw(work, [r.mark for r in REGIONS])
    return said(work)


def test_three_sides_that_each_lack_marks_give_the_verdict_of_the_complete_bird(whole):
    photos = opened()
    alone = []
    for work, marks in zip(photos, SIDES.values(), strict=True):
        draw(work, marks)
        conclusion = work.record.assessment.conclusion
        alone.append((conclusion.outcome, conclusion.candidates))
    assert said(photos[0]) == whole
    assert any(one != whole[:2] for one in alone)
    assert isinstance(photos[0].day.judged, Examination)
    reason = photos[0].day.verdict.reasons[0]
    assert (reason.mark, reason.photo) == ("collar", "side.jpg")


def test_one_bad_photo_of_three_does_not_turn_it_and_can_be_taken_out():
    photos = opened(CLEAN)
    regions = read_region_file(region_file_of(CLEAN)).regions
    every = [r.mark for r in regions]
    draw(photos[0], every, of=regions)
    wanted = said(photos[0])[:2]
    assert wanted == ("one species left", ("personatus",))
    draw(photos[1], every, of=regions)
    draw(photos[2], every, moved=SWAPPED, of=regions)
    bad = photos[2].record.assessment.conclusion
    assert (bad.outcome, bad.candidates) != wanted, "the bad photo alone would have turned it"
    assert said(photos[0])[:2] == wanted
    assert any("back.jpg" in line for line in photos[0].day.verdict.apart)
    rest = photos[2].take_out()
    assert rest is photos[0]
    assert not any("back.jpg" in line for line in rest.day.verdict.apart)
    assert said(rest)[:2] == wanted


def test_what_is_asked_is_asked_of_all_photos_and_each_keeps_its_own_marks():
    photos = opened(count=2)
    draw(photos[0], ["face"])
    draw(photos[1], ["rump"])
    photos[1].day.ask(claimed="nigrigenis")
    assert {work.record.question.claimed for work in photos} == {"nigrigenis"}
    assert photos[0].day.judged is photos[1].day.judged
    assert set(photos[0].record.readings) == {"face"}
    assert set(photos[1].record.readings) == {"rump"}


def test_a_photo_is_taken_once_and_namesakes_get_names_of_their_own():
    day = Day(TABLES)
    first = day.open(photograph(LIGHTS["front"]), "image.jpg")
    second = day.open(photograph(LIGHTS["side"]), "image.jpg")
    assert (second.photo.name, second.given) == ("image (2).jpg", "image.jpg")
    with pytest.raises(FieldmarksError, match=r"image\.jpg.*here already"):
        day.open(photograph(LIGHTS["side"]), "image.jpg")
    with pytest.raises(FieldmarksError):
        day.open(b"no photo", "torn.jpg")
    assert day.photos == [first, second]


def test_what_was_drawn_on_the_other_photos_is_put_back_with_that_of_the_first():
    photos = opened(count=2)
    draw(photos[0], ["face"])
    draw(photos[1], ["rump"])
    before = said(photos[0])
    again = opened(count=2)
    other = RegionSet("", 0, 0, photos[1].regions.regions)
    event = MarkerEvent(
        1, "recalled", again[0].regions.with_regions(photos[0].regions.regions),
        others={photo_key(again[1].screen_jpeg): other, "unknown": other},
    )  # fmt: skip
    again[0].handle(event)
    assert again[1].regions.regions == photos[1].regions.regions
    assert said(again[0]) == before
