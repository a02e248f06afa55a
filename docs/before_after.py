"""Take the pictures before and after (0.2.0 and today) side by side.

Run: python docs/before_after.py CHECKOUT_OF_0.2.0      (needs Chromium, as the browser tests do)

Every bird in them is painted and invented.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PIL import Image, ImageDraw
from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT / "tests" / "browser"), str(ROOT / "benchmarks")]

from screen import ARGUMENTS, LAPTOP, PHONE, free_port, wait_for_server  # noqa: E402
from strokes import START  # noqa: E402

PICTURES = Path(__file__).parent / "pictures"
BIRD, NO_CARD = "personatus_orange_collar", "fischeri_no_card"
HEIGHT = {PHONE: 844, LAPTOP: 560}
LARGEST = 120_000  # bytes
QUIET = "document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'"


def settle(page: Page) -> None:
    """Wait until the app has dealt with everything that was done."""
    for _ in range(2):
        page.wait_for_timeout(300)
        page.wait_for_function(QUIET, timeout=90_000)
    page.wait_for_timeout(500)


def first_screen(page: Page) -> None:
    """The first screen of the app."""


def opened(page: Page, name: str = BIRD, marked: bool = False) -> None:
    """A photo just opened."""
    page.locator(f".st-key-demo_{'full_' * marked}{name} button").click()
    page.locator(".stage[aria-label]").wait_for(timeout=90_000)
    settle(page)


def verdict(page: Page, name: str = BIRD) -> None:
    """The verdict on a bird whose marks are drawn, as the way offered shows it."""
    opened(page, name, marked=True)
    bar = page.locator(".fm-bar").locator("visible=true")
    if bar.count():
        bar.click()
    else:
        page.locator(".fm-verdict").first.evaluate("e => e.scrollIntoView({block: 'start'})")
    settle(page)


def without_card(page: Page) -> None:
    """An orange-faced, red-billed bird without a card."""
    verdict(page, NO_CARD)


def findings(page: Page) -> None:
    """All species and signs."""
    opened(page, marked=True)
    details = page.get_by_role("tab", name="Details", exact=True)
    if details.count():
        details.click()
    else:
        page.get_by_role("tab").first.click()
    settle(page)
    page.get_by_role("tab").first.evaluate("e => e.scrollIntoView({block: 'start'})")
    page.wait_for_timeout(300)


def buying(page: Page) -> None:
    """Before you buy, with the photo worked on."""
    opened(page, marked=True)
    menu = page.get_by_test_id("stExpandSidebarButton").locator("visible=true")
    if menu.count():
        menu.click()
    page.get_by_role("link", name="Before you buy").locator("visible=true").first.click()
    page.get_by_role("heading", name="Before you buy").wait_for()
    if menu.count() or page.viewport_size == {"width": PHONE[0], "height": PHONE[1]}:
        page.get_by_test_id("stSidebarCollapseButton").locator("button").click()
    settle(page)


SHOTS: dict[str, tuple[Callable[[Page], None], tuple[int, int], bool]] = {
    "first_screen_phone": (first_screen, PHONE, False),
    "photo_opened_phone": (opened, PHONE, False),
    "verdict_phone": (verdict, PHONE, False),
    "verdict_phone_dark": (verdict, PHONE, True),
    "no_card_phone": (without_card, PHONE, False),
    "buying_phone": (buying, PHONE, False),
    "verdict_laptop": (verdict, LAPTOP, False),
    "findings_laptop_dark": (findings, LAPTOP, True),
}


def shot(browser: Browser, address: str, take: Any, size: tuple[int, int], dark: bool) -> Any:
    """A picture of one screen."""
    phone = size == PHONE
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, has_touch=phone, is_mobile=phone,
        color_scheme="dark" if dark else "light",
    )  # fmt: skip
    page = context.new_page()
    page.goto(address)
    page.locator(f".st-key-demo_{BIRD} button").wait_for(timeout=90_000)
    settle(page)
    take(page)
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    context.close()
    return picture


def side_by_side(before: Image.Image, after: Image.Image, height: int) -> bytes:
    """Two pictures under their names, as a JPEG small enough to be kept."""
    wide = round(before.width * height / before.height)
    sheet = Image.new("RGB", (2 * wide + 12, height + 22), "white")
    pen = ImageDraw.Draw(sheet)
    for place, (name, picture) in enumerate((("0.2.0", before), ("now", after))):
        small = picture.resize((wide, height), Image.Resampling.LANCZOS)
        sheet.paste(small, (place * (wide + 12), 22))
        pen.text((place * (wide + 12) + 4, 5), name, fill="black")
    for quality in range(85, 20, -5):
        out = io.BytesIO()
        sheet.save(out, "JPEG", quality=quality, optimize=True)
        if out.tell() <= LARGEST:
            break
    return out.getvalue()


def main() -> None:
    """Take the pictures named, or all."""
    old = Path(sys.argv[1])
    wanted = sys.argv[2:] or list(SHOTS)
    with tempfile.TemporaryDirectory() as store, sync_playwright() as playwright:
        chromium = os.environ.get("CHROMIUM", "/usr/bin/chromium")
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        servers = []
        for checkout in (old, ROOT):
            port = free_port()
            server = subprocess.Popen(
                [sys.executable, "-c", START.format(port=port)], cwd=checkout,
                env=os.environ | {"PYTHONPATH": str(checkout), "FIELDMARKS_STORE": store},
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            servers.append((server, f"http://127.0.0.1:{port}"))
        try:
            for server, address in servers:
                wait_for_server(address, server)
            for name in wanted:
                take, size, dark = SHOTS[name]
                before, after = (shot(browser, a, take, size, dark) for _, a in servers)
                path = PICTURES / f"before_after_{name}.jpg"
                path.write_bytes(side_by_side(before, after, HEIGHT[size]))
                print(path.name, path.stat().st_size)
        finally:
            browser.close()
            for server, _ in servers:
                server.terminate()
                server.wait(30)


if __name__ == "__main__":
    main()
