"""Whatever a bird, a photo or a phone is called, every page, table, print and screen stays tame."""

import csv
import dataclasses
import io
import json
import re
from datetime import date
from html.parser import HTMLParser

import defusedxml.ElementTree
import geotagged
import pypdf
import pytest
import scenes
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter
from rich.console import Console

from fieldmarks._util.errors import CardError, FieldmarksError
from fieldmarks._util.sanitize import harmless, is_harmless, one_line
from fieldmarks.birds.collection import Filter, collection_csv
from fieldmarks.birds.listfile import accept_list, preview_list
from fieldmarks.birds.model import Bird, checked, from_json, new_id, to_json
from fieldmarks.birds.store import Store
from fieldmarks.cli.bird_looks import print_bird, print_list
from fieldmarks.cli.text import print_record
from fieldmarks.measure.correction import Correction
from fieldmarks.measure.phone_profile import PhoneProfile, load_profile
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.measure.region_file import from_annotations, region_set_from_text, to_annotations
from fieldmarks.pipeline import make_record
from fieldmarks.record import (
    FINDING_COLUMNS,
    READING_COLUMNS,
    Question,
    Record,
    finding_rows,
    reading_rows,
    rearm,
    record_to_json,
    to_csv,
)
from fieldmarks.report.page import report_page
from fieldmarks.report.pdf import report_pdf
from fieldmarks.report.picture import annotate, to_jpeg
from fieldmarks.rules import load_rules
from fieldmarks.rules.load import validate_tables

HOSTILE = {
    "script": "<script>alert(1)</script>",
    "attribute": "\"' onmouseover=alert(1) x='",
    "picture": "<img src=x onerror=alert(1)>",
    "svg end": "</text></svg><script>1</script>",
    "formula": "=cmd|' /C calc'!A0",
    "plus": "+1+1",
    "minus": "-2+3",
    "at": "@SUM(1)",
    "tab": "\t=1+1",
    "return": "\r=1+1",
    "second cell": "calm;=1+1",
    "wide": "\uff1d1+1",
    "quoted": "'=1+1",
    "lines": "one\ntwo\r\nthree",
    "right to left": "gpj.\u202egnp",
    "no width": "P\u200bip\ufeff",
    "nothing": "Pip\x00Pip",
    "terminal": "\x1b[2J\x1b]0;title\x07\x1b]8;;http://x\x07Pip\x9b2J",
    "markup": "[red]Pip[/red] [/] [link=http://x]",
    "markdown": "**Pip** [x](http://x) $x$ :smile:",
    "long": "x" * 10_000,
    "emoji": "\U0001f469\u200d\U0001f33e \U0001f99c",
    "half a sign": "Pip\ud800",
}
FORMULA = re.compile("^[=+@\t\r\uff1d\uff0b\uff20\uff0d-]")
ESCAPE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\u200b\ufeff]")


@pytest.fixture(scope="module")
def tables():
    return load_rules()


SCENE = [(Rectangle(20, 20, 80, 80), scenes.GREY_18), (Ellipse(300, 200, 60, 60), (30, 20, 10))]
PICTURE = scenes.to_file(scenes.linear_scene(SCENE))


def record_named(name, tables):
    """A measured photo of that name, whose region file bears it in every place."""
    photo = decode_photo(PICTURE, name)
    face = Region(name, "face", Ellipse(300, 200, 50, 50), note=name)
    drawn = to_annotations(RegionSet(name, 600, 400, (scenes.card(), face)))
    regions = region_set_from_text(json.dumps(drawn))
    return photo, make_record(photo, regions, tables, Question(claimed="personatus", draws=40))


@pytest.fixture(scope="module", params=HOSTILE)
def hostile(request, tables):
    name = HOSTILE[request.param]
    return name, *record_named(f"{name}.png", tables)


@pytest.fixture(scope="module")
def tame(tables):
    photo, record = record_named("Pip.png", tables)
    return Tags(report_page(record, to_jpeg(photo.preview(200)), tables))


class Tags(HTMLParser):
    """Every tag and attribute of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes = [], []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.attributes += [name for name, _ in attributes]


# ---- reports


def test_the_page_runs_nothing_and_has_no_tag_that_a_plain_name_does_not_give(
    hostile, tame, tables
):
    _, photo, record = hostile
    source = report_page(record, to_jpeg(photo.preview(200)), tables)
    page = Tags(source)
    assert set(page.tags) == set(tame.tags)
    assert set(page.attributes) == set(tame.attributes)
    assert not ESCAPE.search(source)


def test_the_pdf_opens_and_holds_no_script(hostile, tables):
    _, photo, record = hostile
    data = report_pdf(record, to_jpeg(photo.preview(200)), tables)
    reader = pypdf.PdfReader(io.BytesIO(data))
    assert len(reader.pages) >= 1
    root = reader.trailer["/Root"]
    assert "/JavaScript" not in root.get("/Names", {})
    assert "/AA" not in root
    # Opening may only turn to a page: a place, no action.
    assert isinstance(root.get("/OpenAction", []), list)
    acts = [a.get_object().get("/A", {}) for page in reader.pages for a in page.get("/Annots", [])]
    assert {act.get("/S", "/GoTo") for act in acts} <= {"/GoTo"}
    assert not ESCAPE.search("".join(page.extract_text() for page in reader.pages))


def test_the_photo_can_be_drawn_on(hostile):
    name, photo, record = hostile
    picture = annotate(photo, record.measurement.regions.regions, {"face": name}, {})
    assert to_jpeg(picture).startswith(b"\xff\xd8")


def test_every_drawing_stays_well_formed(hostile, tables):
    from fieldmarks.report.svg import svg, text

    name, _, _ = hostile
    drawing = svg(100, 20, [text(0, 10, name)], title=name, description=name)
    root = defusedxml.ElementTree.fromstring(drawing)
    tags = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert not tags & {"script", "image", "a", "foreignObject"}


def test_the_terminal_gets_no_command(hostile, tables):
    _, _, record = hostile
    out = io.StringIO()
    print_record(record, tables, Console(file=out, width=100, color_system=None))
    assert not ESCAPE.search(out.getvalue())


def test_a_record_of_that_name_can_be_read_again(hostile):
    _, _, record = hostile
    assert Record.from_json(record_to_json(record)) == record


# ---- tables of cells


def test_no_cell_of_our_tables_is_a_formula(hostile):
    _, _, record = hostile
    for columns, rows in (
        (READING_COLUMNS, reading_rows(record)),
        (FINDING_COLUMNS, finding_rows(record)),
    ):
        text = to_csv(columns, rows)
        for separator in ",;\t":
            for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator):
                bad = [cell for cell in row if FORMULA.match(cell) and not _number(cell)]
                assert bad == []


def _number(cell):
    try:
        float(cell)
    except ValueError:
        return cell in ("-", "")
    return True


@given(st.text(alphabet="=+-@'; \t\r\nab\uff1d", max_size=12))
@settings(max_examples=400, deadline=None)
def test_a_disarmed_cell_gives_its_text_again_and_never_runs(text):
    written = to_csv(["a"], [{"a": text}])
    (cell,) = list(csv.reader(io.StringIO(written, newline="")))[1] or [""]
    assert rearm(cell) == text
    assert not FORMULA.match(cell.strip(" "))
    for part in re.split("[;\t\r\n]", cell):
        assert not FORMULA.match(part.strip(" "))


def test_our_own_list_comes_back_as_it_went_out(tmp_path, tables):
    text = {k: v for k, v in HOSTILE.items() if len(v) < 200 and k != "half a sign"}
    with Store(tmp_path / "one") as store, Store(tmp_path / "two") as other:
        for number, name in enumerate(text.values()):
            store.save(
                Bird(new_id(), name, ring=f"{number}{name}", ring_kind="open", sex_by=name,
                     source=name, promised=name, notes=f"{name}\nsecond line", species="fischeri",
                     variety="green", hatched=date(2025, 1, 1), sex="cock")
            )  # fmt: skip
        sheet = collection_csv(store, Filter(), date(2026, 3, 1))
        preview = preview_list(sheet.encode(), [], tables)
        assert preview.problems == ()
        accept_list(other, preview)
        bare = {"id": "", "number": 0, "revision": 0, "saved_at": ""}
        one, two = (
            sorted((dataclasses.replace(b, **bare) for b in s.birds()), key=lambda b: b.ring)
            for s in (store, other)
        )
        assert one == two
        assert len(one) == len(text)


# ---- the store


@pytest.mark.parametrize("key", HOSTILE)
def test_what_is_kept_holds_nothing_that_acts(key):
    name = HOSTILE[key]
    try:
        kept = checked(Bird(new_id(), name, notes=name, source=name))
    except FieldmarksError:
        assert key in ("long", "half a sign")
        return
    assert is_harmless(kept.name)
    assert is_harmless(kept.notes)
    assert "\n" not in kept.name
    assert "\t" not in kept.name
    assert from_json(Bird, to_json(kept)) == kept


@given(st.text(max_size=150))
@settings(deadline=None)
def test_made_harmless_twice_is_made_harmless_once(text):
    for change in (harmless, one_line):
        once = change(text)
        assert is_harmless(once)
        assert change(once) == once
        once.encode("utf-8")


def test_lists_of_birds_print_without_commands_or_markup(tmp_path, tables):
    from fieldmarks.birds.collection import bird_page, list_birds

    out = io.StringIO()
    console = Console(file=out, width=100, color_system=None, markup=False, emoji=False)
    with Store(tmp_path / "store") as store:
        for name in HOSTILE.values():
            try:
                bird = store.save(Bird(new_id(), name, ring=name[:50], notes=name))
            except FieldmarksError:
                continue
            print_bird(bird_page(store, bird.id), tables, console)
        print_list(list_birds(store, Filter(), date.today()), date.today(), console)
    assert not ESCAPE.search(out.getvalue())
    assert "[red]Pip[/red]" in out.getvalue()


# ---- errors, files, profiles, tables


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE)
def test_an_error_is_one_harmless_line_whatever_the_file_is_called(name):
    line = str(FieldmarksError(f"it holds {name}", where=name, mend=name))
    assert not ESCAPE.search(line)
    assert "\n" not in line
    assert "\ud800" not in line
    assert len(line) < 2200
    with pytest.raises(FieldmarksError) as caught:
        decode_photo(b"no photo", name)
    assert not ESCAPE.search(str(caught.value))


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE)
def test_a_region_file_keeps_such_names_and_says_them_harmlessly(name):
    drawn = RegionSet(name, 96, 72, (Region(name, "face", Ellipse(40, 30, 9, 7), note=name),))
    (read,) = from_annotations(to_annotations(drawn)).regions
    assert (read.id, read.note) == (one_line(name), harmless(name))
    json.dumps(to_annotations(from_annotations(to_annotations(drawn))), ensure_ascii=False).encode()
    page = to_annotations(drawn)
    page["items"][0]["body"][0]["value"] = name
    from fieldmarks.measure.region import check_regions

    with pytest.raises(FieldmarksError) as caught:
        check_regions(from_annotations(page, name), {"face": "area"})
    assert not ESCAPE.search(str(caught.value))


def test_what_a_photo_says_of_its_camera_cannot_act():
    block = geotagged.tiff_blocks(
        {"first": {0x010F: (2, b"\x1b[2JEvil\0"), 0x0131: (2, b"\x07\x9b<script>\0")}}, {}
    )
    facts = decode_photo(geotagged.jpeg(block), "x.jpg").facts
    assert not ESCAPE.search(facts.camera + facts.software + facts.taken)
    assert "Evil" in facts.camera


def test_a_phone_profile_whose_file_was_given_an_odd_name_is_refused(tmp_path):
    bent = Correction(tone=(0.06, 0.0), known=((20.0, 0.0, 0.0),), source="chart")
    profile = PhoneProfile("\x1b[2J<script>", "", "", False, "", "", bent)
    path = tmp_path / "x.phone.json"
    path.write_bytes(TypeAdapter(PhoneProfile).dump_json(profile))
    with pytest.raises(CardError, match="cannot be the name"):
        load_profile(str(path))


def test_a_table_with_unseen_signs_or_endless_nesting_is_refused(tmp_path):
    file = tmp_path / "tints.toml"
    file.write_text('[tints.x]\nname = "\\u001b[2J"\n')
    assert "cannot be seen" in str(validate_tables(tmp_path)[0])
    file.write_text("a = " + "[" * 20_000 + "]" * 20_000)
    assert "not TOML" in str(validate_tables(tmp_path)[0])
