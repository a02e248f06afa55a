"""What the browser sends is read with care, and nothing is lost on the way."""

import json
import math
import string
from pathlib import Path

import pytest
import streamlit
from app_page import AppTest
from hypothesis import given
from hypothesis import strategies as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks._util.sanitize import harmless
from fieldmarks.app.marker import component
from fieldmarks.app.marker.component import Board, marker, photo_key, script
from fieldmarks.app.marker.wire import (
    MAX_REGIONS,
    MarkerEvent,
    event_from_wire,
    region_from_wire,
    region_to_wire,
    shape_from_wire,
)
from fieldmarks.app.state import Day
from fieldmarks.measure.region import Ellipse, Line, Polygon, Rectangle, Region, RegionSet, letters
from fieldmarks.pipeline import demo_birds
from fieldmarks.record import Question
from fieldmarks.rules import load_rules

PHOTO = RegionSet("bird.jpg", 4000, 3000, sha256="ab")
numbers = st.floats(-1e5, 1e5)
points = st.tuples(numbers, numbers)
shapes = st.one_of(
    st.lists(points, min_size=3, max_size=40).map(lambda p: Polygon(tuple(p))),
    st.builds(Ellipse, numbers, numbers, numbers, numbers, numbers),
    st.builds(Rectangle, numbers, numbers, numbers, numbers),
    st.builds(Line, points, points),
)


def message(**changes):
    square = {"kind": "polygon", "points": [[1, 1], [9, 1], [9, 9]]}
    region = {"id": "A", "mark": "face", "shape": square, "value": None, "note": ""}
    return {"serial": 5, "kind": "drawn", "regions": [region], "region": "A"} | changes


@given(shape=shapes, value=st.none() | st.floats(0.01, 500), note=st.text(max_size=20))
def test_a_region_comes_back_as_it_went(shape, value, note):
    region = Region("A", "face", shape, value, harmless(note))
    assert region_from_wire(json.loads(json.dumps(region_to_wire(region)))) == region


def test_an_event_keeps_which_photo_it_belongs_to():
    event = event_from_wire(message(), PHOTO)
    assert (event.kind, event.serial, event.region) == ("drawn", 5, "A")
    assert (event.regions.photo, event.regions.width, event.regions.sha256) == (
        "bird.jpg",
        4000,
        "ab",
    )
    assert event.regions.regions[0].shape == Polygon(((1, 1), (9, 1), (9, 9)))


@pytest.mark.parametrize(
    "data",
    [
        None,
        "drawn",
        message(kind="explode"),
        message(regions=None),
        message(regions=[{"id": "A"}]),
        message(regions=message()["regions"] * (MAX_REGIONS + 1)),
        message(regions=[{"id": "A", "mark": "face", "shape": {"kind": "star"}}]),
        message(at=[1]),
        message(at=[1, math.nan]),
        message(serial="soon"),
        message(kind=["drawn"]),
        message(aside=["green"]),
        message(regions=[message()["regions"][0] | {"value": "much"}]),
    ],
)
def test_a_message_that_makes_no_sense_is_refused_in_plain_words(data):
    with pytest.raises(FieldmarksError):
        event_from_wire(data, PHOTO)


@pytest.mark.parametrize(
    "shape",
    [
        {"kind": "polygon", "points": [[0, 0], [1, 1]]},
        {"kind": "polygon", "points": [[0, 0], [1, 1], [math.inf, 2]]},
        {"kind": "polygon", "points": [[0, 0], [1, 1], ["x", 2]]},
        {"kind": "ellipse", "cx": 1, "cy": 2, "rx": 3},
        {"kind": "line", "points": [[0, 0]]},
        {},
        None,
    ],
)
def test_a_shape_with_missing_or_wild_numbers_is_refused(shape):
    with pytest.raises(FieldmarksError, match="outline cannot be read"):
        shape_from_wire(shape, "region 'A'")


def test_what_is_said_beside_a_drawing_is_short_text_only():
    many = {f"word {n}": n for n in range(50)} | {"0": "x" * 5000}
    aside = event_from_wire(message(kind="recalled", aside=many), PHOTO).aside
    assert len(aside) <= 8
    assert all(isinstance(v, str) and len(v) <= 80 for v in aside.values())
    assert event_from_wire(message(), PHOTO).aside == {}


def test_a_question_put_back_is_one_the_tables_know_and_never_replaces_a_newer_one():
    path = demo_birds()["personatus_clean"]
    work = Day(load_rules()).open(path.read_bytes(), path.name)
    said = {"claimed": "dodo", "variety": "green", "age": "young", "seed": "7"}
    work.handle(MarkerEvent(1, "recalled", work.regions, aside=said))
    assert work.day.question == Question(age="young")
    work.handle(MarkerEvent(2, "recalled", work.regions, aside=said | {"claimed": "fischeri"}))
    assert work.day.question == Question(age="young"), "it was asked since"


def test_a_message_that_cannot_be_read_changes_nothing(monkeypatch):
    """The run that follows the callback tells it, where the page can show it."""
    state, mounted, heard = {}, {}, []
    monkeypatch.setattr(streamlit, "session_state", state)
    monkeypatch.setattr(component, "address_of", lambda jpeg, key: "/media/x.jpg")
    monkeypatch.setattr(component, "_mounted", lambda: lambda **given: mounted.update(given))
    board = Board(jpeg=b"a photo", regions=PHOTO, marks=[], current="face")
    for kind, told in (("explode", []), ("drawn", ["drawn"])):
        marker(board, "board", heard.append)
        state["board"] = {"event": message(kind=kind, photo=photo_key(board.jpeg))}
        mounted["on_event_change"]()
        assert [event.kind for event in heard] == told
        if kind == "explode":
            with pytest.raises(FieldmarksError, match="a message was not understood"):
                marker(board, "board", heard.append)
    late = message(kind="skipped", serial=10**6)
    known = {"photo": photo_key(board.jpeg), "missed": [message(), late]}
    state["board"] = {"event": message(serial=10**6 + 1, **known)}
    mounted["on_event_change"]()
    assert [event.kind for event in heard] == ["drawn", "skipped", "drawn"], "each of them once"
    del heard[1:]
    state["board"] = {"event": message(photo="another")}
    mounted["on_event_change"]()
    assert len(heard) == 1


def test_letters_stay_with_their_regions():
    line = Line((0, 0), (1, 1))
    regions = [Region(i, "face", line) for i in ("B", "x-17", "card", "D")]
    assert letters(regions) == {"B": "B", "x-17": "A", "card": "C", "D": "D"}


@given(st.lists(st.text(string.ascii_letters, min_size=1, max_size=3), unique=True, max_size=60))
def test_no_two_regions_share_a_letter(ids):
    given_letters = letters([Region(i, "face", Line((0, 0), (1, 1))) for i in ids])
    assert len(set(given_letters.values())) == len(ids)


def test_the_files_for_the_browser_join_to_one_script():
    joined = script()
    assert "import " not in joined.replace("important", "")
    assert joined.count("export ") == joined.count("export default") == 1


def test_a_page_with_the_drawing_can_be_tried_without_a_browser():
    page = Path(__file__).parent / "browser" / "marker_page.py"
    tried = AppTest.from_file(str(page), default_timeout=60).run()
    assert not tried.exception
    assert json.loads(tried.code[0].value)["events"] == []
