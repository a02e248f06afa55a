"""The sheet for a shop without a line says what the tables say, and fetches nothing."""

import io
import re

import pypdf
import pytest
from app_page import AppTest
from PIL import Image
from typer.testing import CliRunner

from fieldmarks.app.state import Day, open_demo
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.buying import (
    MARKS_ON_SHEET,
    possible_signs,
    shop_sheet,
    shop_sheet_page,
    shop_sheet_pdf,
)
from fieldmarks.cli.main import app
from fieldmarks.judge.signs import SignStatus, look_for_signs
from fieldmarks.pipeline import demo_birds, region_file_of
from fieldmarks.record import Question
from fieldmarks.report.blocks import Bullets, texts
from fieldmarks.rules import load_rules
from fieldmarks.rules.separation import separating_marks

TABLES = load_rules()


def said(content):
    return "\n".join(texts(block for section in content.sections for block in section.blocks))


def numbered(content):
    """The marks of the sheet, in its order."""
    return re.findall(r"^\d+ ([^:]+):", said(content), re.MULTILINE)


def test_the_marks_are_those_that_tell_most_species_apart():
    names = numbered(shop_sheet(TABLES))
    assert len(names) == MARKS_ON_SHEET
    table = separating_marks(TABLES)

    def pairs(name):
        told = ({r.name for r in rows if r.how == "always"} for rows in table.values())
        return sum(name in names for names in told)

    left = {mark.name for mark in TABLES.marks.values()} - set(names)
    assert min(map(pairs, names)) >= max(map(pairs, left))


@pytest.mark.parametrize("species", TABLES.species)
def test_the_signs_it_names_are_those_the_judge_could_see_in_that_variety(species):
    for variety in TABLES.varieties:
        judged = look_for_signs(TABLES, species, {}, {}, variety, "adult")
        seen = [TABLES.signs[s.key].text for s in judged if s.status != SignStatus.SAYS_NOTHING]
        assert list(possible_signs(TABLES, Question(variety, claimed=species))) == seen


@pytest.mark.parametrize("species", TABLES.species)
def test_of_a_species_it_says_what_its_table_says_and_no_other(species):
    text = said(shop_sheet(TABLES, Question(claimed=species)))
    row = TABLES.species[species]
    for name in numbered(shop_sheet(TABLES, Question(claimed=species))):
        key = next(k for k, m in TABLES.marks.items() if m.name == name)
        assert f"{name}: {row.marks[key].look.rstrip('.')}." in text
    others = [s for s in TABLES.signs.values() if s.species != species]
    own = [s.text for s in TABLES.signs.values()
           if s.species == species and "green" in s.series and "green" not in s.not_in]  # fmt: skip
    assert own
    assert all(one in text for one in own)
    assert not any(s.text in text for s in others if s.text not in own)


def test_it_warns_of_handling_and_sends_to_vet_quarantine_and_law():
    text = said(shop_sheet(TABLES))
    for word in ("Do not reach into the cage", "avian vet", "quarantine", "CITES", "local law",
                 "Never take a ring off"):  # fmt: skip
        assert word in text, word
    for row in (*advice_table().ask, *advice_table().check, *advice_table().view):
        assert row.text in text


def test_the_photos_asked_for_show_every_mark_that_tells_species_apart():
    shown = {mark for view in advice_table().view for mark in view.marks}
    assert shown <= set(TABLES.marks)
    telling = {row.mark for rows in separating_marks(TABLES).values() for row in rows}
    assert telling - set(TABLES.relations) <= shown


def test_on_paper_it_is_one_sheet_of_two_sides_with_what_the_page_says():
    for question in (None, *(Question(claimed=key) for key in TABLES.species)):
        file = pypdf.PdfReader(io.BytesIO(shop_sheet_pdf(TABLES, question)))
        assert len(file.pages) <= 2
        paper = re.sub(r"\s", "", "".join(page.extract_text() for page in file.pages))
        lists = [block for section in shop_sheet(TABLES, question).sections
                 for block in section.blocks if isinstance(block, Bullets)]  # fmt: skip
        for item in (item for one in lists for item in one.items):
            assert re.sub(r"\s", "", item) in paper


def test_the_page_fetches_nothing_and_its_boxes_can_be_ticked():
    page = shop_sheet_page(TABLES)
    assert not re.findall(r"(?:src|href)=[\"'](?!#|data:)", page)
    assert "url(h" not in page
    assert "default-src 'none'" in page
    asked = len(advice_table().ask) + len(advice_table().check) + len(advice_table().view)
    assert len(re.findall(r'<label><input type="checkbox">', page)) == asked


def test_the_command_writes_either_and_refuses_other_kinds(tmp_path):
    run = CliRunner().invoke
    for name, begins in (("s.pdf", b"%PDF"), ("s.html", b"<!doctype html>")):
        assert run(app, ["bird", "shop-sheet", str(tmp_path / name)]).exit_code == 0
        assert (tmp_path / name).read_bytes().startswith(begins)
    refused = run(app, ["bird", "shop-sheet", str(tmp_path / "s.doc")])
    assert "End it in .pdf or .html" in str(refused.exception)
    assert not (tmp_path / "s.doc").exists()


def page_of_buying():
    from fieldmarks.app.birds.buying import buying_page

    buying_page()


def test_the_shop_page_offers_the_sheet_and_after_a_photo_says_what_speaks_against_it():
    page = AppTest.from_function(page_of_buying, default_timeout=60).run()
    assert not page.exception
    offered = {button.label for button in page.get("download_button")}
    assert offered == {"Sheet for the shop (PDF)", "The same for your phone (HTML)"}
    work = open_demo(TABLES, demo_birds()["personatus_orange_collar"], with_regions=True)
    page.session_state["work"] = work
    page.run()
    assert not page.exception
    said = " ".join(part.value for part in page.get("html"))
    assert "Orange in the collar" in said
    assert "A photo shows no genes" in said


def test_photos_taken_in_the_shop_are_read_as_one_visit():
    """Each asked as what was said in the shop; together they give one verdict."""
    path = demo_birds()["personatus_orange_collar"]
    day = Day(TABLES, Question(claimed="personatus"))
    work = day.open(path.read_bytes(), path.name)
    work.open_regions(region_file_of(path).read_text(encoding="utf-8"), path.name)
    drawn = work.regions.regions
    with Image.open(path) as taken:
        again = io.BytesIO()
        taken.save(again, "PNG")
    other = day.open(again.getvalue(), "rump.png")
    work.regions = work.regions.with_regions(r for r in drawn if r.mark != "rump")
    other.regions = other.regions.with_regions(r for r in drawn if r.mark in ("card", "rump"))
    work.measure()
    other.assess()
    assert {one.record.question.claimed for one in work.day.photos} == {"personatus"}
    assert len(work.day.judged.records) == 2
    sheet = next(s for s in work.day.judged.assessment.sheets if s.species == "personatus")
    compared = {f.mark for f in sheet.findings if f.value is not None}
    assert {"rump", "collar"} <= compared
    assert work.day.judged.conclusion.sentence
