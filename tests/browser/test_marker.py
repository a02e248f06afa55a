"""Drawing on a 12-megapixel photo in a real Chromium, with real mouse, touch and key events.

Tolerances: a place on the screen is one CSS pixel wide, which is ``1 / scale`` photo pixels; a
drawn outline may leave the trail by 1.2 CSS pixels (it is thinned to at most 40 corners).
"""

from pathlib import Path

import pytest
import shapely
from drawing import HEIGHT, WIDTH, Drawing
from screen import LAPTOP, PHONE, serve

from fieldmarks.region import (
    Ellipse,
    Line,
    Polygon,
    RegionSet,
    area,
    check_regions,
    overlap,
    vertices,
)

FACE = Ellipse(1850, 900, 300, 350)
EYE_RING = Ellipse(2150, 800, 130, 130)
RING_TAP = (2045, 800)


@pytest.fixture(scope="module")
def address():
    with serve(Path(__file__).with_name("marker_page.py")) as url:
        yield url


@pytest.fixture
def laptop(address, open_screen):
    return Drawing(open_screen(address, LAPTOP))


@pytest.fixture
def phone(address, open_screen):
    return Drawing(open_screen(address, PHONE, touch=True, device_scale_factor=2))


@pytest.fixture(params=["laptop", "phone"])
def board(request):
    return request.getfixturevalue(request.param)


@pytest.fixture
def with_square(laptop):
    """A board with one polygon of four corners, chosen, ready to adjust."""
    laptop.draw(laptop.path((1500, 700), (1900, 700), (1900, 1100), (1500, 1100), (1500, 705)))
    (region,) = laptop.after("drawn")
    assert len(region.shape.points) == 4
    laptop.tool("Adjust")
    return laptop


def ring(board, ellipse, turns=1.0):
    return board.ring(ellipse.cx, ellipse.cy, ellipse.rx, ellipse.ry, turns)


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
    laptop.draw(ring(laptop, FACE))
    (region,) = laptop.after("drawn")
    points = vertices(region.shape)
    for button in ("Closer", "Closer", "Farther", "Whole"):
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
    top = phone.page.evaluate("document.querySelector('[data-testid=stMain]').scrollTop")
    x, y = phone.at(2000, 2500)
    phone.screen.stroke([(x, y - i * 8) for i in range(20)])
    phone.page.wait_for_timeout(300)
    scrolled = "document.querySelector('[data-testid=stMain]').scrollTop"
    assert phone.page.evaluate(scrolled) == top
    box = phone.page.locator(".help summary").bounding_box()
    x, y = box["x"] + 250, box["y"] + 20
    phone.screen.stroke([(x, y - i * 8) for i in range(20)])
    phone.page.wait_for_timeout(500)
    assert phone.page.evaluate(scrolled) > top + 30


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
    colour = loupe.evaluate(
        "c => [...c.getContext('2d').getImageData(c.width/2, c.height/2, 1, 1).data]"
    )
    assert colour[0] > 180
    assert colour[2] < 110
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
    laptop.draw(laptop.ring(2000, 2000, 300, 300))
    laptop.after("drawn", 2)
    laptop.page.get_by_role("button", name="A, face, outline").click()
    assert laptop.page.locator(".ink .label.on").text_content().startswith("A")
    assert laptop.page.locator(".ink .grip").count() >= 8


def test_choosing_in_the_list_brings_a_small_or_hidden_region_into_view(phone):
    phone.screen.spread(phone.at(2150, 800), 30, 240)
    phone.draw(phone.ring(2150, 800, 40, 40))
    phone.after("drawn")
    phone.tool("Whole")
    assert phone.outline()["width"] < 20
    phone.page.get_by_role("button", name="A, face, outline").click()  # lets go
    phone.page.get_by_role("button", name="A, face, outline").click()
    box, stage = phone.outline(), phone.stage.bounding_box()
    assert box["width"] > 60
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    centre = stage["x"] + stage["width"] / 2, stage["y"] + stage["height"] / 2
    assert middle == pytest.approx(centre, abs=20)


# ---- suggestions


@pytest.mark.parametrize("answer", ["Keep it", "Drop it"])
def test_a_tap_gets_an_outline_to_keep_or_drop(board, answer):
    board.mark("eye_ring")
    board.tool("Tap to find")
    board.draw([board.at(*RING_TAP), board.at(*RING_TAP)])
    known = board.until(lambda k: k["suggestion"])
    assert known["events"][-1]["at"] == pytest.approx(RING_TAP, abs=1 / board.scale)
    board.page.locator(".ink .asked").first.wait_for(state="attached")
    assert board.page.locator(".list li").count() == 0
    board.tool(answer)
    if answer == "Keep it":
        (region,) = board.after("kept")
        assert (region.id, region.mark) == ("A", "eye_ring")
        assert overlap(region.shape, EYE_RING) > 0.8
    else:
        assert board.after("dropped") == []
    assert board.page.locator(".ink .asked").count() == 0


def test_a_tap_while_drawing_also_asks_for_an_outline(phone):
    phone.page.touchscreen.tap(*phone.at(*RING_TAP))
    known = phone.until(lambda k: k["events"])
    assert known["events"][0]["kind"] == "tap"
    assert known["regions"] == []


def test_a_tap_zoomed_in_is_meant_for_a_smaller_place(laptop):
    laptop.page.mouse.click(*laptop.at(2000, 2000))
    laptop.tool("Closer")
    laptop.tool("Closer")
    laptop.page.mouse.click(*laptop.at(2000, 2000))
    events = laptop.until(lambda k: len(k["events"]) == 2)["events"]
    wide, near = (event["reach"] for event in events)
    assert wide == pytest.approx(0.18 * HEIGHT, rel=0.01)
    assert near == pytest.approx(wide / 1.4**2, rel=0.01)


def test_a_tap_that_finds_nothing_says_so(address, open_screen):
    # Without a reach, the grey behind the bird runs over the whole photo.
    board = Drawing(open_screen(f"{address}/?reach=none"))
    board.tool("Tap to find")
    board.page.mouse.click(*board.at(3500, 300))
    board.after("tap")
    board.page.locator(".note").get_by_text("Draw round the mark instead").wait_for()
    assert board.known()["suggestion"] is None
    assert board.page.locator(".ink .asked").count() == 0


# ---- keys


def test_a_region_is_made_moved_sized_and_deleted_by_keys_alone(laptop):
    keys = laptop.page.keyboard
    for _ in range(30):
        keys.press("Tab")
        if laptop.stage.evaluate("e => e.getRootNode().activeElement === e"):
            break
    else:
        pytest.fail("Tab never reached the photo")
    keys.press("Enter")
    (made,) = laptop.after("drawn")
    assert (made.shape.cx, made.shape.cy) == pytest.approx((WIDTH / 2, HEIGHT / 2), abs=1)
    for key in ("ArrowRight", "ArrowRight", "ArrowUp", "Shift+ArrowDown"):
        keys.press(key)
    (moved,) = laptop.after("moved")
    assert moved.shape.cx - made.shape.cx == pytest.approx(2, abs=0.011)
    assert moved.shape.cy - made.shape.cy == pytest.approx(9, abs=0.011)
    # A row of key presses is one event and one step of undo.
    assert laptop.kinds() == ["drawn", "moved"]
    keys.press("+")
    (grown,) = laptop.after("reshaped")
    assert grown.shape.rx == pytest.approx(moved.shape.rx * 1.05, abs=0.02)
    keys.press("Control+z")
    assert laptop.after("undo") == [moved]
    keys.press("Control+Shift+Z")
    assert laptop.after("redo") == [grown]
    keys.press("Delete")
    assert laptop.after("deleted") == []


def test_a_corner_is_moved_added_and_removed_by_keys(with_square):
    board, keys = with_square, with_square.page.keyboard
    (before,) = board.after("drawn")
    board.page.get_by_role("button", name="A, face, outline").press("Tab")
    board.stage.focus()
    board.page.get_by_role("button", name="A, face, outline").focus()
    keys.press(".")
    keys.press("Shift+ArrowLeft")
    (moved,) = board.after("reshaped")
    assert moved.shape.points[0][0] == pytest.approx(before.shape.points[0][0] - 10, abs=0.011)
    assert moved.shape.points[1:] == before.shape.points[1:]
    keys.press(".")
    keys.press("Insert")
    (more,) = board.after("reshaped", 2)
    assert len(more.shape.points) == 5
    keys.press("Delete")
    (less,) = board.after("reshaped", 3)
    assert less.shape.points == moved.shape.points


def test_every_button_and_list_is_reached_by_tab_and_has_a_name(with_square):
    board = with_square
    reached = []
    for _ in range(60):
        board.page.keyboard.press("Tab")
        focus = """() => {
            const on = document.activeElement?.shadowRoot?.activeElement;
            return on && (on.ariaLabel || on.innerText || on.labels?.[0]?.innerText);
        }"""
        name = board.page.evaluate(focus)
        if name:
            reached.append(name.strip().split("\n")[0])
    for name in (
        "Draw round",
        "Oval",
        "Tap to find",
        "Adjust",
        "Slide",
        "Closer",
        "Undo",
        "Delete",
    ):
        assert name in reached
    assert any(n.startswith("Photo.") for n in reached)
    assert any(n.startswith("A, face") for n in reached)


def test_typing_on_the_photo_does_not_set_off_the_pages_own_keys(with_square):
    board = with_square
    board.stage.focus()
    for key in (".", ",", "Escape", "+", "-"):
        board.page.keyboard.press(key)
    board.page.wait_for_timeout(900)
    assert board.page.locator("[role=dialog]").count() == 0


# ---- the page around


def test_a_run_of_the_page_keeps_zoom_choice_and_picture(with_square):
    board = with_square
    requests = []
    board.page.on("request", lambda r: "/media/" in r.url and requests.append(r.url))
    board.tool("Closer")
    board.tool("Closer")
    photo = board.page.locator("img.photo")
    photo.evaluate("e => { e.marked = true }")
    place = photo.bounding_box()
    board.page.get_by_role("button", name="Run again").click()
    board.until(lambda k: k["reruns"] == 1)
    board.page.wait_for_timeout(300)
    assert photo.evaluate("e => e.marked === true")
    assert photo.bounding_box() == place
    assert board.page.locator(".ink .label.on").count() == 1
    assert requests == []


def test_a_12_megapixel_photo_is_sent_once_and_small(address, open_screen):
    screen = open_screen("about:blank")
    pictures, frames = [], []
    # Streamlit's own fonts are under /static/media/.
    photo = "://{}/media/".format(address.split("://")[1])
    screen.page.on("response", lambda r: photo in r.url and pictures.append(r))
    screen.page.on(
        "websocket", lambda ws: ws.on("framereceived", lambda data: frames.append(len(data)))
    )
    screen.page.goto(address)
    board = Drawing(screen)
    assert len(pictures[0].body()) < 400_000
    frames.clear()
    board.draw(ring(board, FACE))
    board.after("drawn")
    board.page.wait_for_timeout(500)
    assert len(pictures) == 1
    assert 0 < sum(frames) < 120_000


def test_drawing_on_while_python_is_slow_loses_nothing(address, open_screen):
    board = Drawing(open_screen(f"{address}/?pause=0.7"))
    # Remember the fewest outlines seen after each one that was added.
    board.page.locator(".ink").evaluate(
        """svg => {
            svg.counts = [];
            const count = () => svg.querySelectorAll('.outline:not(.draft)').length;
            new MutationObserver(() => svg.counts.push(count())).observe(svg, {childList: true});
        }"""
    )
    for i in range(4):
        board.draw(board.ring(1000 + 600 * i, 1000, 200, 200))
        board.page.wait_for_timeout(300)
    known = board.until(lambda k: len(k["regions"]) == 4)
    assert [r["id"] for r in known["regions"]] == ["A", "B", "C", "D"]
    board.page.wait_for_timeout(2500)
    counts = board.page.locator(".ink").evaluate("svg => svg.counts")
    assert counts[-1] == 4
    # It only ever grew: no answer to an older stroke took a newer one away for a moment.
    assert counts == sorted(counts)


def test_what_python_changes_shows_and_can_be_undone(laptop):
    laptop.draw(ring(laptop, FACE))
    laptop.draw(laptop.ring(2000, 2000, 300, 300))
    both = laptop.after("drawn", 2)
    laptop.page.get_by_role("button", name="Forget the first").click()
    laptop.until(lambda k: len(k["regions"]) == 1)
    assert laptop.page.locator(".list li").count() == 1
    # The letter stays with the region.
    assert laptop.page.locator(".list li").inner_text() == "B face"
    laptop.tool("Undo")
    assert laptop.after("undo") == both


def test_it_works_without_a_callback(address, open_screen):
    board = Drawing(open_screen(f"{address}/?callback=no"))
    board.draw(ring(board, FACE))
    (first,) = board.after("drawn")
    board.draw(board.ring(2000, 2000, 300, 300))
    regions = board.after("drawn", 2)
    assert regions[0] == first
    assert len(regions) == 2
    assert board.kinds() == ["drawn", "drawn"]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_buttons_are_large_enough_and_words_stand_out(address, open_screen, size, dark):
    board = Drawing(open_screen(address, size, dark=dark))
    board.draw(ring(board, FACE))
    board.after("drawn")
    for control in board.page.locator(".board :is(button, select, summary):visible").all():
        box = control.bounding_box()
        assert box["height"] >= 44, control.inner_text()
        assert box["width"] >= 44, control.inner_text()
    inside = "e => e.scrollWidth <= e.clientWidth + 1"
    for button in board.page.locator(".board button:visible").all():
        assert button.evaluate(inside), button.inner_text()
        # WCAG 2.2, success criterion 1.4.3: 4.5 to 1.
        assert contrast(button) >= 4.5, button.inner_text()
    assert contrast(board.page.locator(".note")) >= 4.5
    assert board.page.evaluate("document.documentElement.scrollWidth") <= size[0]


def contrast(element):
    """Contrast ratio of text on what lies behind it (WCAG 2.2, relative luminance)."""
    text, paper = element.evaluate(
        """e => {
            const pen = document.createElement('canvas').getContext('2d');
            const read = (c) => {
                pen.clearRect(0, 0, 1, 1); pen.fillStyle = c; pen.fillRect(0, 0, 1, 1);
                return [...pen.getImageData(0, 0, 1, 1).data];
            };
            let node = e, paper = [0, 0, 0, 0];
            while (node && paper[3] === 0) {
                paper = read(getComputedStyle(node).backgroundColor);
                node = node.parentElement ?? node.getRootNode().host;
            }
            return [read(getComputedStyle(e).color), paper];
        }"""
    )

    def luminance(rgba):
        parts = [v / 255 for v in rgba[:3]]
        parts = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    low, high = sorted((luminance(text), luminance(paper)))
    return (high + 0.05) / (low + 0.05)
