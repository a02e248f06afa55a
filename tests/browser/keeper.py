"""A keeper at the app: what a browser test does and reads, in the words of the page."""

import itertools
import re
from pathlib import Path

import shapely
from drawing import Drawing
from playwright.sync_api import expect
from screen import Screen, settle, wait_until_dressed

from fieldmarks.measure.region import RegionSet, vertices
from fieldmarks.measure.region_file import read_region_file
from fieldmarks.pipeline import demo_birds, region_file_of

FINE = 1.2  # CSS pixels by which a drawn outline may leave the trail


class Keeper:
    """Someone who uses the app in one browser page."""

    def __init__(self, screen: Screen) -> None:
        self.screen = screen
        self.page = screen.page
        self.page.get_by_role("heading", name="Which lovebird is it, and is it mixed?").wait_for(
            timeout=90_000
        )
        wait_until_dressed(self.page)

    def settle(self) -> None:
        """Wait until the app has dealt with everything that was done."""
        settle(self.page)

    def begin(self) -> None:
        """Back to the first screen."""
        back = self.page.get_by_role("button", name="Another bird")
        if back.count():
            back.click()
            self.page.get_by_role("heading", name="Which lovebird is it").wait_for()
            self.settle()

    # ---- opening

    def open_demo(self, name: str, with_marks: bool = False, by_hand: bool = True) -> RegionSet:
        """Open an invented bird with one press; gives the regions that ship with it."""
        key = f"demo_full_{name}" if with_marks else f"demo_{name}"
        self.page.locator(f".st-key-{key} button").click()
        regions = read_region_file(region_file_of(demo_birds()[name]))
        self.size = (regions.width, regions.height)
        self._drawing_ready()
        if by_hand and not with_marks:
            self.by_hand()
        return regions

    def upload(self, path: Path, size: tuple[int, int]) -> None:
        """Choose a photo of one's own."""
        self.page.locator("input[type=file]").first.set_input_files(path)
        self.size = size

    def measure_by_hand(self, path: Path, size: tuple[int, int]) -> None:
        """Choose a photo of one's own, and draw on it."""
        self.upload(path, size)
        self._drawing_ready()
        self.by_hand()

    def _drawing_ready(self) -> None:
        self.board = Drawing(self.screen, self.size)
        self.settle()

    def by_hand(self) -> None:
        """Draw instead of tapping, and refuse the card that was found."""
        for name in ("Draw by hand", "No"):
            button = self.page.get_by_role("button", name=name, exact=True)
            if button.count():
                button.click()
                self.settle()

    # ---- drawing

    def pick(self, mark: str) -> None:
        """Pick the mark to draw next."""
        self.page.locator(".next-mark").select_option(mark)
        self.settle()

    def draw(self, shape: object) -> None:
        """Draw round a shape given in photo pixels, by finger on a touch screen."""
        self.board.stage.scroll_into_view_if_needed()
        whole = shapely.Polygon(self.board.path(*vertices(shape)))
        # A hand's trail need not be finer than what the board makes of it; each step is a frame.
        points = list(whole.simplify(FINE).exterior.coords)
        steps, each = [], max(1, 12 // len(points))  # a long side is not drawn in one leap
        for (x0, y0), (x1, y1) in itertools.pairwise(points):
            steps += [(x0 + (x1 - x0) * t / each, y0 + (y1 - y0) * t / each) for t in range(each)]
        self.board.draw([*steps, points[0]])

    def mark(self, mark: str, shape: object) -> None:
        """Pick a mark unless it is asked for, draw it and wait until it is in the list."""
        drawn = self.page.locator(".list li")  # an outline on the photo may be one suggested
        before = drawn.count()
        if self.now != mark:
            self.pick(mark)
        self.draw(shape)
        expect(drawn).to_have_count(before + 1)
        self.settle()

    # ---- reading

    @property
    def verdict(self) -> str:
        """All of the verdict."""
        return self.page.locator(".fm-verdict").inner_text()

    @property
    def headline(self) -> str:
        """What the verdict begins with."""
        return self.page.locator(".fm-verdict h2").inner_text()

    @property
    def bar(self) -> str:
        """The line at the foot of a phone's screen."""
        return self.page.locator(".fm-bar").inner_text()

    @property
    def now(self) -> str:
        """The mark asked for."""
        return self.page.locator(".next-mark").input_value()

    def tab(self, name: str) -> None:
        """Open a tab."""
        tab = self.page.get_by_role("tab", name=name, exact=True)
        if tab.get_attribute("aria-selected") == "true":
            return
        tab.click()
        expect(tab).to_have_attribute("aria-selected", "true", timeout=60_000)
        self.settle()

    def readings(self) -> dict[str, str]:
        """Mark -> its colour as the page shows it."""
        self.tab("Details")
        self.page.locator(".fm-reading").first.wait_for(state="attached")
        labels = self.page.locator(".fm-reading summary").all_text_contents()
        found = (re.match(r"(.+): (L\* .+)", text) for text in labels)
        return {m[1]: m[2] for m in found if m}

    def download(self, label: str, folder: Path) -> Path:
        """Press a take-away button; gives the file."""
        self.tab("Take away")
        with self.page.expect_download(timeout=60_000) as waiting:
            self.page.get_by_role("button", name=label).click()
        path = folder / waiting.value.suggested_filename
        waiting.value.save_as(path)
        return path
