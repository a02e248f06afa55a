"""A real Chromium for the browser tests.

Chromium is Debian's (``apt-get install chromium-headless-shell``, which has no windows and does a
fifth less work; or ``chromium``), or the one named by ``CHROMIUM``. Without any, the tests are
skipped on a developer's machine and fail where ``CI`` is set.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from drawing import Drawing
from keeper import Keeper
from screen import ARGUMENTS, LAPTOP, LISTEN, PHONE, STILL, Screen, Server, serve

if TYPE_CHECKING:
    from playwright.sync_api import Browser


SLOW = 60_000  # milliseconds; several servers and browsers may start at once
PROGRAMS = ("chromium-headless-shell", "chromium", "chromium-browser")


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """One Chromium for all browser tests."""
    path = os.environ.get("CHROMIUM") or next(filter(None, map(shutil.which, PROGRAMS)), None)
    missing = "" if path else f"no Chromium found; install Debian's {PROGRAMS[0]!r}"
    try:
        from playwright.sync_api import expect, sync_playwright
    except ModuleNotFoundError:
        missing = "the Python package playwright is missing"
    if missing:
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)
    expect.set_options(timeout=SLOW)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def idle(chromium: Browser) -> dict[str, list[Screen]]:
    """Emptied pages by what they are like: one used again loads in a quarter of the time."""
    return {}


@pytest.fixture
def open_screen(
    chromium: Browser, idle: dict[str, list[Screen]], request: pytest.FixtureRequest
) -> Iterator[Callable[..., Screen]]:
    """Give a function that opens an address: size, touch, dark; empties all pages afterwards."""
    with opening(chromium, idle, request.session) as open_one:
        yield open_one


@pytest.fixture(scope="module")
def open_for_all(
    chromium: Browser, idle: dict[str, list[Screen]], request: pytest.FixtureRequest
) -> Iterator[Callable[..., Screen]]:
    """As ``open_screen``, for pages that the tests of a file share."""
    with opening(chromium, idle, request.session) as open_one:
        yield open_one


@contextmanager
def opening(
    chromium: Browser, idle: dict[str, list[Screen]], session: pytest.Session
) -> Iterator[Callable[..., Screen]]:
    """Give a function that opens an address, and empties all pages afterwards.

    A page opened on "about:blank", to be changed before it loads anything, is never used again.
    """
    opened: list[tuple[str, Screen]] = []
    failed = session.testsfailed

    def open_one(
        address: str,
        size: tuple[int, int] = LAPTOP,
        *,
        touch: bool = False,
        dark: bool = False,
        **options: Any,
    ) -> Screen:
        kind = "" if address == "about:blank" else repr((size, touch, dark, options))
        if kind and idle.get(kind):
            screen = idle[kind].pop()
        else:
            context = chromium.new_context(
                viewport={"width": size[0], "height": size[1]},
                has_touch=touch,
                is_mobile=touch,
                color_scheme="dark" if dark else "light",
                **options,
            )
            context.add_init_script(STILL)
            context.add_init_script(LISTEN)
            context.set_default_timeout(SLOW)
            screen = Screen(context.new_page(), context)
            screen.page.on("pageerror", lambda error: screen.problems.append(str(error)))
        opened.append((kind, screen))
        if screen.page.url.rstrip("/") not in (address, f"{address}/anew"):
            screen.page.goto(address)
        return screen

    yield open_one
    problems = [problem for _, screen in opened for problem in screen.problems]
    for kind, screen in opened:
        if kind and not problems and session.testsfailed == failed:
            screen.empty()
            idle.setdefault(kind, []).append(screen)
        else:
            screen.context.close()
    assert not problems, f"the page reported errors: {problems}"


@pytest.fixture(scope="session")
def board_address():
    """The page with nothing but the drawing board."""
    with serve(Path(__file__).with_name("marker_page.py")) as url:
        yield url


@pytest.fixture(scope="session")
def app_server():
    """The app as a keeper starts it."""
    server = Server()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def app_address(app_server):
    """Where it is."""
    return app_server.address


@pytest.fixture
def at_laptop(app_address, open_screen):
    return Keeper(open_screen(app_address, LAPTOP))


@pytest.fixture
def at_phone(app_address, open_screen):
    return Keeper(open_screen(app_address, PHONE, touch=True, device_scale_factor=2))


@pytest.fixture(scope="module")
def laptop_kept(app_address, open_for_all):
    """A laptop for tests of a file that each take another bird."""
    return Keeper(open_for_all(app_address, LAPTOP))


@pytest.fixture
def at_start(laptop_kept):
    """It, at the first screen."""
    laptop_kept.begin()
    return laptop_kept


@pytest.fixture(scope="module")
def marked(app_address, open_for_all):
    """A phone with a demo bird and all its marks, for the tests of a file that only look at it."""
    keeper = Keeper(open_for_all(app_address, PHONE, touch=True, device_scale_factor=2))
    keeper.open_demo("personatus_orange_collar", with_marks=True)
    return keeper


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
