"""A real Chromium for the browser tests.

Chromium is Debian's (``apt-get install chromium``), or the one named by ``CHROMIUM``. Without any,
the tests are skipped on a developer's machine and fail where ``CI`` is set.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from drawing import Drawing
from screen import ARGUMENTS, LAPTOP, PHONE, Screen, serve

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """One Chromium for all browser tests."""
    path = (
        os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    )
    missing = "" if path else "no Chromium found; install Debian's 'chromium'"
    try:
        from playwright.sync_api import sync_playwright
    except ModuleNotFoundError:
        missing = "the Python package playwright is missing"
    if missing:
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def open_screen(chromium: Browser) -> Iterator[Callable[..., Screen]]:
    """Give a function that opens an address: size, touch, dark; closes all pages afterwards."""
    opened: list[Screen] = []

    def open_one(
        address: str,
        size: tuple[int, int] = LAPTOP,
        *,
        touch: bool = False,
        dark: bool = False,
        **options: Any,
    ) -> Screen:
        context = chromium.new_context(
            viewport={"width": size[0], "height": size[1]},
            has_touch=touch,
            is_mobile=touch,
            color_scheme="dark" if dark else "light",
            **options,
        )
        page = context.new_page()
        screen = Screen(page, context)
        page.on("pageerror", lambda error: screen.problems.append(str(error)))
        opened.append(screen)
        page.goto(address)
        return screen

    yield open_one
    problems = [problem for screen in opened for problem in screen.problems]
    for screen in opened:
        screen.context.close()
    assert not problems, f"the page reported errors: {problems}"


@pytest.fixture(scope="module")
def board_address():
    """The page with nothing but the drawing board."""
    with serve(Path(__file__).with_name("marker_page.py")) as url:
        yield url


@pytest.fixture
def laptop(board_address, open_screen):
    return Drawing(open_screen(board_address, LAPTOP))


@pytest.fixture
def phone(board_address, open_screen):
    return Drawing(open_screen(board_address, PHONE, touch=True, device_scale_factor=2))


@pytest.fixture(params=["laptop", "phone"])
def board(request):
    return request.getfixturevalue(request.param)


@pytest.fixture
def with_square(laptop):
    """A board with one polygon of four corners, chosen, ready to adjust."""
    laptop.draw(laptop.path((1500, 700), (1900, 700), (1900, 1100), (1500, 1100), (1500, 705)))
    (region,) = laptop.after("drawn")
    assert len(region.shape.points) == 4
    laptop.tool("Adjust")
    return laptop
