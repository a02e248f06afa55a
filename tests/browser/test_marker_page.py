"""The drawing board by keys alone, and what the page around it does, in a real Chromium."""

import pytest
from barriers import contrast, in_theme
from drawing import FACE, HEIGHT, WIDTH, Drawing, ring
from playwright.sync_api import expect


def loaded_anew(board):
    """The same page after a reload."""
    board.page.reload()
    return Drawing(board.screen)


def another_tab(board):
    """One more tab of the same browser, still empty; whoever opens it closes it."""
    page = board.screen.context.new_page()
    page.on("pageerror", lambda error: board.screen.problems.append(str(error)))
    return type(board.screen)(page, board.screen.context)


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


def test_keys_on_the_list_keep_their_place_and_choose_nothing_anew(laptop):
    for count, x in enumerate((1000, 2000, 3000), 1):
        laptop.draw_square(x, 1000)
        laptop.after("drawn", count)
    keys, chosen = laptop.page.keyboard, laptop.page.locator(".ink .outline.on")
    row = laptop.page.get_by_role("button", name="A, face, outline")
    row.focus()
    keys.press("Control+z")
    expect(chosen).to_have_count(0)
    keys.press("Control+y")
    laptop.after("redo")
    expect(chosen).to_have_count(0)
    laptop.page.get_by_role("button", name="C, face, outline").press("Enter")
    expect(chosen).to_have_count(1)
    row.focus()
    keys.press("Delete")
    assert [r.id for r in laptop.after("deleted")] == ["A", "B"]
    expect(row).to_be_focused()


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
        "Look",
        "Zoom in",
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
    board.tool("Zoom in")
    board.tool("Zoom in")
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


def test_a_12_megapixel_photo_is_sent_once_and_small(laptop, board_address):
    screen = another_tab(laptop)
    pictures, frames = [], []
    # Streamlit's own fonts are under /static/media/.
    photo = "://{}/media/".format(board_address.split("://")[1])
    screen.page.on("response", lambda r: photo in r.url and pictures.append(r))
    screen.page.on(
        "websocket", lambda ws: ws.on("framereceived", lambda data: frames.append(len(data)))
    )
    screen.page.goto(board_address)
    board = Drawing(screen)
    assert len(pictures[0].body()) < 400_000
    frames.clear()
    board.draw(ring(board, FACE))
    board.after("drawn")
    board.page.wait_for_timeout(500)
    assert len(pictures) == 1
    assert 0 < sum(frames) < 120_000
    screen.page.close()


def test_drawing_on_while_python_is_slow_loses_nothing(laptop):
    board = laptop
    board.let("Be slow")
    # Remember the fewest outlines seen after each one that was added.
    board.page.locator(".ink").evaluate(
        """svg => {
            svg.counts = [];
            const count = () => svg.querySelectorAll('.outline:not(.draft)').length;
            new MutationObserver(() => svg.counts.push(count())).observe(svg, {childList: true});
        }"""
    )
    for i in range(4):
        board.draw_square(1000 + 600 * i, 1000)
        board.page.wait_for_timeout(300)
    known = board.until(lambda k: len(k["regions"]) == 4)
    assert [r["id"] for r in known["regions"]] == ["A", "B", "C", "D"]
    board.page.wait_for_timeout(2500)
    counts = board.page.locator(".ink").evaluate("svg => svg.counts")
    assert counts[-1] == 4
    # It only ever grew: no answer to an older stroke took a newer one away for a moment.
    assert counts == sorted(counts)


def test_what_python_changes_shows_and_can_be_undone(laptop):
    laptop.draw_square()
    laptop.after("drawn")
    laptop.draw_square(2000, 2000)
    both = laptop.after("drawn", 2)
    laptop.page.get_by_role("button", name="Forget the first").click()
    laptop.until(lambda k: len(k["regions"]) == 1)
    # The letter stays with the region.
    expect(laptop.page.locator(".list li")).to_have_text(["B face"], use_inner_text=True)
    laptop.tool("Undo")
    assert laptop.after("undo") == both


def test_buttons_are_large_enough_and_words_stand_out(board):
    in_theme(board.page, "dark")
    board.draw_square()
    board.after("drawn")
    for control in board.page.locator(".board :is(button, select, summary):visible").all():
        box = control.bounding_box()
        assert box["height"] >= 44, control.inner_text()
        assert box["width"] >= 44, control.inner_text()
    buttons = board.page.locator(".board button:visible").all()
    width = board.page.viewport_size["width"]
    inside = "e => e.scrollWidth <= e.clientWidth + 1"
    for button in buttons:
        assert button.evaluate(inside), button.inner_text()
    assert board.page.evaluate("document.documentElement.scrollWidth") <= width
    papers = set()
    for theme in ("dark", "light"):
        in_theme(board.page, theme)
        papers.add(board.page.locator(".board").evaluate("e => getComputedStyle(e).color"))
        for words in (*buttons, board.page.locator(".note")):
            # WCAG 2.2, success criterion 1.4.3: 4.5 to 1.
            assert contrast(words) >= 4.5, words.inner_text()
    assert len(papers) == 2, "the theme was switched"


# ---- the page loaded anew


def test_loading_the_page_anew_loses_nothing_that_was_drawn(with_square):
    before = with_square.known()["regions"]
    question = with_square.page.locator(".question")
    asked = with_square.page.get_by_role("group", name="Drawn before")
    for answer in ("Start empty", "Put back"):
        # What was left is kept until something else is drawn.
        board = loaded_anew(with_square)
        assert board.known()["regions"] == []
        assert "You drew 1 region on this photo before" in question.inner_text()
        board.tool(answer)
        expect(asked).to_have_count(0)
    board.after("recalled")
    assert board.known()["regions"] == before
    board.tool("Undo")
    board.after("undo")
    assert board.known()["regions"] == []
    loaded_anew(with_square)
    with_square.page.wait_for_timeout(300)
    assert asked.count() == 0


def test_nothing_remembered_is_lost_before_the_question_is_answered(with_square):
    page = with_square.page
    before = with_square.known()["regions"]
    board = loaded_anew(with_square)
    board.mark("rump")
    board.draw_square()
    board.after("drawn")
    board.tool("Put back")
    board.after("recalled")
    old, new = board.known()["regions"]
    assert old == before[0]
    assert new["mark"] == "rump"
    assert new["id"] != old["id"]
    board = loaded_anew(with_square)
    assert "You drew 2 regions on this photo before" in page.locator(".question").inner_text()


def test_two_tabs_do_not_overwrite_each_others_marks(with_square, board_address):
    screen = with_square.screen
    tab = another_tab(with_square)
    tab.page.goto(board_address)
    other = Drawing(tab)
    other.tool("Start empty")
    other.mark("rump")
    other.draw_square()
    other.after("drawn")
    screen.page.bring_to_front()  # a browser slows down what lies behind
    with_square.mark("collar")
    with_square.tool("Draw round")
    with_square.draw_square(2000, 2000)
    with_square.after("drawn", 2)
    tab.page.close()
    again = loaded_anew(with_square)
    again.tool("Put back")
    again.after("recalled")
    assert {r["mark"] for r in again.known()["regions"]} == {"face", "rump", "collar"}


def test_what_is_remembered_but_cannot_be_read_is_passed_over(with_square):
    page = with_square.page
    page.evaluate(
        """() => { for (const key of Object.keys(localStorage)) {
            if (key.startsWith('fieldmarks')) localStorage.setItem(key, JSON.stringify(
                {at: 1, regions: [{id: 'A', mark: 'face', shape: {kind: 'star'}}]})); }
            localStorage.setItem('fieldmarks drawn on nothing', '{') }"""
    )
    board = loaded_anew(with_square)
    page.wait_for_timeout(300)
    assert page.get_by_role("group", name="Drawn before").count() == 0
    board.draw_square()
    board.after("drawn")
    loaded_anew(with_square)
    assert "You drew 1 region on this photo before" in page.locator(".question").inner_text()


def test_another_keepers_browser_knows_nothing_of_it(with_square, phone):
    other = loaded_anew(phone)
    assert other.page.get_by_role("group", name="Drawn before").count() == 0


def test_drawing_goes_on_where_a_browser_keeps_nothing(laptop, board_address):
    screen = another_tab(laptop)
    screen.page.add_init_script(
        "Object.defineProperty(window, 'localStorage', {get() { throw new Error('forbidden') }})"
    )
    screen.page.goto(board_address)
    board = Drawing(screen)
    board.draw_square()
    board.after("drawn")
    assert len(board.known()["regions"]) == 1
    screen.page.close()
