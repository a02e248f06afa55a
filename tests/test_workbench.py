"""What a keeper has set on the workbench stays set, without a browser."""

import dataclasses
import html
import json
import re
from pathlib import Path

import pytest
from app_page import AppTest
from test_phone_profile import chart_tiles, phone_photo, tile
from test_record import save_bird

from fieldmarks.app.marker.wire import MarkerEvent
from fieldmarks.app.page import SHOP
from fieldmarks.app.state import open_demo
from fieldmarks.measure import phone_profile
from fieldmarks.measure.chart import calibrate_with_chart
from fieldmarks.measure.region import Line, Region
from fieldmarks.measure.region_file import to_annotations
from fieldmarks.pipeline import demo_birds, demo_question
from fieldmarks.record import Question
from fieldmarks.rules import load_rules

APP = Path(__file__).parents[1] / "app.py"
BIRD = "personatus_clean"


@pytest.fixture
def page():
    page = AppTest.from_file(str(APP), default_timeout=180).run()
    page = page.button(key=f"demo_full_{BIRD}").click().run()
    assert not page.exception
    return page


def test_while_the_photo_asks_for_taps_nothing_else_asks_for_anything():
    page = AppTest.from_file(str(APP), default_timeout=180).run()
    page = page.button(key=f"demo_{BIRD}").click().run()
    work = page.session_state.work
    assert work.taps_asked
    assert not any(button.key == "next" for button in page.button)
    work.handle(MarkerEvent(1, "taps", work.regions, taps={}))  # to be drawn by hand
    page = page.run()
    assert not page.exception
    assert any(button.key == "next" for button in page.button)


@pytest.fixture
def kept_phone(tmp_path, monkeypatch):
    monkeypatch.setattr(phone_profile, "profile_folder", lambda: tmp_path)
    photo, _ = phone_photo()
    calibration = calibrate_with_chart(photo, [tile(24)], chart_tiles())
    phone_profile.save_profile(phone_profile.make_profile("my phone", photo, calibration))


def collar(page):
    readings = page.session_state.work.record.measurement.readings
    return next(r.lab for r in readings if r.mark == "collar")


def test_the_phone_chosen_is_still_chosen_after_looking_at_something_else(kept_phone, page):
    plain = collar(page)
    phone = next(s for s in page.selectbox if "phone" in s.label)
    page = phone.set_value("my phone").run()
    assert page.session_state.work.phone.name == "my phone"
    corrected = collar(page)
    assert corrected != plain
    page = page.button(key="another").click().run()
    page = page.button(key="go_back").click().run()
    assert not page.exception
    assert page.session_state.work.phone.name == "my phone"
    assert collar(page) == corrected
    phone = next(s for s in page.selectbox if "phone" in s.label)
    page = phone.set_value("no").run()
    assert collar(page) == plain


def test_the_card_of_a_region_file_is_not_overwritten_by_the_field_shown_before(page):
    work = page.session_state.work
    white = (
        dataclasses.replace(r, value=0.9) if r.mark == "card" else r for r in work.regions.regions
    )
    text = json.dumps(to_annotations(work.regions.with_regions(white)))
    work.open_regions(text, "saved.regions.json")
    page = page.run()
    assert not page.exception
    (card,) = page.session_state.work.regions.of("card")
    assert card.value == 0.9
    kind = next(s for s in page.selectbox if s.label == "Which card is it?")
    assert "white card" in kind.value
    page = kind.set_value("18 % grey card").run()
    assert page.session_state.work.regions.of("card")[0].value == 0.18


def test_what_a_demo_bird_was_said_to_be_is_put_back_too():
    path = demo_birds()[BIRD]
    work = open_demo(load_rules(), path, with_regions=False)
    assert work.day.question == demo_question(path)[0]
    said = {"claimed": "fischeri", "variety": "blue", "age": "young"}
    own = work.own
    work.handle(MarkerEvent(1, "recalled", work.regions, aside=said))
    assert work.said == said
    assert work.own != own, "the fields start anew"


def test_a_wrong_variety_is_said_under_the_verdict_and_mended_with_one_press(page):
    work = page.session_state.work
    right = work.day.question.variety
    work.say(variety="lutino" if "lutino" in work.tables.varieties else "ino")
    page = page.run()
    verdict = next(h.value for h in page.get("html") if "fm-verdict" in h.value)
    assert "Looked at as ino" in verdict
    button = next(b for b in page.button if b.label.startswith("Look at it as"))
    assert any("look more like" in i.value for i in page.info)
    page = button.click().run()
    assert not page.exception
    assert page.session_state.work.day.question.variety == right
    assert not any(b.label.startswith("Look at it as") for b in page.button)


def test_the_verdict_follows_what_the_bird_is_said_to_be_at_once(page):
    def verdict():
        return next(h.value for h in page.get("html") if "fm-verdict" in h.value)

    assert "Sold as" not in verdict()
    page.session_state.section = "The bird"
    page = page.run()
    field = next(s for s in page.selectbox if s.label == "What is it said to be?")
    page = field.set_value("fischeri").run()
    assert not page.exception
    assert "<p>Sold as Fischer's lovebird: does not match" in html.unescape(verdict())
    headline = re.search("<h2>(.+)</h2>", verdict())[1]
    assert headline.endswith("Not what it is sold as")


def test_what_was_said_before_buying_goes_to_the_next_photo_and_can_be_taken_back(tmp_path):
    asked = Question(variety="blue", age="young", claimed="fischeri")
    for take_back in (False, True):
        page = AppTest.from_file(str(APP), default_timeout=180)
        page.session_state[SHOP] = asked
        page = page.run()
        assert any("for your next photo: sold as" in i.value for i in page.info)
        if take_back:
            page = page.button(key="other_bird").click().run()
            assert not any("your next photo" in i.value for i in page.info)
        path = save_bird(tmp_path)
        page = (
            page.file_uploader(key="photo_file")
            .upload(path.name, path.read_bytes(), "image/jpeg")
            .run()
        )
        assert not page.exception
        assert page.session_state.work.day.question == (Question() if take_back else asked)
        assert SHOP not in page.session_state


def test_a_scale_has_no_length_before_one_is_typed(page):
    work = page.session_state.work
    scale = Region("Z", "scale", Line((10, 10), (300, 10)))
    work.handle(MarkerEvent(1, "drawn", work.regions.with_regions([scale]), "Z", "scale"))
    page = page.run()
    assert not page.exception
    field = next(n for n in page.number_input if "millimetres" in n.label)
    assert field.value is None
    page = field.set_value(50.0).run()
    assert page.session_state.work.regions.of("scale")[0].value == 50.0
