"""From opening a photo to the verdict: presses, strokes, scrolled pixels and seconds.

Run: python benchmarks/strokes.py CHECKOUT_OF_0.2.0     (needs Chromium, as the browser tests do)

A script with a person's speed goes through the app on a phone's screen (390 x 844, touch) with one
invented bird, from the first screen until the verdict is in sight. Today it taps eye, beak tip and
tail end, and keeps the card and the marks proposed; then the verdict stands at the foot of the
screen, and one more press, not counted, opens its reasons. In a second walk it also says that the
collar proposed is all of it, which is asked: only then is that looked through for signs. In 0.2.0
it draws the card and the marks of the second walk one by one, each by the shortest way offered. The
last walk does the second twice, on two photos chosen together (the same picture and its mirror
image; choosing files counts as two presses). Seconds are the waiting that was measured plus
the keystroke-level model of Card, Moran and Newell (1980; operators from memory): 1.35 s to
decide, 1.1 s to point, 0.2 s to press; a stroke at 150 CSS pixels a second and 0.5 s for each
flick of 500 pixels are our own judgement. The bird is painted: its figures say how the app is
used, and nothing about how well it reads feathers. The outlines drawn in 0.2.0 are those that ship
with the bird, the proposed ones are others: the two verdicts need not agree.
"""

import argparse
import functools
import itertools
import os
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import Image, ImageOps
from playwright.sync_api import Locator, Page, sync_playwright

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "browser")]

from screen import ARGUMENTS, PHONE, QUIET, Screen, free_port, running  # noqa: E402

from fieldmarks.measure.region import Region, centre, vertices  # noqa: E402
from fieldmarks.measure.region_file import read_region_file  # noqa: E402
from fieldmarks.rules import load_rules  # noqa: E402

BIRD = "personatus_orange_collar"
PHOTO = ROOT / "demo_images" / f"{BIRD}.jpg"
Row = tuple[str, ...]
DECIDE, POINT, PRESS, SPEED, FLICK, FLICK_SECONDS = 1.35, 1.1, 0.2, 150.0, 500.0, 0.5
CLASSES = "all => all.map(e => e.className)"
RESULT = ROOT / "benchmarks" / "results" / "strokes.md"
START = """
import subprocess, sys
try:
    from fieldmarks.app.serve import command
except ModuleNotFoundError:  # 0.2.0
    from fieldmarks.serve import command
sys.exit(subprocess.call(command({port}, home_network=False)))
"""


@dataclass
class Person:
    """Someone at the app, and what it cost so far."""

    screen: Screen
    regions: dict[str, Region]
    size: tuple[int, int]
    presses: int = 0
    strokes: int = 0
    scrolled: float = 0.0
    thought: float = 0.0
    waited: float = 0.0

    @property
    def page(self) -> Page:
        """The browser page."""
        return self.screen.page

    @property
    def main(self) -> float:
        """How far the page is scrolled."""
        return float(self.page.evaluate("document.querySelector('[data-testid=stMain]').scrollTop"))

    def settle(self) -> None:
        """Wait for the app, and count the seconds."""
        began = time.monotonic()
        for _ in range(2):
            self.page.wait_for_timeout(150)
            self.page.wait_for_function(QUIET, timeout=90_000)
        self.waited += time.monotonic() - began - 0.3

    def reach(self, what: Locator) -> None:
        """Scroll until something is in sight."""
        box = what.bounding_box()
        assert box is not None
        low, high = 60, PHONE[1] - 60
        if box["y"] >= low and box["y"] + min(box["height"], high - low) <= high + 1:
            return
        before = self.main
        what.evaluate("e => e.scrollIntoView({block: 'center'})")
        self.page.wait_for_timeout(100)
        gone = abs(self.main - before)
        self.scrolled += gone
        self.thought += FLICK_SECONDS * max(1, round(gone / FLICK))

    def press(self, what: Locator) -> None:
        """Decide, point, press, wait."""
        self.reach(what)
        what.tap()
        self.presses += 1
        self.thought += DECIDE + POINT + PRESS
        self.settle()

    def at(self, point: Any) -> tuple[float, float]:
        """Place on the page of a photo pixel."""
        box = self.page.locator("img.photo").bounding_box()
        assert box is not None
        return (
            box["x"] + point[0] * box["width"] / self.size[0],
            box["y"] + point[1] * box["height"] / self.size[1],
        )

    def tap(self, point: Any) -> None:
        """Tap a place of the photo."""
        self.reach(self.page.locator(".stage"))
        self.screen.stroke([self.at(point)])
        self.presses += 1
        self.thought += DECIDE + POINT + PRESS
        self.settle()

    def draw(self, mark: str) -> None:
        """Draw round a mark."""
        self.reach(self.page.locator(".stage"))
        points = [self.at(p) for p in vertices(self.regions[mark].shape)]
        trail = [*points, points[0]]
        long = 0.0
        for (x0, y0), (x1, y1) in itertools.pairwise(trail):
            long += ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
        self.screen.stroke(trail)
        self.strokes += 1
        self.thought += DECIDE + POINT + long / SPEED
        self.settle()

    @property
    def verdict(self) -> str:
        """What the page says, wherever it is."""
        found = self.page.locator(".fm-verdict").locator("visible=true")
        bar = self.page.locator(".fm-bar").locator("visible=true")
        found = bar if bar.count() else found
        return found.first.inner_text() if found.count() else ""


def before(person: Person, wanted: Sequence[str]) -> None:
    """0.2.0: each mark is taken from the proposed ones, or else from the list, and drawn."""
    person.draw("card")
    todo = [mark for mark in wanted if mark != "card"]
    while todo:
        offered = person.page.locator("[class*=st-key-next_]")
        names = [c.split("st-key-next_")[1].split()[0] for c in offered.evaluate_all(CLASSES)]
        known = [n for n, mark in enumerate(names) if mark in todo]
        if known:
            mark = names[known[0]]
            person.press(offered.nth(known[0]).locator("button"))
        else:
            mark = todo[0]
            choice = person.page.locator(".next-mark")
            person.reach(choice)
            choice.select_option(mark)
            person.presses += 2  # the list is opened, the mark chosen
            person.thought += DECIDE + 2 * (POINT + PRESS)
            person.settle()
        person.draw(mark)
        todo.remove(mark)
    person.reach(person.page.locator(".fm-verdict").locator("visible=true").first)


def after(person: Person, collar: bool, mirrored: bool = False) -> list[str]:
    """Now: eye, beak tip and tail end are tapped, the card and the marks proposed are kept.

    With ``collar`` the one proposed is said to be all of it. Gives the marks outlined then.
    """
    page = person.page
    drawn = {mark: one.shape for mark, one in person.regions.items()}
    places = [centre(drawn["pupil"])]
    places += [
        vertices(person.regions[mark].shape).mean(axis=0) for mark in ("beak_tip", "tail_tip")
    ]
    for x, y in places:
        person.tap((person.size[0] - x if mirrored else x, y))
    page.get_by_role("button", name="Keep ", exact=False).first.wait_for(timeout=60_000)
    if collar:
        person.press(page.locator(".offers [data-mark=collar]"))
    person.press(page.locator("[data-do=keep]"))
    names = {row.name: key for key, row in load_rules().marks.items()}
    said = page.locator(".list button").evaluate_all("all => all.map(e => e.ariaLabel)")
    return [names[one.split(", ")[1]] for one in said]


def two_photos(person: Person, folder: Path) -> None:
    """Now: two photos are chosen together, and the marks proposed on each are kept."""
    page = person.page
    second = folder / "mirrored.jpg"
    ImageOps.mirror(Image.open(PHOTO)).save(second, quality=92)
    person.presses += 2
    person.thought += DECIDE + 2 * (POINT + PRESS)
    page.locator("input[type=file]").first.set_input_files([PHOTO, second])
    page.locator(".stage[aria-label]").wait_for(timeout=60_000)
    person.settle()
    after(person, collar=True)
    person.press(page.get_by_role("radio", name="2 mirrored (0)"))
    after(person, collar=True, mirrored=True)


def walk(name: str, checkout: Path, way: Callable[[Person], None], chosen: bool = True) -> Row:
    """One way from the first screen to the verdict, as a row of the table.

    With ``chosen`` the example is opened first.
    """
    port = free_port()
    command, address = [sys.executable, "-c", START.format(port=port)], f"http://127.0.0.1:{port}"
    with (
        running(command, address, checkout, PYTHONPATH=str(checkout)),
        sync_playwright() as playwright,
    ):
        path = os.environ.get("CHROMIUM", "/usr/bin/chromium")
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        context = browser.new_context(
            viewport={"width": PHONE[0], "height": PHONE[1]}, has_touch=True, is_mobile=True
        )
        page = context.new_page()
        page.goto(address)
        page.locator(f".st-key-demo_{BIRD} button").wait_for(timeout=90_000)
        drawn = read_region_file(ROOT / "demo_images" / f"{BIRD}.regions.json")
        regions = {r.mark: r for r in drawn.regions}
        person = Person(Screen(page, context), regions, (drawn.width, drawn.height))
        person.settle()
        person.waited = 0.0
        if chosen:
            example = page.locator(".st-key-example button")
            demo = page.locator(f".st-key-demo_{BIRD} button")
            person.press(example if example.count() else demo)
            page.locator(".stage[aria-label]").wait_for(timeout=60_000)
            person.settle()
        way(person)
        headline = person.verdict.split("\n")[0]
        browser.close()
    return (
        name,
        str(person.presses),
        str(person.strokes),
        f"{person.scrolled:.0f}",
        f"{person.thought:.0f}",
        f"{person.waited:.0f}",
        f"{person.thought + person.waited:.0f}",
        headline,
    )


def main() -> None:
    """Walk through each checkout and write the table."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("checkout", type=Path, help="of version 0.2.0 (commit 9530de1)")
    marks: list[str] = []
    now = [
        walk("now, to the first verdict", ROOT, lambda one: marks.extend(after(one, False))),
        walk("now, with the collar", ROOT, lambda one: marks.extend(after(one, True))),
    ]
    wanted = list(dict.fromkeys(marks))
    rows = [walk("0.2.0", asked.parse_args().checkout, lambda one: before(one, wanted)), *now]
    with tempfile.TemporaryDirectory() as folder:
        two = functools.partial(two_photos, folder=Path(folder))
        rows.append(walk("now, two photos", ROOT, two, chosen=False))
    head = ("version", "presses", "strokes", "pixels scrolled", "s of the person", "s waited",
            "s in all", "verdict begins")  # fmt: skip
    lines = [f"| {' | '.join(row)} |" for row in (head, ("---",) * len(head), *rows)]
    said = (__doc__ or "").split("\n\n", 2)[2]
    RESULT.write_text(
        "# From opening a photo to the verdict\n\nWritten by `benchmarks/strokes.py`.\n\n"
        + "\n".join(lines)
        + f"\n\n{said}",
        encoding="utf-8",
    )
    print("\n".join(lines))


if __name__ == "__main__":
    main()
