"""What axe-core finds on a page: its script is sent once to a page, not before every look."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from axe_playwright_python.sync_playwright import Axe

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

LOOK = "([within, options]) => axe.run(within ?? document, options).then(r => r.violations)"


def violations(page: Page, within: str | None = None, **options: Any) -> list[dict[str, Any]]:
    """The rules that the page breaks; ``options`` are those of ``axe.run``.

    Style sheets are not loaded a second time ("preload"): only a rule that is off by default,
    and sound that starts by itself, ask for them.
    """
    if not page.evaluate("'axe' in window"):
        page.evaluate(f"{Axe().axe_script}\n;undefined")  # else the whole of it comes back
    options = {"resultTypes": ["violations"], "preload": False, **options}
    found: list[dict[str, Any]] = page.evaluate(LOOK, [within, options])
    return found


def in_theme(page: Page, theme: Literal["dark", "light"]) -> None:
    """Let the browser ask for a theme, and wait until the page has it."""
    page.emulate_media(color_scheme=theme)
    page.wait_for_function(
        "dark => getComputedStyle(document.querySelector('[data-testid=stApp]'))"
        ".backgroundColor.match(/[0-9]+/)[0] < 128 === dark",
        arg=theme == "dark",
    )


def violations_in_both_themes(page: Page, within: str | None = None, **options: Any) -> list[Any]:
    """The rules that the page breaks in light, and in dark, where only its colours differ."""
    in_theme(page, "dark")
    dark = violations(page, within, runOnly=["color-contrast", "link-in-text-block"])
    in_theme(page, "light")
    light = violations(page, within, **options)
    return [
        rule | {"theme": t} for t, rules in (("dark", dark), ("light", light)) for rule in rules
    ]


def contrast(element: Locator) -> float:
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

    def luminance(rgba: list[float]) -> float:
        parts = [v / 255 for v in rgba[:3]]
        parts = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    low, high = sorted((luminance(text), luminance(paper)))
    return (high + 0.05) / (low + 0.05)
