"""The app with hostile names and files, in a real Chromium: nothing runs, nothing leaks.

It takes 1 MB for a file here, so that one that is too large is soon made.
"""

import json
import os
import re
import socket
import sys
from pathlib import Path

import pytest
from _member import Member
from screen import LAPTOP, ROOT, free_port, running, settle

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.serve import command
from fieldmarks.birds.model import Bird, new_id
from fieldmarks.birds.store import Store

sys.path.append(str(ROOT / "tests" / "life"))
from made_birds import CLEAN, paint

NAMES = {
    "script": "<script>window.hurt=1</script>Aa",
    "picture": "<img src=x onerror='window.hurt=1'>Bb",
    "markdown": "**Cc** [x](javascript:window.hurt=1) ![y](http://127.0.0.1:9/y.png) $z$ :smile:",
    "template": "{{7*7}} ${7*7} &lt;b&gt;Dd",
    "terminal": "\x1b[2JEe\u202edlog",
    "long": "Ff" + "x" * 190,
}


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A home of its own, with a store of hostile birds."""
    place = tmp_path_factory.mktemp("home")
    (place / "work").mkdir()
    with Store(place / "data" / "birds") as store:
        for name in NAMES.values():
            store.save(Bird(new_id(), name, ring=name[:150], notes=name, source=name))
    return place


@pytest.fixture(scope="module")
def address(home):
    """The app as ``fieldmarks show`` starts it, but for a limit of 1 MB for a file."""
    port = free_port()
    environment = {
        "HOME": str(home), "XDG_DATA_HOME": str(home / "data"), "PYTHONPATH": str(ROOT),
        "XDG_CONFIG_HOME": str(home / "config"), "FIELDMARKS_STORE": str(home / "data" / "birds"),
        "PYTHONDONTWRITEBYTECODE": "1",
    }  # fmt: skip
    address = f"http://127.0.0.1:{port}"
    limited = [*command(port, home_network=False), "--server.maxUploadSize=1"]
    with running(limited, address, home / "work", **environment) as url:
        yield url


def unhurt(page):
    """No script ran, and no element was made out of a name."""
    assert page.evaluate("window.hurt") is None
    made = 'document.querySelectorAll(\'[onerror], a[href^="javascript"], img[src="x"]\').length'
    assert page.evaluate(made) == 0
    assert page.locator("img[src*='127.0.0.1:9/']").count() == 0


@pytest.fixture(scope="module")
def opened(address, open_for_all):
    """One page, on which each test begins by going where it looks."""
    screen = open_for_all(f"{address}/birds", LAPTOP)
    screen.page.on("dialog", lambda dialog: screen.problems.append(dialog.message))
    return screen


@pytest.fixture
def page(opened):
    yield opened.page
    assert opened.problems == []


def go(page, title, heading):
    page.get_by_role("link", name=title).first.click()
    page.get_by_role("heading", level=1, name=heading).first.wait_for(timeout=90_000)


def test_birds_of_hostile_names_are_listed_as_they_are_written(page):
    go(page, "Your birds", "Your birds")
    page.get_by_text("6 birds").first.wait_for(timeout=90_000)
    settle(page, looks=3)
    page.get_by_text("{{7*7}}").first.wait_for(timeout=60_000)  # the last of them by name
    unhurt(page)
    listed = page.locator("[data-testid=stApp]").inner_text()
    assert "<script>window.hurt=1</script>Aa" in listed
    assert "**Cc**" in listed
    assert "{{7*7}}" in listed
    assert "\x1b" not in listed
    assert "\u202e" not in listed


def test_no_page_that_names_such_a_bird_runs_anything(page):
    go(page, "Your birds", "Your birds")
    for key in ("script", "picture", "markdown", "template"):
        page.get_by_text("6 birds").first.wait_for(timeout=90_000)
        page.get_by_role("button", name=NAMES[key][:12]).first.click()
        title = page.get_by_role("heading", level=1).filter(has_text=NAMES[key][:12])
        title.wait_for(timeout=30_000)
        settle(page, looks=3)
        unhurt(page)
        page.get_by_role("button", name="All birds").click()
    for other in ("A pair?", "Pairs and young", "Two opinions?", "Before you buy"):
        go(page, other, other)
        settle(page, looks=3)
        box = page.get_by_role("combobox").first
        if box.count():
            box.click()
            page.wait_for_timeout(300)
            page.keyboard.press("Escape")
        unhurt(page)


def test_a_file_of_a_strange_kind_or_over_the_limit_is_not_taken(page, tmp_path):
    go(page, "Look at a bird", "Which lovebird is it")
    for name, content, said in (
        ("bird.exe", b"MZ" + bytes(100), "not allowed"),
        ("large.png", os.urandom(2 * 2**20), "or smaller"),
    ):
        file = tmp_path / name
        file.write_bytes(content)
        page.locator("input[type=file]").first.set_input_files(file)
        page.get_by_text(said).first.wait_for(timeout=20_000)


def test_a_photo_and_a_region_file_of_hostile_names_run_nothing(page, tmp_path):
    photo = tmp_path / "<img src=x onerror='window.hurt=1'>**b**.png"
    photo.write_bytes(paint(CLEAN))
    go(page, "Look at a bird", "Which lovebird is it")
    page.locator("input[type=file]").first.set_input_files(photo)
    page.locator("img.photo").first.wait_for(timeout=60_000)
    settle(page, looks=3)
    unhurt(page)
    page.get_by_text("Open a region file").click()
    bad = tmp_path / "<script>window.hurt=1<script>.json"
    bad.write_text('{"items": [{"id": "<img src=x onerror=window.hurt=1>", "target": {}}]}')
    page.locator("input[type=file]").last.set_input_files(bad)
    page.get_by_role("button", name="Use its regions").click()
    settle(page, looks=3)
    unhurt(page)


def test_two_keepers_at_once_never_see_each_others_photo(address):
    """Seen in what is sent to their pages, before they are drawn."""
    ada, ben = (Member(address, "", None) for _ in range(2))
    ada.upload("photo_file", "adas_secret_bird.png", paint(CLEAN))
    assert ada.told_to("fieldmarks_marker")["name"] == "adas_secret_bird.png"
    (picture,) = re.findall(r"/media/\w+", json.dumps(ada.told_to("fieldmarks_marker")))
    ben.run()
    loaded_again = Member(address, "", None)
    for other in (ben, loaded_again):
        sent = f"{other.elements} {other.known}"
        assert "adas_secret_bird" not in sent
        assert picture not in sent
        assert "Which lovebird is it" in sent
    for member in (ada, ben, loaded_again):
        member.close()


def test_only_this_computer_is_answered(address):
    port = int(address.rpartition(":")[2])
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # sends nothing; names this computer's own address
            own = probe.getsockname()[0]
        except OSError:
            own = ""
    if not own or own.startswith("127."):
        pytest.skip("this computer has no address but its own")
    with pytest.raises(OSError, match=r"refused|timed out"):
        socket.create_connection((own, port), timeout=3)


def test_the_app_writes_only_into_its_data_folder(address, home):
    """Runs last: after all that was done above, nothing lies anywhere else in this home."""
    assert list((home / "work").iterdir()) == []
    outside = [
        p.relative_to(home).as_posix()
        for p in Path(home).rglob("*")
        if p.is_file() and p.relative_to(home).parts[0] != "data"
    ]
    # Browser and font libraries keep caches of their own.
    assert [p for p in outside if not p.startswith((".cache/", ".config/matplotlib"))] == []


def test_a_bird_whose_name_is_too_long_is_refused_in_one_line(tmp_path):
    with Store(tmp_path / "s") as store, pytest.raises(FieldmarksError) as caught:
        store.save(Bird(new_id(), "x" * 10_000))
    assert len(str(caught.value)) < 300
