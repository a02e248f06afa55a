"""The whole job in the app, as a keeper does it, in a real Chromium."""

import html
import itertools
import re

import pytest
from barriers import violations, violations_in_both_themes
from playwright.sync_api import expect
from screen import LAPTOP, PHONE, settle
from test_record import COLLAR, save_bird

from fieldmarks.measure.region import Ellipse, Rectangle


def shapes(regions):
    return {r.mark: r.shape for r in regions.regions}


def test_a_demo_bird_is_marked_by_mouse_and_its_signs_are_found(at_laptop, tmp_path):
    keeper = at_laptop
    drawn = shapes(keeper.open_demo("personatus_orange_collar"))
    keeper.mark("card", drawn["card"])
    assert keeper.page.get_by_text("tint of the light removed").count() == 1
    for mark in ("face", "collar", "rump"):
        keeper.mark(mark, drawn[mark])
    assert set(keeper.readings()) == {"face", "collar", "rump"}
    assert "Signs of mixed ancestry" in keeper.headline
    assert "Orange in the collar" in keeper.verdict
    # A wrong mark is put right: the region just drawn is renamed to back, and undone to rump.
    before = keeper.verdict
    keeper.page.locator(".chosen select").select_option("back")
    keeper.settle()
    assert "back" in keeper.readings()
    keeper.board.tool("Undo")
    keeper.settle()
    assert set(keeper.readings()) == {"face", "collar", "rump"}
    assert keeper.verdict == before
    # The report and the region file are taken away; the file gives the same numbers again.
    numbers = keeper.readings()
    page = keeper.download("Report to read", tmp_path).read_text(encoding="utf-8")
    words = html.unescape(re.sub(r"<[^>]+>", "", page))
    assert "orange in the collar" in words
    assert keeper.download("Report to print", tmp_path).read_bytes().startswith(b"%PDF")
    regions = keeper.download("Regions", tmp_path)
    keeper.begin()
    keeper.open_demo("personatus_orange_collar")
    keeper.page.get_by_text("Open a region file").click()
    keeper.page.locator("input[type=file]").last.set_input_files(regions)
    keeper.page.get_by_role("button", name="Use its regions").click()
    keeper.settle()
    assert keeper.readings() == numbers


def test_work_is_found_again_after_another_page_and_after_another_photo(at_laptop):
    keeper = at_laptop
    drawn = shapes(keeper.open_demo("personatus_orange_collar"))
    keeper.mark("face", drawn["face"])
    readings, size = keeper.readings(), keeper.board.stage.bounding_box()
    for leave, back in (
        (("link", "Your birds"), ("link", "Look at a bird")),
        (("button", "← Another bird"), ("button", "← Back to")),
    ):
        keeper.page.get_by_role(leave[0], name=leave[1]).first.click()
        keeper.settle()
        keeper.page.get_by_role(back[0], name=back[1]).first.click()
        keeper.settle()
        assert keeper.readings() == readings
        again = keeper.board.stage.bounding_box()
        assert (again["width"], again["height"]) == (size["width"], size["height"])
    # Drawing goes on where it stopped.
    keeper.mark("collar", drawn["collar"])
    assert set(keeper.readings()) == {"face", "collar"}


def test_a_photo_of_ones_own_is_measured_and_all_put_back_after_loading_anew(at_laptop, tmp_path):
    keeper, photo = at_laptop, save_bird(tmp_path, "mine")
    keeper.measure_by_hand(photo, (600, 400))
    keeper.mark("card", Rectangle(25, 25, 70, 70))
    keeper.mark("collar", Ellipse(COLLAR.cx, COLLAR.cy, 34, 34))
    # The scene was made with this colour (CIELAB, D65): see save_bird. JPEG rounds by a unit.
    shown = [float(v) for v in re.findall(r"\* (-?\d+)", keeper.readings()["collar"])]
    assert shown == pytest.approx((80, 2, 70), abs=1.5)
    keeper.tab("The bird")
    said_to_be = keeper.page.get_by_role("combobox", name=re.compile("said to be"))
    said_to_be.click()
    keeper.page.get_by_role("option", name=re.compile("Fischer")).click()
    keeper.settle()
    young = keeper.page.get_by_role("radio").nth(0)
    assert not young.is_checked()
    young.locator("xpath=ancestor::label").click()
    looked_at_as = keeper.page.locator(".fm-verdict")
    expect(looked_at_as).to_contain_text("young, before the first moult", timeout=60_000)
    keeper.settle()
    readings = keeper.readings()
    kept = "Object.values(localStorage).some(text => text.includes('\"young\"'))"
    keeper.page.wait_for_function(kept, timeout=60_000)
    keeper.page.reload()
    keeper.upload(photo, (600, 400))
    keeper._drawing_ready()
    keeper.board.tool("Put back")
    keeper.settle()
    assert "Sold as Fischer's lovebird" in keeper.verdict
    assert keeper.readings() == readings
    keeper.tab("The bird")
    assert "Fischer" in said_to_be.input_value()
    expect(young).to_be_checked()
    keeper.settle()
    assert "Sold as Fischer's lovebird" in keeper.verdict, "the fields did not undo it"


def test_a_demo_bird_is_marked_with_a_finger(at_phone):
    keeper = at_phone
    drawn = shapes(keeper.open_demo("nigrigenis_blue_rump"))
    for mark in ("card", "face", "rump"):
        keeper.mark(mark, drawn[mark])
    assert set(keeper.readings()) == {"face", "rump"}
    assert keeper.page.get_by_text("tint of the light removed").count() == 1


def test_a_file_that_is_no_photo_gets_one_line(at_start, tmp_path):
    for name, content, words in (
        ("text.jpg", b"not a photo, but words", "this is not a photo, whatever its name says"),
        ("empty.jpg", b"", "empty"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        at_start.upload(path, (1, 1))
        alert = at_start.page.get_by_role("alert").filter(has_text=words)
        alert.first.wait_for(timeout=20_000)
        assert at_start.page.get_by_text("Traceback").count() == 0


def test_without_a_card_the_marks_are_asked_for_at_once_and_judged_without_fine_tints(at_start):
    keeper = at_start
    drawn = shapes(keeper.open_demo("fischeri_no_card"))
    keeper.mark("face", drawn["face"])
    assert keeper.page.get_by_text("No grey card: fine tints are not counted").count() == 1
    for mark in ("back", "rump"):
        keeper.mark(mark, drawn[mark])
    assert "no grey card" in keeper.readings()["rump"]
    # Common practice, no published source: these two have a rump like the back.
    assert "black-cheeked" not in keeper.verdict
    assert "Lilian" not in keeper.verdict


def test_a_card_in_shadow_is_refused_in_plain_words(at_start):
    keeper = at_start
    drawn = shapes(keeper.open_demo("personatus_card_in_shadow"))
    keeper.mark("card", drawn["card"])
    alert = keeper.page.get_by_role("alert").filter(has_text="The card cannot be used")
    assert "shadow" in alert.inner_text()


def test_a_region_drawn_off_the_edge_stays_on_the_photo(at_start):
    keeper = at_start
    keeper.open_demo("fischeri_clean")
    keeper.pick("belly")
    keeper.draw(Ellipse(40, 1200, 200, 300))
    keeper.settle()
    assert "left the photo" in keeper.board.note
    assert list(keeper.readings()) == ["belly"]


def test_no_serious_barrier_is_found_by_axe(at_laptop, tmp_path):
    keeper, page, found = at_laptop, at_laptop.page, []
    orders = itertools.cycle(([LAPTOP, PHONE], [PHONE, LAPTOP]))

    def look(within=None):
        """At both sizes; at one in both themes: colours are the same at any size."""
        for size in next(orders):
            page.set_viewport_size({"width": size[0], "height": size[1]})
            settle(page, looks=1)
            found.extend((violations_in_both_themes if size == PHONE else violations)(page, within))

    look()
    keeper.open_demo("fischeri_clean", by_hand=False)
    look()
    keeper.begin()
    keeper.open_demo("fischeri_clean", with_marks=True)
    look()
    # The first tab, Details, was open.
    for tab in ("The bird", "Take away", "Keep in mind", "Words"):
        keeper.tab(tab)
        look("[role=tabpanel]")
    page.locator(".st-key-more_photos input[type=file]").set_input_files(
        save_bird(tmp_path, "side")
    )
    page.get_by_role("radio", name=re.compile("^2 side")).wait_for(timeout=30_000)
    keeper.settle()
    look(".st-key-photo_side")
    assert page.viewport_size["width"] == LAPTOP[0], "as the next test wants it"
    serious = {
        " ".join(
            [rule.get("theme", ""), rule["id"], node["html"][:160], node["failureSummary"][:200]]
        )
        for rule in found
        if rule["impact"] in ("serious", "critical")
        for node in rule["nodes"]
    }
    assert not serious, "\n".join(sorted(serious))
