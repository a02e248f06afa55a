"""Take the pictures before and after (0.2.0 and today) side by side.

Run: python docs/before_after.py CHECKOUT_OF_0.2.0      (needs Chromium and pypdfium2)

Every bird in them is painted and invented.
"""

from __future__ import annotations

import io
import os
import sys
import tempfile
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pypdfium2
from PIL import Image, ImageDraw
from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT / "tests" / "browser"), str(ROOT / "benchmarks")]

from screen import ARGUMENTS, LAPTOP, PHONE, QUIET, Screen, free_port, running  # noqa: E402
from strokes import START  # noqa: E402

from fieldmarks.measure.region import vertices  # noqa: E402
from fieldmarks.measure.region_file import read_region_file  # noqa: E402

PICTURES = Path(__file__).parent / "pictures"
BIRD, NO_CARD = "personatus_orange_collar", "fischeri_no_card"
HEIGHT = {PHONE: 844, LAPTOP: 560}
LARGEST = 120_000  # bytes


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
    elif page.viewport_size == {"width": PHONE[0], "height": PHONE[1]}:
        page.locator(".fm-verdict").first.evaluate("e => e.scrollIntoView({block: 'start'})")
    settle(page)


def without_card(page: Page) -> None:
    """An orange-faced, red-billed bird without a card."""
    verdict(page, NO_CARD)


def findings(page: Page) -> None:
    """All species, signs and colours."""
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


def by_hand(page: Page, name: str = BIRD) -> None:
    """A photo just opened, to be drawn on; the card found is refused."""
    opened(page, name)
    for words in ("Draw by hand", "No"):
        button = page.get_by_role("button", name=words, exact=True)
        if button.count():
            button.click()
            settle(page)


def shape_of(mark: str, name: str = BIRD) -> list[Any]:
    """Corners of a mark that ships with a demo bird, as shares of the photo's width and height."""
    drawn = read_region_file(ROOT / "demo_images" / f"{name}.regions.json")
    shape = next(r.shape for r in drawn.regions if r.mark == mark)
    return [(x / drawn.width, y / drawn.height) for x, y in vertices(shape)]


def draw(page: Page, corners: list[Any]) -> None:
    """Draw round a place by mouse or finger."""
    page.locator(".stage").evaluate("e => e.scrollIntoView({block: 'nearest'})")
    box = page.locator("img.photo").bounding_box()
    assert box is not None
    at = [(box["x"] + x * box["width"], box["y"] + y * box["height"]) for x, y in corners]
    if len(at) > 2:
        at.append(at[0])
    screen = Screen(page, page.context)
    phone = page.viewport_size == {"width": PHONE[0], "height": PHONE[1]}
    (screen.stroke if phone else screen.drag)(at)
    settle(page)


def pick(page: Page, mark: str) -> None:
    """Choose the mark to draw, where it is on the list."""
    options = page.locator(".next-mark option").evaluate_all("all => all.map(one => one.value)")
    if mark in options:
        page.locator(".next-mark").select_option(mark)
        settle(page)


def to_top(page: Page) -> None:
    """Scroll to where the page begins."""
    page.locator("[data-testid=stMain]").evaluate("e => e.scrollTo(0, 0)")
    page.wait_for_timeout(300)


def chart_patch(page: Page) -> None:
    """A patch of a colour chart was drawn, where the list has one."""
    opened(page, marked=True)
    pick(page, "chart_patch")
    if page.locator(".next-mark").input_value() == "chart_patch":
        draw(page, [(0.75, 0.7), (0.85, 0.7), (0.85, 0.8), (0.75, 0.8)])
    to_top(page)


def scale(page: Page) -> None:
    """A scale line was drawn; nobody has said yet how long it is."""
    opened(page, marked=True)
    pick(page, "scale")
    draw(page, [(0.1, 0.85), (0.3, 0.85)])
    page.get_by_label("Length of the scale").evaluate("e => e.scrollIntoView({block: 'center'})")
    page.wait_for_timeout(300)


def after_a_stroke(page: Page) -> None:
    """The card was drawn: what is to be drawn now?"""
    by_hand(page)
    pick(page, "card")
    draw(page, shape_of("card"))
    to_top(page)


def collar_found(page: Page) -> None:
    """The collar as the program finds it."""
    opened(page)
    middle = [sum(v) / len(v) for v in zip(*shape_of("collar"), strict=True)]
    if page.locator(".ask").locator("visible=true").count():
        for mark in ("pupil", "beak_tip", "tail_tip"):
            draw(page, [[sum(v) / len(v) for v in zip(*shape_of(mark), strict=True)]])
        page.locator(".offers [data-mark=collar]").click(timeout=60_000)
        settle(page)
    else:
        pick(page, "collar")
        page.locator("[data-tool=tap]").click()
        draw(page, [middle])
        page.get_by_role("button", name="Keep it").wait_for(timeout=60_000)
    to_top(page)


def marked(page: Page) -> None:
    """A bird whose marks are drawn, at the top of the page."""
    opened(page, marked=True)
    to_top(page)


def one_species(page: Page) -> None:
    """One species, opened."""
    findings(page)
    ours = page.locator("details.fm-species")
    row = (ours if ours.count() else page.locator("[data-testid=stExpander] details")).first
    if row.get_attribute("open") is None:
        row.locator("summary").first.click()
    settle(page)


def the_light(page: Page) -> None:
    """What the card says about the light."""
    opened(page, marked=True)
    said = page.get_by_text("tint of the light removed").or_(page.get_by_text("The grey card sho"))
    said.first.evaluate("e => e.scrollIntoView({block: 'center'})")
    page.wait_for_timeout(300)


def loaded_anew(page: Page) -> None:
    """The page was loaded anew after marks were drawn."""
    opened(page)
    by_hand_again = page.get_by_role("button", name="Draw by hand", exact=True)
    if by_hand_again.count():
        by_hand_again.click()
        settle(page)
    for mark in ("face", "belly"):
        pick(page, mark)
        draw(page, shape_of(mark))
    page.reload()
    page.locator(f".st-key-demo_{BIRD} button").wait_for(timeout=90_000)
    settle(page)


def too_large(page: Page) -> None:
    """A file of 300 MB was chosen. It only says that it is so large."""
    page.evaluate(
        """() => {
            const file = new File(['x'], 'large.jpg', { type: 'image/jpeg' });
            Object.defineProperty(file, 'size', { value: 300e6 });
            const input = document.querySelector('[data-testid=stFileUploader] input');
            Object.defineProperty(input, 'files', { value: [file] });
            input.dispatchEvent(new Event('change', { bubbles: true }));
        }"""
    )
    settle(page)


def report(page: Page) -> Any:
    """The first page of the report to print."""
    opened(page, marked=True)
    page.get_by_role("tab", name="Take away", exact=True).click()
    settle(page)
    with page.expect_download(timeout=90_000) as waiting:
        page.get_by_role("button", name="Report to print").click()
    return pypdfium2.PdfDocument(waiting.value.path())[0].render(scale=1.6).to_pil()


SHOTS: dict[str, tuple[Callable[[Page], Any], tuple[int, int], bool]] = {
    "first_screen_phone": (first_screen, PHONE, False),
    "photo_opened_phone": (opened, PHONE, False),
    "verdict_phone": (verdict, PHONE, False),
    "verdict_phone_dark": (verdict, PHONE, True),
    "no_card_phone": (without_card, PHONE, False),
    "buying_phone": (buying, PHONE, False),
    "verdict_laptop": (verdict, LAPTOP, False),
    "findings_laptop_dark": (findings, LAPTOP, True),
    "chart_laptop": (chart_patch, LAPTOP, False),
    "scale_laptop": (scale, LAPTOP, False),
    "after_a_stroke_phone": (after_a_stroke, PHONE, False),
    "collar_phone": (collar_found, PHONE, False),
    "marked_phone": (marked, PHONE, False),
    "species_laptop": (one_species, LAPTOP, False),
    "light_laptop": (the_light, LAPTOP, False),
    "loaded_anew_phone": (loaded_anew, PHONE, False),
    "too_large_phone": (too_large, PHONE, False),
    "report_page": (report, LAPTOP, False),
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
    picture = take(page) or Image.open(io.BytesIO(page.screenshot()))
    picture = picture.convert("RGB")
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
    with ExitStack() as stack:
        store = stack.enter_context(tempfile.TemporaryDirectory())
        addresses = []
        for checkout in (old, ROOT):
            port = free_port()
            command = [sys.executable, "-c", START.format(port=port)]
            settings = {"PYTHONPATH": str(checkout), "FIELDMARKS_STORE": store}
            server = running(command, f"http://127.0.0.1:{port}", checkout, **settings)
            addresses.append(stack.enter_context(server))
        playwright = stack.enter_context(sync_playwright())
        chromium = os.environ.get("CHROMIUM", "/usr/bin/chromium")
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        stack.callback(browser.close)
        for name in wanted:
            take, size, dark = SHOTS[name]
            before, after = (shot(browser, a, take, size, dark) for a in addresses)
            path = PICTURES / f"before_after_{name}.jpg"
            height = 844 if take is report else HEIGHT[size]
            path.write_bytes(side_by_side(before, after, height))
            print(path.name, path.stat().st_size)


if __name__ == "__main__":
    main()
