"""Papers, album and clutch record: scanned and read as whoever has the paper does."""

import io
import re
from datetime import date, timedelta

import cv2
import numpy as np
import pypdf
import pypdfium2
import pytest
import zxingcpp
from app_page import AppTest
from made_birds import a_bird, an_entry
from typer.testing import CliRunner

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.brood import coming_up, note_event, save_young
from fieldmarks.birds.links import make_link, opened_by
from fieldmarks.birds.model import Bird, Pair, Young, new_id
from fieldmarks.birds.papers import NAMES, Told, paper_pdf, sheet_page, told_of
from fieldmarks.birds.store import Store
from fieldmarks.cli.main import app
from fieldmarks.report.qr import qr_svg

SERVER = "https://birds.example.org"


def printed(pdf, scale=3.0):
    """The first page as a scanner sees it, grey."""
    return np.asarray(pypdfium2.PdfDocument(pdf)[0].render(scale=scale).to_pil().convert("L"))


def words(pdf):
    return "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


@pytest.mark.parametrize("kind", NAMES)
def test_two_readers_scan_the_address_from_the_printed_paper(kind, tables):
    # One id for all runs: OpenCV's reader misses a sound code now and then, or stops at it.
    bird = Bird("0123456789abcdef" * 2, "Pip", "AB1", notes="private", source="Breeder B")
    address = f"{SERVER}/birds?bird={bird.id}"
    pdf = paper_pdf(kind, Told(bird, address=address), tables)
    picture = printed(pdf)
    assert [found.text for found in zxingcpp.read_barcodes(picture)] == [address]
    assert cv2.QRCodeDetector().detectAndDecode(picture)[0] == address
    assert "AB1" in words(pdf)
    assert "private" not in words(pdf)
    assert "Breeder B" not in words(pdf)
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == 1


def test_the_card_is_a6_and_the_sheets_a4(tables):
    for kind, size in (("card", (105, 148)), ("sheet", (210, 297)), ("transfer", (210, 297))):
        page = pypdf.PdfReader(io.BytesIO(paper_pdf(kind, Told(a_bird("P")), tables))).pages[0]
        mm = [float(side) / 72 * 25.4 for side in page.mediabox[2:]]
        assert mm == pytest.approx(size, abs=0.2)  # ISO 216


def test_a_code_survives_the_damage_it_is_made_for():
    """Level M mends 15 % of the codewords (ISO/IEC 18004); a white scratch takes fewer."""
    code = qr_svg("https://a.example/" + "x" * 90, "t")
    side = int(re.search(r'viewBox="0 0 (\d+)', code)[1])
    cells = np.full((side, side), 255, np.uint8)
    for x, y in re.findall(r"M(\d+) (\d+)h1\.02", code):
        cells[int(y), int(x)] = 0
    cells[side // 2 : side // 2 + 2, side // 3 : side // 2 + 8] = 255
    big = np.kron(cells, np.ones((8, 8), np.uint8))
    assert zxingcpp.read_barcodes(big)[0].text.endswith("x" * 90)
    assert (cells[:4] == 255).all()  # the quiet zone
    assert (cells[:, -4:] == 255).all()


@pytest.mark.parametrize(
    "address", ["ftp://x", "birds", "https://user:word@x/", "https://x/" + "é"]
)
def test_what_is_no_address_is_refused_in_one_line(tmp_path, address):
    run = ["bird", "--store", str(tmp_path)]
    assert CliRunner().invoke(app, [*run, "add", "Pip"]).exit_code == 0
    done = CliRunner().invoke(
        app, [*run, "paper", "Pip", str(tmp_path / "x.pdf"), "--address", address]
    )
    assert isinstance(done.exception, FieldmarksError)
    assert not (tmp_path / "x.pdf").exists()


def test_the_command_prints_what_opens_the_birds_own_page(tmp_path):
    run = ["bird", "--store", str(tmp_path)]
    CliRunner().invoke(app, [*run, "add", "Pip"])
    given = [*run, "paper", "Pip", str(tmp_path / "x.pdf"), "--kind", "card", "--address", SERVER]
    assert CliRunner().invoke(app, given).exit_code == 0
    with Store(tmp_path) as store:
        key = store.find("Pip").id
    (found,) = zxingcpp.read_barcodes(printed(tmp_path / "x.pdf"))
    assert found.text == f"{SERVER}/birds?bird={key}"


def test_the_sheet_shows_the_newest_photo_without_where_it_was_taken(store, tables, clean_shot):
    bird = store.save(a_bird("Pip"))
    store.save_entry(an_entry(bird), [clean_shot], tables)
    pdf = paper_pdf("sheet", told_of(store, bird), tables)
    images = [image for page in pypdf.PdfReader(io.BytesIO(pdf)).pages for image in page.images]
    assert len(images) == 1
    assert not images[0].image.getexif()
    assert clean_shot.record.conclusion.sentence[:30] in words(pdf)


def test_a_shared_sheet_is_the_reports_page_without_photo_notes_or_source(
    store, tables, clean_shot
):
    bird = store.save(a_bird("P<b>ip", notes="private", source="Breeder B"))
    store.save_entry(an_entry(bird), [clean_shot], tables)
    seen, entries, _ = opened_by(store, make_link(store, bird))
    page = sheet_page(seen, entries, tables)
    assert "P&lt;b&gt;ip" in page
    assert "<img" not in page
    assert "<script" not in page
    assert "private" not in page
    assert "Breeder B" not in page
    assert clean_shot.record.conclusion.sentence[:30] in page
    assert 'name="viewport"' in page


@pytest.mark.parametrize(
    ("marks", "side"),
    [
        (("rump", "tail_tip"), "Rump and tail"),
        (("iris", "beak_tip", "cere"), "The head, close"),
        (("bib", "chest"), "From the front"),
        (("nape", "back_of_head", "back"), "From behind"),
        (("face", "collar", "wing", "rump", "iris"), "From the side"),
        (("a mark of one's own",), "Another side"),
        ((), "Another side"),
    ],
)
def test_a_photo_stands_under_the_side_that_its_marks_show(marks, side):
    assert advice_table().side(marks) == side


def test_an_egg_is_followed_until_it_leaves_the_nest(store, tables):
    today = date.today()
    hatched = today - timedelta(days=8)
    cock, hen = (store.save(a_bird(n, sex=n, species="fischeri")) for n in ("cock", "hen"))
    pair = store.save(Pair(new_id(), cock.id, hen.id))
    pair = save_young(store, pair, Young("E1", laid=hatched - timedelta(days=23)), tables)

    def next_up():
        return [r.title for r in coming_up(store, tables, today)]

    assert next_up() == ["due to hatch", "closed ring", "leaves the nest"]
    pair = note_event(store, pair, "e1", "hatched", hatched, tables)
    assert next_up() == ["closed ring", "leaves the nest"]
    with pytest.raises(FieldmarksError, match="before it hatched"):
        note_event(store, pair, "E1", "ringed", hatched - timedelta(days=1), tables)
    pair = note_event(store, pair, "E1", "ringed", today, tables)
    assert next_up() == ["leaves the nest"]
    with pytest.raises(FieldmarksError, match="yet to come"):
        note_event(store, pair, "E1", "fledged", today + timedelta(days=40), tables)
    with pytest.raises(FieldmarksError, match="no such young"):
        note_event(store, pair, "E9", "fledged", today, tables)
    (young,) = store.pair(pair.id).young
    assert (young.laid, young.hatched, young.ringed) == (
        hatched - timedelta(days=23),
        hatched,
        today,
    )


def test_reminders_keep_to_birds_that_are_here(store, tables, clean_shot):
    from dataclasses import replace

    today = date(2026, 3, 1)
    bird = store.save(a_bird("Pip", species="fischeri", hatched=date(2026, 1, 1)))
    store.save_entry(
        an_entry(bird, stage="young plumage", day=date(2026, 2, 20)), [clean_shot], tables
    )
    (look,) = coming_up(store, tables, today)
    assert (look.who, look.title) == ("Pip", "look again")
    store.save(replace(store.bird(bird.id), status="given away"))
    assert coming_up(store, tables, today) == []


def page_of_matings():
    from fieldmarks.app.birds.pairs import mating_page

    mating_page()


def page_of_birds():
    from fieldmarks.app.birds.birds import birds_page

    birds_page()


@pytest.fixture
def home(tmp_path, monkeypatch):
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("FIELDMARKS_STORE", str(tmp_path))
    with Store(tmp_path) as store:
        yield store
    st.cache_resource.clear()


def test_one_press_notes_that_an_egg_hatched(home):
    cock, hen = (home.save(a_bird(n, sex=n, species="fischeri")) for n in ("cock", "hen"))
    laid = date.today() - timedelta(days=23)
    pair = home.save(Pair(new_id(), cock.id, hen.id, young=(Young("E1", laid=laid),)))
    page = AppTest.from_function(page_of_matings, default_timeout=60).run()
    (press,) = [b for b in page.button if b.label == "Note it"]
    press.click().run()
    assert not page.exception
    assert home.pair(pair.id).young[0].hatched == date.today()
    assert any("closed ring from" in h.value for h in page.get("html"))


def test_what_is_coming_up_goes_to_a_calendar(home, tmp_path):
    cock, hen = (home.save(a_bird(n, sex=n, species="fischeri")) for n in ("cock", "hen"))
    home.save(Pair(new_id(), cock.id, hen.id, young=(Young("E1", laid=date.today()),)))
    page = AppTest.from_function(page_of_birds, default_timeout=60)
    page.session_state["coming_up"] = True
    page.run()
    assert not page.exception
    assert any("due to hatch at about" in h.value for h in page.get("html"))
    given = ["bird", "--store", str(home.folder), "coming-up", "--into", str(tmp_path / "b.ics")]
    done = CliRunner().invoke(app, given)
    assert "due to hatch at about" in done.output
    assert (tmp_path / "b.ics").read_bytes().count(b"BEGIN:VEVENT") == 3


def test_the_address_of_a_paper_opens_its_bird(home):
    bird = home.save(a_bird("Pip", ring="AB1"))
    page = AppTest.from_function(page_of_birds, default_timeout=60)
    page.query_params["bird"] = bird.id
    page.run()
    assert page.title[0].value.startswith("Pip")
    page = AppTest.from_function(page_of_birds, default_timeout=60)
    page.query_params["bird"] = "<b>nothing</b>"
    page.run()
    assert not page.exception
    assert "no such bird" in page.error[0].value
