"""How soon the findings change after the finger is lifted, in a real Chromium at 12 megapixels.

Run: python benchmarks/live.py

Twenty regions of the invented 12-megapixel bird are drawn with real mouse events. The page's own
clock runs from the pointerup event to the first change on the verdict card.
"""

import statistics
import sys
from pathlib import Path

from _tables import markdown, save

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "browser"))

from keeper import Keeper
from playwright.sync_api import sync_playwright
from screen import ARGUMENTS, LAPTOP, Screen, free_port, serving

BIRD = "lilianae_large"
STROKES = 20
WATCH = """() => {
  const tally = () => (document.querySelector('.fm-verdict') || {}).innerText;
  window.fmTimes = [];
  document.addEventListener('pointerup', () => {
    const start = performance.now(), before = tally();
    const look = new MutationObserver(() => {
      if (tally() !== before) { window.fmTimes.push(performance.now() - start); look.disconnect(); }
    });
    look.observe(document.body, { subtree: true, childList: true, characterData: true });
  }, true);
}"""


def main() -> None:
    with serving(free_port()) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        context = browser.new_context(viewport={"width": LAPTOP[0], "height": LAPTOP[1]})
        page = context.new_page()
        page.goto(address)
        times = draw_all(Keeper(Screen(page, context)))
        browser.close()
    ordered = sorted(times)
    save(
        "live",
        f"From pointer-up to changed findings, {BIRD}, 12 megapixels",
        markdown(
            ("strokes", "median ms", "fastest", "slowest"),
            [
                (
                    len(times),
                    f"{statistics.median(times):.0f}",
                    f"{ordered[0]:.0f}",
                    f"{ordered[-1]:.0f}",
                )
            ],
        ),
    )


def draw_all(keeper: Keeper) -> list[float]:
    """Draw the bird's regions one by one; milliseconds of each."""
    regions = keeper.open_demo(BIRD).regions
    card = next(r for r in regions if r.mark == "card")
    keeper.mark("card", card.shape)
    keeper.page.evaluate(WATCH)
    marks = [r for r in regions if r.mark not in ("card", "pupil")][:STROKES]
    times: list[float] = []
    for region in marks:
        keeper.mark(region.mark, region.shape)
        seen = keeper.page.evaluate("window.fmTimes.splice(0)")
        times += seen[-1:]
    return times


if __name__ == "__main__":
    main()
