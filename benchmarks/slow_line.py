"""The app over a line of 1.5 Mbit/s: when something is seen, when it can be used, how a photo goes.

    python benchmarks/slow_line.py

The club's server with its proxy, a Chromium with a phone's screen, and between them a relay that
carries 1.5 Mbit/s each way, all connections together, with 80 ms of delay for each request. A photo
of 12 megapixels is chosen as it is and made smaller before; the marks are read on both.
"""

import base64
import hashlib
import os
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from _tables import markdown, save
from cryptography import x509
from cryptography.hazmat.primitives import serialization

import server

sys.path.insert(0, str(Path(__file__).parent.parent / "tests" / "browser"))

from line import Line, made_smaller
from members import Seat, scaled, seats
from playwright.sync_api import Page, Playwright, sync_playwright
from screen import ARGUMENTS, PHONE

from fieldmarks.measure.colour import difference
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import RegionSet
from fieldmarks.pipeline import make_record
from fieldmarks.record import Question, Record
from fieldmarks.rules import load_rules

RATE = 1.5e6 / 8  # bytes a second
DELAY_MS = 80
TITLE = "Which lovebird is it, and is it mixed?"
PAINTED = "performance.getEntriesByType('paint').map(e => [e.name, e.startTime])"


@dataclass
class Visit:
    """What one opening of the page took."""

    painted: float
    ready: float
    kilobytes: float


def visit(page: Page, address: str, line: Line) -> Visit:
    got = line.got
    begun = time.perf_counter()
    page.goto(address, wait_until="commit", timeout=120_000)
    page.get_by_role("heading", name=TITLE).wait_for(timeout=120_000)
    page.locator("input[type=file]").first.wait_for(state="attached", timeout=120_000)
    ready = time.perf_counter() - begun
    painted = dict(page.evaluate(PAINTED))["first-contentful-paint"] / 1000
    return Visit(painted, ready, (line.got - got) / 1000)


def trust(club: server.Club) -> str:
    """Chromium's option to hold the server's own certificate for a good one.

    To pass over its faults instead would keep Chromium from caching anything.
    """
    told = x509.load_pem_x509_certificate((club.folder / "proxy" / "certificate.pem").read_bytes())
    forms = serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    seal = hashlib.sha256(told.public_key().public_bytes(*forms)).digest()
    return f"--ignore-certificate-errors-spki-list={base64.b64encode(seal).decode()}"


def phone(playwright: Playwright, place: Path, trusted: str, cookie: str, address: str) -> Page:
    """A page of a phone that nothing is kept on yet."""
    context = playwright.chromium.launch_persistent_context(
        tempfile.mkdtemp(dir=place),
        executable_path="/usr/bin/chromium",
        args=[*ARGUMENTS, trusted],
        viewport={"width": PHONE[0], "height": PHONE[1]},
        is_mobile=True,
        has_touch=True,
    )
    name, value = cookie.split(";")[0].split("=", 1)
    context.add_cookies([{"name": name, "value": value, "url": address}])
    page = context.new_page()
    slow = {"offline": False, "latency": DELAY_MS}
    slow |= {"downloadThroughput": -1, "uploadThroughput": -1}
    tools = context.new_cdp_session(page)
    tools.send("Network.enable")
    tools.send("Network.emulateNetworkConditions", slow)
    return page


def allow_smaller(page: Page) -> None:
    page.get_by_text("Slow line", exact=False).click()
    page.wait_for_function("document.body.dataset.fmSmaller === 'yes'")
    page.wait_for_timeout(1000)


def send(page: Page, file: Path, line: Line) -> tuple[float, float]:
    """Seconds until the photo is shown, and kilobytes that were sent."""
    sent, begun = line.sent, time.perf_counter()
    page.locator("input[type=file]").first.set_input_files(file)
    page.locator("img.photo").wait_for(timeout=240_000)
    page.wait_for_function(
        "[...document.querySelectorAll('*')].some(e => "
        "e.shadowRoot?.querySelector('img.photo')?.complete)"
    )
    return time.perf_counter() - begun, (line.sent - sent) / 1000


def read(data: bytes, seat: Seat) -> Record:
    photo = decode_photo(data, seat.file)
    factor = photo.width / 4000
    drawn = scaled(seat.regions, factor).regions
    regions = RegionSet(photo.name, photo.width, photo.height, drawn, photo.sha256)
    return make_record(photo, regions, load_rules(), Question())


def main() -> None:
    # The demo bird that is painted at 12 megapixels, and six enlarged ones.
    sat = seats(7)
    with (
        server.a_folder() as place,
        sync_playwright() as playwright,
        server.started([sys.executable, *server.START], place / "club") as club,
    ):
        line = Line(club.port, RATE)
        address = f"https://localhost:{line.port}"
        cookie = club.sign_in(club.passphrase)
        page = phone(playwright, place, trust(club), cookie, address)
        first = visit(page, address, line)
        page.wait_for_timeout(4000)
        again = visit(page, address, line)
        page.wait_for_timeout(2000)
        photo = place / "bird.jpg"
        photo.write_bytes(sat[2].data)
        plain = send(page, photo, line)
        page = phone(playwright, place, trust(club), cookie, address)
        visit(page, address, line)
        allow_smaller(page)
        files = []
        for seat in sat:
            whole = place / seat.file
            whole.write_bytes(seat.data)
            files.append((seat, made_smaller(page, whole)))
        small = send(page, photo, line)
        page.context.close()
        line.close()
    off, same = [], 0
    for seat, data in files:
        whole, less = read(seat.data, seat), read(data, seat)
        same += whole.conclusion.outcome == less.conclusion.outcome
        off += [
            float(difference(np.array(less.readings[m].lab), np.array(r.lab)))
            for m, r in whole.readings.items()
            if m in less.readings
        ]
        lost = set(whole.readings) - set(less.readings)
        assert not lost, lost
    rows = [
        ["first visit: something is seen", f"{first.painted:.1f}", ""],
        ["first visit: a photo can be chosen", f"{first.ready:.1f}", f"{first.kilobytes:.0f}"],
        ["later visit: something is seen", f"{again.painted:.1f}", ""],
        ["later visit: a photo can be chosen", f"{again.ready:.1f}", f"{again.kilobytes:.0f}"],
        ["12 megapixels as the phone made them, sent and shown", f"{plain[0]:.1f}",
         f"{plain[1]:.0f} sent"],
        ["the same, made smaller before", f"{small[0]:.1f}", f"{small[1]:.0f} sent"],
    ]  # fmt: skip
    save(
        "slow_line",
        "Over a line of 1.5 Mbit/s",
        f"Made by `benchmarks/slow_line.py`: server, proxy and a Chromium with a phone's screen on "
        f"one machine of {os.cpu_count()} cores (load {os.getloadavg()[0]:.1f}, other work among "
        f"it), a relay of 1.5 Mbit/s each way between them, {DELAY_MS} ms of delay a request. The "
        "photos are invented birds at 4000 x 3000 pixels with grain, as JPEG of quality 92.",
        markdown(("what", "seconds", "kilobytes"), rows),
        f"Made smaller (2400 pixels, quality 92): {len(off)} marks of {len(files)} birds read "
        f"{np.median(off):.2f} CIEDE2000 off (median; 95 % below {np.percentile(off, 95):.2f}, "
        f"largest {max(off):.2f}) from the full photo; the outcome was the same for {same} of "
        f"{len(files)}. No mark was lost.",
    )


if __name__ == "__main__":
    main()
