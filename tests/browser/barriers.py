"""What axe-core finds on a page: its script is sent once to a page, not before every look."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from axe_playwright_python.sync_playwright import Axe

if TYPE_CHECKING:
    from playwright.sync_api import Page

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
