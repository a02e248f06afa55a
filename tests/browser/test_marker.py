"""Drawing on a 12-megapixel photo in a real Chromium, with real mouse, touch and key events.

Tolerances: a place on the screen is one CSS pixel wide, which is ``1 / scale`` photo pixels; a
drawn outline may leave the trail by 1.2 CSS pixels (it is thinned to at most 40 corners).
"""

import io

import pytest
import shapely
from drawing import EYE_RING, FACE, HEIGHT, WIDTH, ring
from PIL import Image
from screen import MAIN, POLLING

from fieldmarks.measure.region import (
    Line,
    Polygon,
    RegionSet,
    check_regions,
    overlap,
    vertices,
)

# ---- drawing


def test_an_outline_drawn_round_a_mark_arrives_in_photo_pixels(board):
    board.draw(ring(board, FACE))
    (region,) = board.after("drawn")
    assert region.mark == "face"
    assert len(region.shape.points) <= 40
    # 1.2 + 1 CSS pixels all round a shape of this size.
    slack = 2.2 / board.scale * 4 / (FACE.rx + FACE.ry)
    assert overlap(region.shape, FACE) > 1 - slack
    check_regions(RegionSet("bird.jpg", WIDTH, HEIGHT, (region,)), {"face": "area"})


def test_zooming_in_makes_the_outline_finer(laptop):
    laptop.page.mouse.move(*laptop.at(2150, 800))
    laptop.page.keyboard.down("Control")
    laptop.page.mouse.wheel(0, -900)
    laptop.page.keyboard.up("Control")
    laptop.page.wait_for_timeout(100)
    assert laptop.scale > 5 * 558 / HEIGHT
    laptop.draw(ring(laptop, EYE_RING))
    (region,) = laptop.after("drawn")
    assert overlap(region.shape, EYE_RING) > 0.98


def test_a_region_keeps_its_place_on_the_photo_at_any_zoom(laptop):
    laptop.draw_square()
    (region,) = laptop.after("drawn")
    points = vertices(region.shape)
    for button in ("Zoom in", "Zoom in", "Zoom out", "Full view"):
        laptop.tool(button)
        box = laptop.outline()
        left, top = laptop.at(*points.min(axis=0))
        right, bottom = laptop.at(*points.max(axis=0))
        assert box["x"] == pytest.approx(left, abs=0.6)
        assert box["y"] == pytest.approx(top, abs=0.6)
        assert box["x"] + box["width"] == pytest.approx(right, abs=0.6)
        assert box["y"] + box["height"] == pytest.approx(bottom, abs=0.6)


def test_an_oval_is_dragged_from_corner_to_corner(board):
    board.tool("Oval")
    board.draw(board.path((1600, 600), (1800, 800), (2000, 1000)))
    (region,) = board.after("drawn")
    near = 2 / board.scale
    assert region.shape.cx == pytest.approx(1800, abs=near)
    assert region.shape.cy == pytest.approx(800, abs=near)
    assert region.shape.rx == pytest.approx(200, abs=near)
    assert region.shape.ry == pytest.approx(200, abs=near)


def test_a_length_is_drawn_as_a_line(board):
    board.mark("body_length")
    assert not board.page.get_by_role("button", name="Draw round", exact=True).is_visible()
    board.draw(board.path((1500, 600), (1600, 900), (1900, 2700)))
    (region,) = board.after("drawn")
    assert isinstance(region.shape, Line)
    assert region.shape.start == pytest.approx((1500, 600), abs=2 / board.scale)
    assert region.shape.end == pytest.approx((1900, 2700), abs=2 / board.scale)
    board.tool("Adjust")
    board.draw([board.at(3000, 500)])
    assert board.page.locator(".ink .outline.on").count() == 0
    x, y = board.at(*region.shape.end)
    board.draw([(x, y + 5)])  # CSS pixels beyond its end
    assert board.page.locator(".ink .outline.on").count() == 1


def test_an_outline_that_leaves_the_photo_follows_its_edge(board):
    board.draw(board.path((300, 400), (-90, 420), (-90, 900), (320, 900), (310, 500)))
    (region,) = board.after("drawn")
    x, y = vertices(region.shape).T
    assert x.min() == 0
    assert y.min() >= 0
    assert "left the photo" in board.note
    check_regions(RegionSet("bird.jpg", WIDTH, HEIGHT, (region,)), {"face": "area"})


def test_an_oval_dragged_off_the_photo_is_cut_to_fit(laptop):
    laptop.tool("Oval")
    laptop.draw(laptop.path((3600, 2500), (3900, 2800), (4300, 3150)))
    (region,) = laptop.after("drawn")
    check_regions(RegionSet("bird.jpg", WIDTH, HEIGHT, (region,)), {"face": "area"})
    assert region.shape.cx + region.shape.rx == pytest.approx(WIDTH, abs=5)
    assert "edge of the photo" in laptop.note


def test_a_figure_of_eight_is_refused(board):
    board.draw(board.path((1500, 700), (2300, 1300), (2300, 700), (1500, 1300), (1500, 720)))
    board.page.wait_for_timeout(500)
    assert board.note.startswith("Your line crosses itself. Draw one plain loop.")
    assert board.known()["events"] == []


def test_ends_that_overshoot_are_trimmed(laptop):
    # Down the right side, round, and back across the beginning.
    laptop.draw(
        laptop.path((1900, 600), (1900, 1100), (1500, 1100), (1500, 700), (1990, 700), (2000, 700))
    )
    (region,) = laptop.after("drawn")
    true = Polygon(((1900, 700), (1900, 1100), (1500, 1100), (1500, 700)))
    assert shapely.Polygon(region.shape.points).is_valid
    assert overlap(region.shape, true) > 0.97
    assert "trimmed" in laptop.note


def test_going_round_a_little_too_far_leaves_one_plain_loop(laptop):
    laptop.draw(ring(laptop, FACE, turns=1.12))
    (region,) = laptop.after("drawn")
    assert shapely.Polygon(region.shape.points).is_valid
    assert overlap(region.shape, FACE) > 0.96


def test_two_strokes_in_a_hurry_are_both_kept(laptop):
    laptop.draw(ring(laptop, FACE))
    laptop.draw(laptop.ring(2000, 2000, 300, 300))
    regions = laptop.after("drawn", 2)
    assert [r.id for r in regions] == ["A", "B"]
    assert laptop.page.locator(".ink .outline").count() == 2


# ---- fingers


def test_two_fingers_zoom_the_photo_and_nothing_else(phone):
    before = phone.scale
    middle = phone.at(2150, 800)
    phone.screen.spread(middle, 60, 180)
    phone.page.wait_for_timeout(100)
    assert phone.scale == pytest.approx(3 * before, rel=0.05)
    # What lay between the fingers still does.
    assert phone.at(2150, 800) == pytest.approx(middle, abs=3)
    assert phone.page.evaluate("visualViewport.scale") == 1
    assert phone.known()["events"] == []
    assert phone.page.locator(".ink .outline").count() == 0


def test_a_second_finger_takes_back_the_line_the_first_began(phone):
    (x, y) = phone.at(1800, 900)
    phone.screen.fingers("touchStart", (x, y))
    phone.screen.fingers("touchMove", (x + 25, y))
    phone.screen.fingers("touchStart", (x + 25, y), (x + 90, y))
    phone.screen.fingers("touchMove", (x + 10, y), (x + 130, y))
    phone.screen.fingers("touchEnd")
    phone.page.wait_for_timeout(400)
    assert phone.page.locator(".ink .outline").count() == 0
    assert phone.known()["events"] == []


def test_drawing_after_a_pinch_lands_where_the_finger_is(phone):
    phone.screen.spread(phone.at(2150, 800), 40, 200)
    phone.draw(ring(phone, EYE_RING))
    (region,) = phone.after("drawn")
    assert overlap(region.shape, EYE_RING) > 0.95


def test_the_page_scrolls_beside_the_photo_but_not_on_it(phone):
    top = phone.page.evaluate(f"{MAIN}.scrollTop")
    x, y = phone.at(2000, 2500)
    phone.screen.stroke([(x, y - i * 8) for i in range(20)])
    phone.page.wait_for_timeout(300)
    assert phone.page.evaluate(f"{MAIN}.scrollTop") == top
    box = phone.page.locator(".help summary").bounding_box()
    x, y = box["x"] + 250, box["y"] + 20
    phone.screen.stroke([(x, y - i * 8) for i in range(20)])
    phone.page.wait_for_function(f"top => {MAIN}.scrollTop > top + 30", arg=top, polling=POLLING)


def test_a_loupe_shows_what_the_finger_hides(phone):
    loupe = phone.page.locator(".loupe")
    points = ring(phone, FACE)
    phone.screen.fingers("touchStart", points[0])
    phone.screen.fingers("touchMove", points[5])
    assert loupe.is_visible()
    # Not under the finger, and not off the photo.
    box, stage = loupe.bounding_box(), phone.stage.bounding_box()
    x, y = points[5]
    assert not (box["x"] < x < box["x"] + box["width"] and box["y"] < y < box["y"] + box["height"])
    assert box["y"] >= stage["y"] - 1
    # The pixel in the middle, away from the cross, is the face's orange.
    shown = Image.open(io.BytesIO(loupe.screenshot()))
    red, _, blue = shown.convert("RGB").getpixel((shown.width // 2 + 4, shown.height // 2 + 4))
    assert red > 180
    assert blue < 110
    phone.screen.fingers("touchEnd")
    phone.page.wait_for_timeout(100)
    assert not loupe.is_visible()


def test_a_corner_is_moved_with_a_finger(phone):
    phone.screen.spread(phone.at(1700, 900), 60, 150)
    phone.draw(phone.path((1500, 700), (1900, 700), (1900, 1100), (1500, 1100), (1500, 710)))
    (before,) = phone.after("drawn")
    phone.tool("Adjust")
    corner = min(before.shape.points, key=lambda p: p[0] + p[1])
    phone.screen.stroke(phone.path(corner, (1450, 660), (1400, 600)))
    (after,) = phone.after("reshaped")
    index = before.shape.points.index(corner)
    assert after.shape.points[index] == pytest.approx((1400, 600), abs=2 / phone.scale)


def test_a_pen_draws_and_gets_the_loupe(phone):
    pen = phone.screen.context.new_cdp_session(phone.page)

    def send(kind, point):
        held = {"button": "left", "buttons": 1, "pointerType": "pen", "clickCount": 1}
        place = {"type": kind, "x": point[0], "y": point[1]}
        pen.send("Input.dispatchMouseEvent", place | held)

    points = ring(phone, FACE)
    send("mousePressed", points[0])
    for point in points[1:]:
        send("mouseMoved", point)
    assert phone.page.locator(".loupe").is_visible()
    send("mouseReleased", points[-1])
    (region,) = phone.after("drawn")
    assert overlap(region.shape, FACE) > 0.9
