"""Take-away reports: the record's numbers, readable, harmless, always the same."""

import dataclasses
import io
import itertools
import re
from html.parser import HTMLParser

import numpy as np
import pytest
import reported
from PIL import Image
from pypdf import PdfReader
from reported import HOSTILE, MARKS, texts

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.findings import Status
from fieldmarks.measure.photo import PhotoFacts
from fieldmarks.measure.region import Ellipse, Region, RegionSet
from fieldmarks.pipeline import demo_birds, demo_question, make_record, picture_of, record_of_file
from fieldmarks.report import picture as picture_module
from fieldmarks.report.drawings import likely_text
from fieldmarks.report.page import report_page
from fieldmarks.report.pdf import SUBSTITUTE, report_pdf
from fieldmarks.report.picture import annotate, to_jpeg, without_metadata
from fieldmarks.report.svg import number
from fieldmarks.report.views import AGAINST, FOR, finding_summary
from fieldmarks.rules.separation import tells_from


@pytest.fixture(scope="module")
def tables():
    return reported.shipped_tables()


@pytest.fixture(scope="module")
def record():
    return reported.record()


@pytest.fixture(scope="module")
def photo():
    return reported.photo()


@pytest.fixture(scope="module")
def jpeg(photo, record, tables):
    names = {key: row.name for key, row in tables.marks.items()}
    return to_jpeg(annotate(photo, record.measurement.regions.regions, names))


@pytest.fixture(scope="module")
def hostile(record):
    """The same record with hostile text wherever a file or a keeper can put text."""
    measured = record.measurement
    regions = dataclasses.replace(
        measured.regions,
        photo=HOSTILE,
        regions=tuple(
            dataclasses.replace(r, id=f"{n}{HOSTILE}", note=HOSTILE)
            for n, r in enumerate(measured.regions.regions)
        ),
    )
    patches = tuple(dataclasses.replace(p, region=HOSTILE) for p in measured.calibration.patches)
    measured = dataclasses.replace(
        measured,
        photo=HOSTILE,
        facts=PhotoFacts(HOSTILE, 8, HOSTILE, HOSTILE, HOSTILE, HOSTILE, True),
        regions=regions,
        calibration=dataclasses.replace(measured.calibration, patches=patches),
        warnings=(HOSTILE,),
    )
    assessment = dataclasses.replace(record.assessment, claimed=HOSTILE, cautions=(HOSTILE,))
    return dataclasses.replace(record, measurement=measured, assessment=assessment)


class Page(HTMLParser):
    """Tags with their attributes, tables as rows of cells, and the text of the body."""

    def __init__(self, source):
        super().__init__()
        self.tags, self.tables, self.text, self.cell, self.quiet = [], [], [], None, False
        self.feed(source)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.quiet = self.quiet or tag == "style"
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.cell = []

    def handle_endtag(self, tag):
        self.quiet = self.quiet and tag != "style"
        if tag in ("td", "th"):
            self.tables[-1][-1].append("".join(self.cell).strip())
            self.cell = None

    def handle_data(self, data):
        if self.cell is not None:
            self.cell.append(data)
        if not self.quiet:
            self.text.append(data)

    @property
    def words(self):
        return " ".join("".join(self.text).split())


@pytest.fixture(scope="module")
def page(record, jpeg, tables):
    return Page(report_page(record, jpeg, tables))


@pytest.fixture(scope="module")
def pdf(record, jpeg, tables):
    return report_pdf(record, jpeg, tables)


def pdf_words(data):
    """Text of a PDF in reading order, without its page feet."""
    pages = (p.extract_text() for p in PdfReader(io.BytesIO(data)).pages)
    return " ".join(" ".join(pages).split())


# --- views ---


def test_the_summary_holds_every_finding_once_and_the_telling_ones_first(record, tables):
    judged = record.assessment
    for view in finding_summary(record, tables):
        telling = tells_from(tables, view.species, judged.variety, judged.age)
        groups = [view.of(status) for status in Status]
        shown = [m.finding for group in groups for m in group]
        kept = record.assessment.sheet(view.species).findings
        assert len(shown) == len(kept)
        assert set(map(id, shown)) == set(map(id, kept))
        for group in groups:
            keys = [m.finding.mark for m in group]
            tells = [tuple(telling[key, how] for how in ("always", "sometimes")) for key in keys]
            assert tells == sorted(tells, reverse=True)


def test_a_mark_of_several_colours_shows_its_shares_and_not_one_colour(record, tables):
    view = next(v for v in finding_summary(record, tables) if v.species == "personatus")
    chest = next(m for m in view.marks if m.finding.mark == "chest")
    assert chest.pair == ""
    assert len(texts(chest.shares)) >= 2
    face = next(m for m in view.marks if m.finding.mark == "face")
    assert face.shares == ""
    assert "jet black" in texts(face.pair)


# --- the page ---


def test_the_page_says_the_conclusion_first(page, record):
    words = page.words
    sentence = " ".join(record.assessment.conclusion.sentence.split())
    assert sentence in words
    assert words.index(sentence) < words.index("L*")
    held = record.assessment.conclusion.held
    assert held is not None
    assert f"How likely that is, given the marks read: {likely_text(held)}." in words


def test_the_page_prints_the_readings_as_they_are_in_the_record(page, record, tables):
    table = next(t for t in page.tables if t[0][0] == "Mark" and "C*" in t[0])
    assert len(table) - 1 == len(record.measurement.readings)
    for row, reading in zip(table[1:], record.measurement.readings, strict=True):
        assert row[0].endswith(tables.marks[reading.mark].name)
        assert table[0][1:] == ["L*", "a*", "b*", "± (95 %)", "C*", "h"]
        wanted = (*reading.lab, reading.expanded, reading.chroma, reading.hue)
        assert [float(cell) for cell in row[1:]] == pytest.approx(wanted, abs=0.0501)


def test_the_page_prints_the_parts_of_each_uncertainty_and_their_sources(page, record):
    table = next(t for t in page.tables if "spread" in t[0])
    for row, reading in zip(table[1:], record.measurement.readings, strict=True):
        for part in reading.budget.parts:
            cell = row[table[0].index(part.name)]
            numbers = [float(v) for v in cell.split("/")]
            assert numbers == pytest.approx((part.lightness, part.chroma, part.hue), abs=0.00501)
            assert f"{part.name}: {part.source}" in page.words


def test_the_page_shows_every_compared_finding_of_every_species(page, record, tables):
    for view in finding_summary(record, tables):
        assert f"{view.species}, {view.name}: {view.tally}" in page.words
        for mark in view.of(*AGAINST) if view.subject else ():
            assert " ".join(mark.finding.reason.split()) in page.words
            limit = mark.finding.tolerance
            assert limit is None or f"limit {limit:g}" in page.words
    folded = [t for t in page.tables if t[0][:2] == ["Mark", "Expected"]]
    views = finding_summary(record, tables)
    # Drawn are those against the bird; listed those that fit it, and those against the others.
    rows = [m for v in views for m in v.of(*(FOR if v.subject else AGAINST))]
    assert sum(len(t) - 1 for t in folded) == len(rows) > 0
    by_row = [row for t in folded for row in t[1:]]
    for row, mark in zip(by_row, rows, strict=True):
        assert float(row[2]) == pytest.approx(mark.finding.value, abs=0.51)
        assert row[5:] == [likely_text(mark.finding.held), mark.finding.status.value]


def test_the_page_names_versions_fingerprints_and_colour_space(page, record):
    judged = record.assessment
    for needed in (
        record.program, judged.table_version, judged.table_fingerprint,
        record.measurement.sha256, record.colour_space, "No GPS place was found",
    ):  # fmt: skip
        assert needed in page.words


def test_signs_cautions_and_next_marks_are_all_on_the_page(page, record):
    judged = record.assessment
    for sign in judged.signs:
        assert " ".join(sign.text.split()) in page.words
    for caution in judged.cautions:
        assert caution in page.words
    for row in judged.next_marks[:6]:
        assert f"{row.name}: {row.look}" in page.words


def test_the_page_is_whole_in_itself_and_runs_nothing(record, jpeg, tables, hostile):
    for source in (report_page(record, jpeg, tables), report_page(hostile, jpeg, tables)):
        page = Page(source)
        assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "object", "form"}
        ids = [a["id"] for _, a in page.tags if "id" in a]
        assert len(ids) == len(set(ids))
        for _tag, attributes in page.tags:
            assert not [name for name in attributes if name.startswith("on")]
            for name in ("href", "src", "xlink:href", "action"):
                target = attributes.get(name, "#")
                if target.startswith("#"):
                    assert target == "#" or target[1:] in ids
                else:
                    assert target.startswith("data:image/jpeg;base64,")
            for reference in (attributes.get("aria-labelledby") or "").split():
                assert reference in ids
        policy = next(a["content"] for t, a in page.tags if t == "meta" and "http-equiv" in a)
        assert "default-src 'none'" in policy
        assert "script-src" not in policy
        assert "url(http" not in source
        assert "@import" not in source


def test_the_page_can_be_read_by_a_screen_reader(page):
    headings = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h\d", tag)]
    assert headings[0] == 1
    assert headings.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(headings))
    assert ("html", {"lang": "en"}) in page.tags
    names = [tag for tag, _ in page.tags]
    assert names.count("caption") == names.count("table") > 0
    assert all(a.get("scope") in ("col", "row") for t, a in page.tags if t == "th")
    assert all(a.get("alt") for t, a in page.tags if t == "img")
    assert all(a.get("aria-labelledby") or a.get("aria-hidden") for t, a in page.tags if t == "svg")


def test_hostile_text_is_shown_and_does_nothing(hostile, jpeg, tables):
    source = report_page(hostile, jpeg, tables)
    assert "<script" not in source
    assert "<img src=x" not in source
    for bad in ("\u202e", "\u2066", "\x00", "\ud800", "\uffff"):
        assert bad not in source
    page = Page(source)
    assert "<script>alert(1)</script>" in page.words  # as text
    assert "more characters left out" in page.words
    source.encode("utf-8")
    assert "holds the place where it was taken (GPS). It was left out" in page.words


def test_the_picture_in_the_report_holds_nothing_but_the_picture(jpeg):
    exif = Image.Exif()
    exif.get_ifd(0x8825)[1] = "N"  # GPS latitude reference
    exif[0x010F] = "SecretMaker"
    source = io.BytesIO()
    picture = Image.open(io.BytesIO(jpeg))
    picture.save(source, "JPEG", exif=exif, comment=b"a secret place")
    dirty = source.getvalue()
    assert b"SecretMaker" in dirty
    assert b"a secret place" in dirty
    clean = without_metadata(dirty)
    assert b"SecretMaker" not in clean
    assert b"Exif" not in clean
    assert b"a secret place" not in clean
    assert np.array_equal(
        np.asarray(Image.open(io.BytesIO(clean))), np.asarray(Image.open(io.BytesIO(dirty)))
    )


@pytest.mark.parametrize("data", [b"", b"\xff\xd8\xff", b"not a picture", b"\xff\xd8\xff\xe0\x00"])
def test_what_is_no_jpeg_is_refused_with_a_reason(record, tables, data):
    with pytest.raises(FieldmarksError, match="picture for the report"):
        report_page(record, data, tables)


def test_other_tables_than_those_of_the_record_are_pointed_out(record, jpeg, tables):
    other = dataclasses.replace(
        record, assessment=dataclasses.replace(record.assessment, table_fingerprint="0" * 64)
    )
    said = "The tables at hand are not those of this record"
    assert said in Page(report_page(other, jpeg, tables)).words
    assert said not in Page(report_page(record, jpeg, tables)).words


def test_a_record_without_card_says_what_did_not_decide(photo, tables, jpeg):
    drawn = (Region("f", "face", MARKS["face"][0]),)
    bare = make_record(photo, RegionSet(photo.name, 600, 400, drawn), tables)
    page = Page(report_page(bare, jpeg, tables))
    assert "Not calibrated" in page.words
    assert bare.assessment.conclusion.sentence in page.words
    empty = make_record(photo, RegionSet(photo.name, 600, 400, ()), tables)
    assert "No colour was read." in Page(report_page(empty, jpeg, tables)).words
    assert "No colour was read." in pdf_words(report_pdf(empty, jpeg, tables))


# --- the PDF ---


def test_the_pdf_says_what_the_page_says(pdf, record):
    words = pdf_words(pdf)
    assert " ".join(record.assessment.conclusion.sentence.split()) in words
    assert record.measurement.sha256 in words
    assert record.assessment.table_fingerprint in words
    for reading in record.measurement.readings:
        cells = (*reading.lab, reading.expanded, reading.chroma, reading.hue)
        assert " ".join(number(v, 1) for v in cells) in words
    for caution in record.assessment.cautions:
        assert " ".join(caution.split()) in words


def test_the_pdf_keeps_the_order_of_the_page(pdf, page):
    titles = ["In short", "Keep in mind", "The photo with its marks", "Appendix: how it came about",
              "Each species, mark by mark", "Signs of mixed ancestry", "Mark these next",
              "Light and grey card", "Colours read", "Compared inside the photo", "The photo file",
              "How this report was made", "Words used here"]  # fmt: skip
    outline = [str(item.title) for item in PdfReader(io.BytesIO(pdf)).outline
               if not isinstance(item, list)]  # fmt: skip
    assert [t for t in outline if t in titles] == titles
    words = page.words.split("Words used here", 1)[1]
    place = 0
    for title in titles:  # some stand in the conclusion's sentence too
        assert title in words[place:], title
        place = words.index(title, place)


@pytest.mark.parametrize("bird", demo_birds())
def test_one_page_for_seller_or_breeder_and_the_rest_is_appendix(bird, tables):
    path = demo_birds()[bird]
    record, photo = record_of_file(path, tables, demo_question(path)[0])
    sheets = PdfReader(
        io.BytesIO(report_pdf(record, picture_of(record, photo, tables), tables))
    ).pages
    first, second = (" ".join(sheet.extract_text().split()) for sheet in sheets[:2])
    for said in (record.conclusion.sentence, *record.assessment.cautions):
        assert " ".join(said.split()) in first
    for sign in record.signs:
        if sign.status.value == "seen":
            assert " ".join(sign.text.split()) in first
    assert len(sheets) <= 10
    (picture,) = sheets[0].images
    assert picture.image.width > 1000
    assert second.startswith("Appendix: how it came about")


def test_the_pdf_has_title_language_page_numbers_and_a_tagged_picture(pdf, record):
    reader = PdfReader(io.BytesIO(pdf))
    assert record.measurement.photo in reader.metadata.title
    assert reader.trailer["/Root"]["/Lang"] == "en"
    assert "/StructTreeRoot" in reader.trailer["/Root"]
    count = len(reader.pages)
    for place, sheet in enumerate(reader.pages, start=1):
        assert f"Page {place} of {count}" in sheet.extract_text()
        width, height = (float(v) * 25.4 / 72 for v in sheet.mediabox[2:])
        assert (width, height) == pytest.approx((210, 297), abs=0.2)  # A4 (ISO 216)


def test_the_same_record_gives_the_same_pdf(record, jpeg, tables, pdf):
    assert report_pdf(record, jpeg, tables) == pdf
    taken = dataclasses.replace(record.measurement.facts, taken="2026:11:20 08:30:00")
    dated = dataclasses.replace(
        record, measurement=dataclasses.replace(record.measurement, facts=taken)
    )
    made = PdfReader(io.BytesIO(report_pdf(dated, jpeg, tables))).metadata.creation_date
    assert made.isoformat().startswith("2026-11-20T08:30:00")


def test_letters_a_pdf_cannot_show_leave_a_sign(hostile, jpeg, tables):
    words = pdf_words(report_pdf(hostile, jpeg, tables))
    assert "<script>alert(1)</script>" in words
    assert SUBSTITUTE * 5 in words  # the Arabic word
    assert f"{SUBSTITUTE} stands for a letter" in words


def test_a_pdf_without_strange_letters_needs_no_sign(pdf):
    assert SUBSTITUTE not in pdf_words(pdf)


def test_pixels_of_the_photo_are_in_the_pdf(pdf, jpeg):
    reader = PdfReader(io.BytesIO(pdf))
    pictures = [image for sheet in reader.pages for image in sheet.images]
    sizes = {picture.image.size for picture in pictures}
    assert Image.open(io.BytesIO(jpeg)).size in sizes


def test_every_letter_on_the_photo_is_seen_even_where_outlines_share_a_middle(photo, monkeypatch):
    boxes = []
    label = picture_module._label
    monkeypatch.setattr(
        picture_module, "_label", lambda *rest: boxes.append(label(*rest)) or boxes[-1]
    )
    rings = [Region(f"r{r}", "eye_ring", Ellipse(300, 200, r, r)) for r in (90, 50, 9)]
    annotate(photo, rings, {})
    assert len(boxes) == 3
    for at, (left, top, right, bottom) in enumerate(boxes):
        for other in boxes[:at]:
            apart = right <= other[0] or other[2] <= left or bottom <= other[1] or other[3] <= top
            assert apart, "one letter hides another"
