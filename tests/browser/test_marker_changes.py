"""Changing regions and taking proposed outlines, in a real Chromium."""

import pytest
from drawing import EYE_RING, FACE, HEIGHT, RING_TAP, WIDTH, ring

from fieldmarks.measure.region import (
    area,
    overlap,
    vertices,
)

# ---- changing


def test_a_corner_is_moved_with_the_mouse_and_the_others_stay(with_square):
    board = with_square
    (before,) = board.after("drawn")
    corner = max(before.shape.points, key=sum)
    board.screen.drag(board.path(corner, (1950, 1150), (2100, 1300)))
    (after,) = board.after("reshaped")
    index = before.shape.points.index(corner)
    assert after.shape.points[index] == pytest.approx((2100, 1300), abs=1 / board.scale)
    rest = [p for i, p in enumerate(after.shape.points) if i != index]
    assert rest == [p for i, p in enumerate(before.shape.points) if i != index]


def test_a_corner_is_added_on_a_side_and_removed_again(with_square):
    board = with_square
    (before,) = board.after("drawn")
    x0, y0 = vertices(before.shape).min(axis=0)
    x1, _ = vertices(before.shape).max(axis=0)
    board.screen.drag(board.path(((x0 + x1) / 2, y0), (1700, 600), (1700, 500)))
    (more,) = board.after("reshaped")
    assert len(more.shape.points) == 5
    assert any(p == pytest.approx((1700, 500), abs=1 / board.scale) for p in more.shape.points)
    board.page.mouse.click(*board.at(1700, 500))
    board.tool("Remove corner")
    (less,) = board.after("reshaped", 2)
    assert less.shape.points == before.shape.points


def test_a_corner_dragged_across_the_outline_is_refused(with_square):
    board = with_square
    (before,) = board.after("drawn")
    corner = max(before.shape.points, key=sum)
    board.screen.drag(board.path(corner, (1700, 900), (1300, 800)))
    board.page.wait_for_timeout(400)
    assert "crosses itself" in board.note
    assert "reshaped" not in board.kinds()
    assert board.outline()["width"] == pytest.approx(400 * board.scale, abs=2)
    assert board.after("drawn") == [before]


def test_a_region_is_moved_and_stops_at_the_edge(with_square):
    board = with_square
    (before,) = board.after("drawn")
    board.screen.drag(board.path((1700, 900), (1800, 1000), (2200, 1700)))
    (after,) = board.after("moved")
    shift = vertices(after.shape) - vertices(before.shape)
    assert abs(shift - shift[0]).max() < 0.02
    assert shift[0] == pytest.approx((500, 800), abs=1 / board.scale)
    board.screen.drag(board.path((2200, 1700), (3000, 1700), (4200, 1700)))
    (edge,) = board.after("moved", 2)
    assert vertices(edge.shape)[:, 0].max() == WIDTH
    assert area(edge.shape) == pytest.approx(area(before.shape), rel=1e-3)
    assert "edge of the photo" in board.note


def test_an_oval_is_reshaped_by_its_ends(laptop):
    laptop.tool("Oval")
    laptop.draw(laptop.path((1600, 600), (1800, 800), (2000, 1000)))
    laptop.after("drawn")
    laptop.tool("Adjust")
    laptop.screen.drag(laptop.path((2000, 800), (2100, 800), (2400, 800)))
    (region,) = laptop.after("reshaped")
    near = 2 / laptop.scale
    assert region.shape.rx == pytest.approx(400, abs=near)
    assert region.shape.cx == pytest.approx(2000, abs=near)
    assert region.shape.ry == pytest.approx(200, abs=near)


def test_a_region_is_renamed(with_square):
    board = with_square
    board.page.locator(".chosen select").select_option("collar")
    (region,) = board.after("renamed")
    assert (region.id, region.mark) == ("A", "collar")
    assert board.page.locator(".ink .label").text_content() == "A collar"


def test_an_area_cannot_be_renamed_to_a_length(with_square):
    options = with_square.page.locator(".chosen select option").all_inner_texts()
    assert "collar" in options
    assert "body length" not in options


def test_delete_undo_and_redo_with_buttons(with_square):
    board = with_square
    (before,) = board.after("drawn")
    board.tool("Delete")
    assert board.after("deleted") == []
    board.tool("Undo")
    assert board.after("undo") == [before]
    board.tool("Undo")
    assert board.after("undo", 2) == []
    board.tool("Redo")
    assert board.after("redo") == [before]
    board.tool("Redo")
    assert board.after("redo", 2) == []
    assert board.page.get_by_role("button", name="Redo", exact=True).is_disabled()


def test_choosing_in_the_list_chooses_on_the_photo(laptop):
    laptop.draw(ring(laptop, FACE))
    laptop.after("drawn")
    laptop.draw_square(2000, 2000)
    laptop.after("drawn", 2)
    laptop.page.get_by_role("button", name="A, face, outline").click()
    assert laptop.page.locator(".ink .label.on").text_content().startswith("A")
    assert laptop.page.locator(".ink .grip").count() >= 8


def test_choosing_in_the_list_brings_a_small_or_hidden_region_into_view(phone):
    phone.screen.spread(phone.at(2150, 800), 30, 240)
    phone.draw_square(2150, 800, 40)
    phone.after("drawn")
    phone.tool("Full view")
    assert phone.outline()["width"] < 20
    phone.page.get_by_role("button", name="A, face, outline").click()  # lets go
    phone.page.get_by_role("button", name="A, face, outline").click()
    box, stage = phone.outline(), phone.stage.bounding_box()
    assert box["width"] > 60
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    centre = stage["x"] + stage["width"] / 2, stage["y"] + stage["height"] / 2
    assert middle == pytest.approx(centre, abs=20)


# ---- suggestions


def test_a_tap_gets_an_outline_to_drop_or_keep(board):
    board.mark("eye_ring")
    board.tool("Tap to find")
    asked = board.page.locator(".ink .asked")
    for answer in ("Drop it", "Keep it"):
        board.draw([board.at(*RING_TAP), board.at(*RING_TAP)])
        known = board.until(lambda k: k["suggestion"])
        assert known["events"][-1]["at"] == pytest.approx(RING_TAP, abs=1 / board.scale)
        asked.first.wait_for(state="attached")
        assert board.page.locator(".list li").count() == 0
        board.tool(answer)
        if answer == "Drop it":
            assert board.after("dropped") == []
        else:
            (region,) = board.after("kept")
            assert (region.id, region.mark) == ("A", "eye_ring")
            assert overlap(region.shape, EYE_RING) > 0.8
        assert asked.count() == 0


def test_a_tap_while_drawing_also_asks_for_an_outline(phone):
    phone.page.touchscreen.tap(*phone.at(*RING_TAP))
    known = phone.until(lambda k: k["events"])
    assert known["events"][0]["kind"] == "tap"
    assert known["regions"] == []


def test_a_tap_zoomed_in_is_meant_for_a_smaller_place(laptop):
    laptop.page.mouse.click(*laptop.at(2000, 2000))
    laptop.after("tap")  # else the second one may fall while the page is drawn anew
    laptop.tool("Zoom in")
    laptop.tool("Zoom in")
    laptop.page.mouse.click(*laptop.at(2000, 2000))
    events = laptop.until(lambda k: len(k["events"]) == 2)["events"]
    wide, near = (event["reach"] for event in events)
    assert wide == pytest.approx(0.18 * HEIGHT, rel=0.01)
    assert near == pytest.approx(wide / 1.4**2, rel=0.01)


def test_a_tap_that_finds_nothing_says_so(laptop):
    # Without a reach, the grey behind the bird runs over the whole photo.
    board = laptop
    board.let("Reach anywhere")
    board.tool("Tap to find")
    board.page.mouse.click(*board.at(3500, 300))
    board.after("tap")
    board.page.locator(".note").get_by_text("Draw round the mark instead").wait_for()
    assert board.known()["suggestion"] is None
    assert board.page.locator(".ink .asked").count() == 0
