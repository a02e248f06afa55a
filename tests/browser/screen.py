"""A Streamlit server, and a browser page with real mouse and touch, for the browser tests."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, CDPSession, Page

PHONE = (390, 844)
LAPTOP = (1440, 900)
POLLING = 50  # milliseconds between two looks; Playwright's default is every painted frame
QUIET = "document.querySelector('[data-testid=stApp]')?.dataset.testScriptState === 'notRunning'"
# Nothing sent is without an answer: a server with much to do begins its run late. (What keeps the
# line awake gets none.)
ANSWERED = "(!window.line || line.heard >= line.sent || performance.now() - line.sent > 5000)"
MAIN = "document.querySelector('[data-testid=stMain]')"  # the part of a page that scrolls
ROOT = Path(__file__).resolve().parents[2]
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
# Nothing fades or turns: painting it took a third of what the browser did.
STILL = """addEventListener("DOMContentLoaded", () => {
  const style = document.createElement("style");
  const still = "animation: none !important; transition: none !important";
  style.textContent = `*, ::before, ::after { ${still} }`;
  document.head.append(style);
})"""

# When a message last went to the server, and when one last came.
LISTEN = """window.line = { sent: 0, heard: 0 };
window.WebSocket = class extends WebSocket {
  constructor(...args) {
    super(...args);
    this.addEventListener("message", () => (line.heard = performance.now()));
  }
  send(data) {
    line.sent = performance.now();
    super.send(data);
  }
};"""


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def serving(port: int) -> Iterator[str]:
    """Run the app on a port as a keeper starts it; gives its address."""
    from fieldmarks.app.serve import command

    with running(command(port, home_network=False), f"http://127.0.0.1:{port}") as url:
        yield url


class Server:
    """The app as a keeper starts it, which can be stopped and started again on its port."""

    def __init__(self) -> None:
        self._port = free_port()
        self.start()

    def start(self) -> None:
        self._until = ExitStack()
        self.address = self._until.enter_context(serving(self._port))

    def stop(self) -> None:
        self._until.close()

    @contextmanager
    def down(self) -> Iterator[None]:
        """Stop it for a while."""
        self.stop()
        try:
            yield
        finally:
            self.start()


@contextmanager
def serve(script: str | Path, *, address: str = "127.0.0.1") -> Iterator[str]:
    """Run a Streamlit script on a free port of this machine only; gives its address."""
    port = free_port()
    command = [
        sys.executable, "-m", "streamlit", "run", str(script), f"--server.port={port}",
        f"--server.address={address}", "--server.headless=true", "--server.fileWatcherType=none",
        "--browser.gatherUsageStats=false", "--client.toolbarMode=minimal",
    ]  # fmt: skip
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])
    with running(command, f"http://{address}:{port}", cwd=ROOT, PYTHONPATH=path) as url:
        yield url


@contextmanager
def running(
    command: list[str], address: str, cwd: Path | None = None, **environment: str
) -> Iterator[str]:
    """Run a server until it is no longer needed; gives its address once it answers."""
    server = subprocess.Popen(
        command,
        cwd=cwd,
        env=os.environ | environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_for_server(address, server)
        yield address
    finally:
        server.terminate()
        try:
            server.wait(10)
        except subprocess.TimeoutExpired:  # a page that is open may hold it up
            server.kill()
            server.wait()


def wait_for_server(address: str, server: subprocess.Popen[bytes]) -> None:
    for _ in range(240):
        if server.poll() is not None:
            pytest.fail(f"Streamlit stopped at once with code {server.returncode}")
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                return
        except (urllib.error.URLError, OSError):
            time.sleep(0.25)
    pytest.fail("Streamlit did not answer within a minute")


def settle(page: Page, looks: int = 2) -> None:
    """Wait until the app has dealt with everything that was done."""
    for _ in range(looks):
        page.wait_for_timeout(200)
        page.wait_for_function(f"{QUIET} && {ANSWERED}", polling=POLLING, timeout=90_000)


def wait_until_dressed(page: Page) -> None:
    """Wait for the app's own look: under load a page may stand for a moment in Streamlit's."""
    dressed = "getComputedStyle(document.documentElement).getPropertyValue('--fm-ink') !== ''"
    page.wait_for_function(dressed, polling=POLLING, timeout=90_000)


@dataclass
class Screen:
    """One browser page, with real touch if it has a touch screen.

    ``problems`` collects the errors the page reported; a test that ends with some fails.
    """

    page: Page
    context: BrowserContext
    problems: list[str] = field(default_factory=list)

    @cached_property
    def devtools(self) -> CDPSession:
        """What Playwright itself has no words for."""
        return self.context.new_cdp_session(self.page)

    def empty(self) -> None:
        """Leave the page, and forget all that it kept in this browser.

        A page that can begin anew by itself does so: it is not loaded again.
        """
        self.page.evaluate("sessionStorage.clear()")
        anew = self.page.get_by_role("button", name="Begin anew")
        if anew.count():
            self.page.evaluate("localStorage.clear()")
            turn = "JSON.parse(document.querySelector('[data-testid=stCode] code').innerText).turn"
            before = self.page.evaluate(turn)
            self.page.mouse.move(0, 0)
            anew.click()
            done = f"n => {turn} > n && {QUIET}"
            self.page.wait_for_function(done, arg=before, polling=POLLING)
            self.page.locator(".stage").nth(1).wait_for(state="detached")
            # The old board may have kept more as it went, and the page may stand scrolled.
            self.page.evaluate("localStorage.clear()")
            self.page.evaluate(f"{MAIN}.scrollTo(0, 0)")
            return
        way = self.page.get_by_role("link", name="Begin anew")
        if way.count() and way.bounding_box()["x"] >= 0:  # a phone folds the ways away
            way.click()
            self.page.get_by_role("heading", name="Begun anew").wait_for()
            settle(self.page, looks=1)
            self.page.evaluate("localStorage.clear()")
            return
        origin = self.page.evaluate("location.origin")
        self.page.goto("about:blank")
        kept = "cookies,local_storage,indexeddb,service_workers,cache_storage"
        self.devtools.send("Storage.clearDataForOrigin", {"origin": origin, "storageTypes": kept})

    def fingers(self, kind: str, *points: tuple[float, float]) -> None:
        """Send one touch event ("touchStart", "touchMove", "touchEnd") with these fingers."""
        touches = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]
        self.devtools.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

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
