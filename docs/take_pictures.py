"""Take the pictures of the README anew, from the app itself.

Run: python docs/take_pictures.py        (needs Chromium, as the browser tests do)

Everything in them is invented: a painted demo bird, and a bird of the invented club.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "tests" / "browser"))

from keeper import Keeper  # noqa: E402
from screen import ARGUMENTS, PHONE, Screen, serving  # noqa: E402

from fieldmarks.birds.invented import fill_with_invented_club  # noqa: E402
from fieldmarks.birds.store import Store  # noqa: E402
from fieldmarks.rules import load_rules  # noqa: E402

PICTURES = Path(__file__).parent / "pictures"
LAPTOP = (1440, 900)
PORT = 8613
BIRD = "personatus_orange_collar"


def keeper(browser: Browser, address: str, size: tuple[int, int], **how: object) -> Keeper:
    """Someone at the app, on a screen of that size."""
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, **how)
    page = context.new_page()
    page.goto(address)
    return Keeper(Screen(page, context))


def workbench(browser: Browser, address: str) -> None:
    """Outlines on the photo at the left, findings at the right."""
    at = keeper(browser, address, LAPTOP)
    regions = at.open_demo(BIRD)
    shapes = {r.mark: r.shape for r in regions.regions}
    for mark in ("card", "face", "collar", "nape", "rump", "forehead"):
        at.mark(mark, shapes[mark])
    at.page.evaluate("document.querySelector('[data-testid=stMain]').scrollTo(0, 0)")
    at.page.mouse.move(0, 0)
    at.page.wait_for_timeout(600)
    at.page.screenshot(path=PICTURES / "workbench.png")


def findings_on_a_phone(browser: Browser, address: str) -> None:
    """The whole verdict on one screen."""
    at = keeper(browser, address, PHONE, has_touch=True, is_mobile=True, device_scale_factor=2)
    at.open_demo(BIRD, with_marks=True)
    at.page.locator(".fm-bar").tap()
    at.page.wait_for_timeout(600)
    at.page.screenshot(path=PICTURES / "findings_phone.png")


def timeline(browser: Browser, address: str) -> None:
    """A bird of the invented club over its moults."""
    context = browser.new_context(viewport={"width": 1440, "height": 980})
    page = context.new_page()
    page.goto(f"{address}/birds")
    page.get_by_label("Name or ring", exact=True).fill("Ember")
    page.get_by_label("Name or ring", exact=True).press("Enter")
    page.get_by_role("button", name="Ember").first.click()
    page.get_by_role("heading", name="Ember").first.wait_for()
    page.get_by_text("A dot is a look").wait_for()
    page.wait_for_timeout(1500)
    page.screenshot(path=PICTURES / "timeline.png")


def main() -> None:
    """Fill a store with the invented club, start the app as a keeper does, take all pictures."""
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium")
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        os.environ["FIELDMARKS_STORE"] = place
        with Store(Path(place)) as store:  # the app finds it by the variable
            fill_with_invented_club(store, load_rules())
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        with serving(PORT) as address:
            for take in (workbench, findings_on_a_phone, timeline):
                take(browser, address)
        browser.close()


if __name__ == "__main__":
    main()
