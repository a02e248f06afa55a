"""Away from home: a line that breaks, one that is slow, and none at all."""

import hashlib
import io
import json
import urllib.request

import numpy as np
import pytest
from keeper import Keeper
from line import Line, made_smaller
from PIL import Image
from playwright.sync_api import expect
from screen import PHONE
from test_photo import display_p3

from fieldmarks.measure.colour import difference, linear_to_lab
from fieldmarks.measure.photo import decode_photo


@pytest.fixture(scope="module")
def line(app_address):
    line = Line(int(app_address.rsplit(":", 1)[1]))
    yield line
    line.close()


@pytest.fixture(scope="module")
def away(line, open_for_all):
    """A keeper at the far end of the line; a second test goes on where the first one left."""
    return Keeper(open_for_all(f"http://localhost:{line.port}", PHONE, touch=True))


def test_the_page_is_kept_on_the_home_screen_and_the_sheet_opens_without_a_line(line, away):
    address = f"http://localhost:{line.port}"
    keeper, screen = away, away.screen
    told = screen.devtools.send("Page.getAppManifest")
    assert told["errors"] == []
    manifest = json.loads(told["data"])
    assert manifest["name"] == keeper.page.title() == "fieldmarks"
    wrong = screen.devtools.send("Page.getInstallabilityErrors")["installabilityErrors"]
    assert {error["errorId"] for error in wrong} <= {"in-incognito"}  # as all pages of tests are
    for icon in manifest["icons"]:
        with urllib.request.urlopen(address + icon["src"]) as answer:
            size = Image.open(io.BytesIO(answer.read())).size
        assert icon["sizes"] == f"{size[0]}x{size[1]}"
    ready = "navigator.serviceWorker.ready.then(r => r.active.state)"
    keeper.page.wait_for_function(f"{ready}.then(s => s === 'activated')", timeout=30_000)
    line.cut()
    keeper.page.goto(f"{address}/buy")
    expect(keeper.page.get_by_role("heading", name="Photograph", exact=True)).to_be_visible()
    assert keeper.page.locator("input[type=checkbox], .tick, li").count() > 5
    line.whole.set()
    keeper.page.goto(address)
    Keeper(screen)


def test_an_upload_goes_on_after_the_line_was_cut_in_its_middle(line, away, tmp_path):
    noise = np.random.default_rng(1).integers(0, 255, (800, 1000, 3), dtype=np.uint8)
    photo = tmp_path / 'nüm "one".jpg'
    Image.fromarray(noise).save(photo, quality=100, subsampling=0)
    size = photo.stat().st_size
    assert size > 2_000_000
    keeper, cuts = away, line.cuts
    keeper.settle()
    before = line.sent
    line.cut_at = before + size * 6 // 10
    keeper.page.locator("input[type=file]").first.set_input_files(photo)
    said = keeper.page.locator(".fm-arriving")
    expect(said).to_contain_text("% of the photo is there; the rest goes on", timeout=60_000)
    assert line.cuts == cuts + 1
    line.whole.set()
    keeper.page.locator("img.photo").wait_for(timeout=90_000)
    expect(said).to_be_hidden()
    # What was there was not sent again: at most the part that the cut met (512 KiB), and the rest
    # of what a page asks for when it comes back.
    assert line.sent - before < size + 512 * 1024 + 200_000
    days = "Object.keys(localStorage).filter(k => k.startsWith('fieldmarks day'))"
    assert "nüm _one_.jpg" in keeper.page.evaluate(f"{days}.map(k => localStorage[k]).join()")


def ask(address, method, key, body=b"", **headers):
    given = {k.replace("_", "-"): str(v) for k, v in headers.items()}
    asked = urllib.request.Request(f"{address}/arriving/{key}", body or None, given, method=method)
    try:
        with urllib.request.urlopen(asked, timeout=20) as answer:
            return answer.status, answer.headers["Upload-Offset"]
    except urllib.error.HTTPError as error:
        return error.code, error.headers["Upload-Offset"]


def test_parts_are_added_in_order_and_within_the_limits(app_address):
    key = hashlib.sha256(b"abcdef").hexdigest()
    assert ask(app_address, "HEAD", key) == (200, "0")
    assert ask(app_address, "PATCH", key, b"abc", Upload_Offset=0, Upload_Length=6) == (204, "3")
    assert ask(app_address, "PATCH", key, b"def", Upload_Offset=0, Upload_Length=6) == (409, "3")
    assert ask(app_address, "PATCH", key, b"defg", Upload_Offset=3, Upload_Length=6)[0] == 409
    assert ask(app_address, "HEAD", key) == (200, "3")
    large = 201 * 2**20
    assert ask(app_address, "PATCH", key, b"x", Upload_Offset=3, Upload_Length=large)[0] == 413
    assert ask(app_address, "PATCH", key, b"x")[0] == 400
    elsewhere = {"Origin": "https://elsewhere.example", "Upload_Offset": 3, "Upload_Length": 6}
    assert ask(app_address, "PATCH", key, b"def", **elsewhere)[0] == 421
    for bad in ("x", "..%2f..%2fbirds.sqlite", key.upper()):
        assert ask(app_address, "HEAD", bad)[0] in (400, 404)


@pytest.fixture(scope="module")
def slow_page(app_address, open_for_all):
    """A page that was told of a slow line."""
    keeper = Keeper(open_for_all(app_address, PHONE, touch=True, device_scale_factor=2))
    keeper.page.get_by_text("Slow line", exact=False).click()
    keeper.page.wait_for_function("document.body.dataset.fmSmaller === 'yes'", timeout=60_000)
    return keeper.page


@pytest.mark.parametrize("kind", ["sRGB", "Display P3"])
def test_a_photo_made_smaller_keeps_its_colours_and_says_so(slow_page, tmp_path, kind):
    """Patches of known colour, also such as sRGB cannot hold, before and after."""
    codes = np.array([[250, 130, 20], [40, 180, 60], [240, 210, 30], [119, 119, 119],
                      [20, 20, 22], [60, 90, 200], [235, 30, 40], [10, 240, 30]], "u1")  # fmt: skip
    patches = np.repeat(np.repeat(codes.reshape(2, 4, 3), 1500, 0), 1000, 1)
    exif = Image.Exif()
    exif[0x0132], exif[0x0112] = "2026:03:04 05:06:07", 6
    profile = display_p3() if kind == "Display P3" else None
    whole = tmp_path / "patches.jpg"
    Image.fromarray(patches).save(whole, quality=95, exif=exif, icc_profile=profile, subsampling=0)
    sent = made_smaller(slow_page, whole)
    before, after = decode_photo(whole.read_bytes(), "a.jpg"), decode_photo(sent, "a.jpg")
    assert max(after.width, after.height) == 2400
    assert after.width / after.height == pytest.approx(before.width / before.height, rel=1e-3)
    assert after.facts.taken == before.facts.taken == "2026:03:04 05:06:07"
    assert "made smaller in the browser" in " ".join(after.warnings)
    assert len(sent) < whole.stat().st_size
    errors = []
    for row in range(4):  # the photo is turned by its orientation
        for column in range(2):
            labs = []
            for photo in (before, after):
                x, y = (column + 0.5) / 2 * photo.width, (row + 0.5) / 4 * photo.height
                box = tuple(int(v) for v in (x - 40, y - 40, x + 40, y + 40))
                labs.append(linear_to_lab(np.median(photo.linear(box), axis=(0, 1))))
            errors.append(float(difference(*labs)))
    print(kind, np.round(errors, 2))
    assert max(errors) < 1.0, errors


def test_before_its_scripts_are_here_the_page_says_what_comes(app_address, open_screen):
    screen = open_screen("about:blank", PHONE)
    screen.page.route("**/static/js/**", lambda route: route.abort())
    screen.page.goto(app_address)
    expect(screen.page.get_by_text("fieldmarks is being loaded")).to_be_visible()
