"""What a test needs to draw on the photo and to read what Python received."""

import json
import math
import time
from collections.abc import Callable
from typing import Any

from screen import MAIN, POLLING, QUIET, Screen

from fieldmarks.app.marker.wire import region_from_wire
from fieldmarks.measure.region import Ellipse, Point, Region

WIDTH, HEIGHT = 4000, 3000
FACE = Ellipse(1850, 900, 300, 350)
EYE_RING = Ellipse(2150, 800, 130, 130)
RING_TAP = (2045, 800)


class Drawing:
    """The drawing on one page. Places are given in photo pixels."""

    def __init__(self, screen: Screen, size: tuple[int, int] = (WIDTH, HEIGHT)) -> None:
        self.screen, self.size = screen, size
        self.page = screen.page
        self.page.locator(".stage[aria-label]").wait_for(timeout=60_000)
        self.page.wait_for_function(
            """() => {
                const all = [...document.querySelectorAll('*')].map(e => e.shadowRoot);
                const photo = all.map(r => r?.querySelector('img.photo')).find(Boolean);
                return photo?.naturalWidth > 0;
            }""",
            polling=POLLING,
        )
        self.page.wait_for_function(QUIET, polling=POLLING)
        self.stage = self.page.locator(".stage")
        self.stage.scroll_into_view_if_needed()

    # ---- places

    @property
    def scale(self) -> float:
        """CSS pixels per photo pixel, as the browser really lays the picture out."""
        return self.page.locator("img.photo").bounding_box()["width"] / self.size[0]

    def at(self, x: float, y: float) -> Point:
        """Place on the page of a photo pixel."""
        (place,) = self.path((x, y))
        return place

    def path(self, *points: Point) -> list[Point]:
        """Places on the page of some photo pixels, as the picture lies now."""
        box = self.page.locator("img.photo").bounding_box()
        across, down = box["width"] / self.size[0], box["height"] / self.size[1]
        return [(box["x"] + x * across, box["y"] + y * down) for x, y in points]

    def ring(self, cx: float, cy: float, rx: float, ry: float, turns: float = 1.0) -> list[Point]:
        """A round trail, as a hand would draw it, on the page."""
        count = int(32 * turns)  # each is a frame that the browser paints
        angles = [2 * math.pi * turns * i / count for i in range(count + 1)]
        return self.path(*((cx + rx * math.cos(t), cy + ry * math.sin(t)) for t in angles))

    def outline(self, index: int = 0) -> dict[str, float]:
        """Box on the page round a drawn line: the light one, without its width."""
        box = (
            self.page.locator(".ink .outline .light")
            .nth(index)
            .evaluate(
                "e => { const b = e.getBBox(), s = e.ownerSVGElement.getBoundingClientRect();"
                "return {x: b.x + s.x, y: b.y + s.y, width: b.width, height: b.height} }"
            )
        )
        return box

    # ---- actions

    def tool(self, name: str) -> None:
        """Press a tool or another button."""
        self.page.get_by_role("button", name=name, exact=True).click()

    def mark(self, key: str) -> None:
        """Pick the mark to draw next and wait until Python knows."""
        self.page.locator(".next-mark").select_option(key)
        self.until(lambda known: known["mark"] == key)

    def draw(self, points: list[Point]) -> None:
        """Draw with the mouse, or a finger on a touch screen."""
        touch = self.page.evaluate("navigator.maxTouchPoints > 0")
        (self.screen.stroke if touch else self.screen.drag)(points)

    def draw_square(self, cx: float = 1850, cy: float = 900, half: float = 200) -> None:
        """Draw four corners round a place: enough where the form does not matter."""
        left, top, right, foot = cx - half, cy - half, cx + half, cy + half
        corners = (left, top), (right, top), (right, foot), (left, foot), (left, top + 5)
        self.draw(self.path(*corners))

    def let(self, oddity: str) -> None:
        """Press a button of the trial page that makes it behave oddly from then on."""
        self.tool(oddity)
        self.until(lambda known: oddity in known["oddities"])
        self.page.evaluate(f"{MAIN}.scrollTo(0, 0)")

    @property
    def note(self) -> str:
        """The sentence under the photo."""
        return self.page.locator(".note").inner_text()

    # ---- what Python knows

    def known(self) -> dict[str, Any]:
        """What Python shows that it knows."""
        return json.loads(self.page.locator("[data-testid=stCode] code").text_content())

    def until(self, true: Callable[[dict[str, Any]], bool], seconds: float = 15) -> dict[str, Any]:
        """Wait until Python knows something, and give all it knows."""
        end = time.monotonic() + seconds
        while True:
            try:
                known = self.known()
                if true(known):
                    return known
            except ValueError:
                pass  # The page is just being drawn anew.
            if time.monotonic() > end:
                raise AssertionError(f"Python never got there; note {self.note!r}, knows {known}")
            self.page.wait_for_timeout(40)

    def after(self, kind: str, count: int = 1) -> list[Region]:
        """Wait for the count-th event of a kind; gives the regions Python has then."""
        known = self.until(lambda k: [e["kind"] for e in k["events"]].count(kind) >= count)
        return [region_from_wire(r) for r in known["regions"]]

    def kinds(self) -> list[str]:
        """The events so far."""
        return [event["kind"] for event in self.known()["events"]]


def ring(board, ellipse, turns=1.0):
    """Draw round an ellipse."""
    return board.ring(ellipse.cx, ellipse.cy, ellipse.rx, ellipse.ry, turns)
