"""A Streamlit server and a real Chromium for the browser tests.

Chromium is Debian's (``apt-get install chromium``), or the one named by ``CHROMIUM``. Without any,
the tests are skipped on a developer's machine and fail where ``CI`` is set.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, CDPSession, Page

PHONE = (390, 844)
LAPTOP = (1440, 900)
ROOT = Path(__file__).resolve().parents[2]
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@contextmanager
def serve(script: str | Path, *, port: int | None = None, theme: str = "") -> Iterator[str]:
    """Run a Streamlit script on a free port of this machine only; gives its address."""
    if port is None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
    command = [
        sys.executable, "-m", "streamlit", "run", str(script), f"--server.port={port}",
        "--server.address=127.0.0.1", "--server.headless=true", "--server.fileWatcherType=none",
        "--browser.gatherUsageStats=false", "--client.toolbarMode=minimal",
    ]  # fmt: skip
    if theme:
        command.append(f"--theme.base={theme}")
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    server = subprocess.Popen(
        command,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": path},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        _wait(address, server)
        yield address
    finally:
        server.terminate()
        try:
            server.wait(10)
        except subprocess.TimeoutExpired:
            server.kill()


def _wait(address: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(240):
        if server.poll() is not None:
            pytest.fail(f"Streamlit stopped at once with code {server.returncode}")
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.25)
    pytest.fail("Streamlit did not answer within a minute")


@dataclass
class Screen:
    """One browser page, with real touch if it has a touch screen.

    ``problems`` collects the errors the page reported; a test that ends with some fails.
    """

    page: Page
    context: BrowserContext
    problems: list[str] = field(default_factory=list)
    _cdp: CDPSession | None = None

    def fingers(self, kind: str, *points: tuple[float, float]) -> None:
        """Send one touch event ("touchStart", "touchMove", "touchEnd") with these fingers."""
        if self._cdp is None:
            self._cdp = self.context.new_cdp_session(self.page)
        touches = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]
        self._cdp.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

    def stroke(self, points: list[tuple[float, float]]) -> None:
        """Draw along points of the page with one finger."""
        self.fingers("touchStart", points[0])
        for point in points[1:]:
            self.fingers("touchMove", point)
        self.fingers("touchEnd")

    def spread(self, middle: tuple[float, float], before: float, after: float) -> None:
        """Two fingers go from ``before`` to ``after`` pixels apart."""
        x, y = middle

        def pair(apart: float) -> list[tuple[float, float]]:
            return [(x - apart / 2, y), (x + apart / 2, y)]

        self.fingers("touchStart", *pair(before))
        for step in range(1, 13):
            self.fingers("touchMove", *pair(before + (after - before) * step / 12))
        self.fingers("touchEnd")

    def drag(self, points: list[tuple[float, float]], button: Any = "left") -> None:
        """Draw along points of the page with the mouse."""
        self.page.mouse.move(*points[0])
        self.page.mouse.down(button=button)
        for point in points[1:]:
            self.page.mouse.move(*point)
        self.page.mouse.up(button=button)


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
