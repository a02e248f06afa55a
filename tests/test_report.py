"""Drawings and take-away reports: the record's numbers, readable, harmless, always the same."""

import dataclasses
import io
import itertools
import re
from html.parser import HTMLParser

import colour
import numpy as np
import pytest
from defusedxml.ElementTree import fromstring
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image
from pypdf import PdfReader
from scenes import GREY_18, card, linear_scene, to_photo

from fieldmarks.errors import FieldmarksError
from fieldmarks.findings import Finding, Status
from fieldmarks.measures import Budget, Population, UncertaintyPart
from fieldmarks.photo import PhotoFacts
from fieldmarks.record import Question, make_record
from fieldmarks.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.report.drawings import (
    ICONS,
    colour_plane,
    distance_bar,
    scale_end,
    status_icon,
    strip,
    swatch_pair,
)
from fieldmarks.report.page import finding_summary, report_page, without_metadata
from fieldmarks.report.pdf import SUBSTITUTE, report_pdf
from fieldmarks.report.picture import annotate, letters, to_jpeg
from fieldmarks.report.plane import (
    FARTHEST,
    plane_of,
    reading_letters,
    reading_outline,
    spread_labels,
    tolerance_outline,
)
from fieldmarks.report.svg import (
    DARK,
    LIGHT,
    LINE_COLOURS,
    TEXT_COLOURS,
    contrast,
    ink_on,
    number,
    plain,
    theme_css,
)
from fieldmarks.tables import load_tables

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = (
    "<script>alert(1)</script><img src=x onerror=alert(2)>\"'&]]>-->\n\n\r\x00\u202egnp.exe\u2066"
    "\ud800\uffff \u0627\u0644\u0637\u064a\u0631 \u9e1a " + "long" * 2500
)
MARKS = {
    "face": (Ellipse(150, 60, 30, 25), (20, 1, 1)),
    "collar": (Ellipse(240, 60, 30, 25), (80, 2, 74)),
    "back": (Ellipse(330, 60, 30, 25), (50, -28, 35)),
    "rump": (Ellipse(420, 60, 30, 25), (41, 10, -42)),
    "chest": (Ellipse(510, 60, 30, 25), (80, -2, 75)),
    "beak_base": (Ellipse(150, 150, 30, 25), (46, 50, 36)),
    "eye_ring": (Ellipse(250, 150, 30, 25), (90, 0, 1)),
    "iris": (Ellipse(250, 150, 15, 13), (20, 3, 4)),
}
LOWER_CHEST = Rectangle(470, 62, 90, 30)


@pytest.fixture(scope="module")
def tables():
    return load_tables(keepers_swatches=False)


@pytest.fixture(scope="module")
def photo():
    patches = [(Rectangle(20, 20, 80, 80), GREY_18), *MARKS.values()]
    patches.insert(6, (LOWER_CHEST, (66, -25, 49)))
    return to_photo(linear_scene(patches, cast=(0.9, 0.8, 0.7), noise=0.004))


@pytest.fixture(scope="module")
def record(photo, tables):
    drawn = tuple(
        Region(f"r{n}", mark, shape) for n, (mark, (shape, _)) in enumerate(MARKS.items())
    )
    regions = RegionSet(photo.name, photo.width, photo.height, (card(), *drawn))
    return make_record(photo, regions, tables, Question(claimed="personatus"))


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


def texts(drawing):
    return [element.text or "" for element in fromstring(drawing).iter(f"{SVG}text")]


def finding(value, tolerance, low, high, status=Status.FITS, **more):
    more |= {"value": value, "tolerance": tolerance, "interval": (low, high), "held": 0.97}
    return Finding("s", "face", "face", status, ("jet_black",), "green row", "Why.", **more)


# --- colours of the theme ---


def wcag_ratio(one, other):
    """Contrast ratio as WCAG 2.2 defines it (W3C Recommendation, "contrast ratio")."""

    def luminance(code):
        parts = (int(code[i : i + 2], 16) / 255 for i in (1, 3, 5))
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return np.dot([0.2126, 0.7152, 0.0722], linear)

    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_is_that_of_the_standard():
    # #777777 on white is the well-known near miss of 4.5 : 1, #767676 the nearest pass (W3C, G18).
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_lines_can_be_read_in_light_and_dark(palette):
    for ground in ("paper", "panel"):
        for name in TEXT_COLOURS:
            assert wcag_ratio(palette[name], palette[ground]) >= 4.5, (name, ground)
        for name in LINE_COLOURS:
            assert wcag_ratio(palette[name], palette[ground]) >= 3, (name, ground)
    # Signs are drawn in paper colour on their tone; the pointer lies on the band.
    for tone in ("good", "doubt", "bad"):
        assert wcag_ratio(palette["paper"], palette[tone]) >= 4.5
    assert wcag_ratio(palette["ink"], palette["band"]) >= 3


def test_the_theme_sets_every_colour_for_light_and_dark():
    css = theme_css()
    for name in LIGHT:
        assert f"--fm-{name}:{LIGHT[name]}" in css.split("@media")[0]
        assert f"--fm-{name}:{DARK[name]}" in css.split("@media")[1]


@given(st.tuples(*[st.integers(0, 255)] * 3))
def test_words_on_a_swatch_are_readable_whatever_its_colour(rgb):
    code = "#" + "".join(f"{v:02x}" for v in rgb)
    assert wcag_ratio(ink_on(code), code) >= 4.5


# --- bars ---


@given(
    st.floats(0, 90),
    st.floats(1, 40),
    st.floats(0, 60),
    st.floats(0, 60),
)
def test_a_bar_shows_distance_interval_and_limit_at_their_places(value, tolerance, one, other):
    low, high = sorted((one, other))
    root = fromstring(distance_bar(finding(value, tolerance, low, high)))
    rects = [{k: e.get(k) for k in ("x", "y", "width")} for e in root.iter(f"{SVG}rect")]
    track, inside, band = ({k: float(v) for k, v in r.items()} for r in rects)
    # The scale runs from 0 to the number at its right end, or to a limit close to it.
    ticks = [e.get("d") for e in root.iter(f"{SVG}path")]
    pointer = float(re.match(r"M ([\d.]+) 28", next(d for d in ticks if " 28 L" in d))[1])
    limit = float(re.match(r"M ([\d.]+) 26", next(d for d in ticks if " 26 L" in d))[1])
    per_unit = (limit - track["x"]) / tolerance
    assert per_unit > 0
    close = 0.11 + 0.11 * max(value, high, tolerance) / tolerance
    assert pointer == pytest.approx(track["x"] + value * per_unit, abs=close)
    assert band["x"] == pytest.approx(track["x"] + low * per_unit, abs=close)
    width = max((high - low) * per_unit, 1)
    assert band["width"] == pytest.approx(width, abs=2 * close)
    assert inside["width"] == pytest.approx(tolerance * per_unit, abs=close)
    # Nothing falls off the scale.
    assert track["x"] <= pointer <= track["x"] + track["width"] + 0.1
    assert band["x"] + band["width"] <= track["x"] + track["width"] + 1.1


def test_a_bar_says_its_status_and_numbers_in_words():
    drawing = distance_bar(finding(12.34, 11.0, 8.0, 16.5, Status.DOUBTFUL))
    assert "doubtful" in texts(drawing)
    assert "12.3 away, limit 11" in texts(drawing)
    description = fromstring(drawing).find(f"{SVG}desc").text
    assert "between 8.0 and 16.5" in description
    assert "97% of the draws" in description


def test_a_bar_of_a_relation_shows_its_range():
    row = finding(0.362, None, 0.3, 0.42, relation=True)
    words = texts(distance_bar(row, span=(0.15, None), unit="of the eye"))
    assert "0.36, at least 0.15" in words
    assert "0.15" in words
    both = texts(distance_bar(finding(150, None, 140, 160, relation=True), span=(135, 155)))
    assert "150, expected 135 to 155" in both
    negative = fromstring(distance_bar(finding(-4.0, None, -9, 1, relation=True), span=(12, None)))
    assert negative is not None


def test_a_mark_that_was_not_read_has_no_bar():
    row = Finding("s", "face", "face", Status.NOT_READ, (), "green row", "Not marked.")
    drawing = distance_bar(row)
    assert texts(drawing) == ["not read"]
    assert not list(fromstring(drawing).iter(f"{SVG}rect"))


def test_every_status_has_a_shape_of_its_own():
    shapes = [ICONS.get(status, ("round", "dash")) for status in Status]
    assert len(set(shapes)) == len(Status)
    for status in Status:
        assert fromstring(status_icon(status)).find(f"{SVG}title").text == status


# --- swatches and shares ---


def test_two_swatches_carry_their_colours_and_numbers():
    drawing = swatch_pair((25.4, 2.0, -3.6), (20.2, 0.0, 0.0), ("face", "jet black"))
    assert "L* 25, a* 2, b* -4" in texts(drawing)
    assert "L* 20, a* 0, b* 0" in texts(drawing)
    fills = re.findall(r"<rect[^>]*fill:(#\w+)", drawing)
    for code, lab in zip(fills, ((25.4, 2.0, -3.6), (20.2, 0.0, 0.0)), strict=True):
        # colour-science as an outside reference for CIELAB to sRGB.
        rgb = colour.XYZ_to_sRGB(colour.Lab_to_XYZ(lab))
        shown = [int(code[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        assert shown == pytest.approx(list(rgb), abs=0.004)


def test_a_colour_no_screen_can_show_says_so():
    drawing = swatch_pair((60, 90, 80), (56, 0, 0), ("bib", "grey"))
    assert texts(drawing).count("(too vivid for a screen)") == 1


@given(st.lists(st.floats(0.001, 1), min_size=1, max_size=4))
def test_shares_are_drawn_as_wide_as_they_are(shares):
    total = sum(shares)
    found = [Population((50.0, n, 0.0), s / total) for n, s in enumerate(shares)]
    root = fromstring(strip(found))
    bars = [r for r in root.iter(f"{SVG}rect") if r.get("height") == "26"]
    widths = np.array([float(r.get("width")) for r in bars])
    assert widths / widths.sum() == pytest.approx(np.array(shares) / total, abs=1e-3)
    assert len([t for t in root.iter(f"{SVG}text") if "L* 50" in t.text]) == len(shares)


# --- the a*b* plane ---


def test_a_tolerance_outline_is_where_the_difference_equals_the_tolerance(tables):
    # colour-science's CIEDE2000 as an outside reference.
    for key, row in tables.swatches.items():
        lab = tables.lab[key]
        outline = tolerance_outline(lab, row.tolerance)
        colours = np.column_stack([np.full(len(outline), lab[0]), outline])
        apart = colour.difference.delta_E_CIE2000(colours, np.array(lab))
        assert apart == pytest.approx(row.tolerance, rel=0.01), key


@settings(max_examples=30)
@given(st.floats(5, 95), st.floats(-80, 80), st.floats(-80, 80), st.floats(1, 25))
@example(5.0, 0.0, -46.0, 22.0)
def test_the_tolerance_outline_holds_for_any_colour(light, a, b, tolerance):
    lab = (light, a, b)
    outline = tolerance_outline(lab, tolerance, 24)
    colours = np.column_stack([np.full(24, light), outline])
    apart = colour.difference.delta_E_CIE2000(colours, np.array(lab))
    # Where the mean hue jumps (Sharma, Wu & Dalal 2005, section on discontinuities) CIEDE2000
    # itself jumps past the tolerance; the outline then lies on that edge.
    assert np.median(np.abs(apart / tolerance - 1)) < 0.01
    open_end = np.hypot(*(outline - lab[1:]).T) >= FARTHEST * 0.999
    assert ((apart >= tolerance * 0.99) | open_end).all()
    just_inside = np.array(lab) + 0.98 * (colours - np.array(lab))
    assert (colour.difference.delta_E_CIE2000(just_inside, np.array(lab)) < tolerance).all()


def test_the_ellipse_of_a_reading_lies_at_two_standard_uncertainties(record):
    for reading in record.measurement.readings:
        covariance = reading.budget.covariance(reading.lab)[1:, 1:]
        away = reading_outline(reading) - np.array(reading.lab[1:])
        distance = np.sqrt(np.einsum("ni,ij,nj->n", away, np.linalg.inv(covariance), away))
        assert distance == pytest.approx(2.0, rel=1e-6)


def test_the_ellipse_points_along_the_hue_of_the_reading(record):
    reading = dataclasses.replace(
        record.measurement.readings[1],
        lab=(60.0, 30.0, 30.0),
        budget=Budget((UncertaintyPart("x", 1, 5, 1, "y"),)),
    )
    outline = reading_outline(reading, 720) - np.array([30.0, 30.0])
    longest = outline[np.hypot(*outline.T).argmax()]
    assert np.hypot(*longest) == pytest.approx(10, rel=1e-3)
    assert abs(longest[0]) == pytest.approx(abs(longest[1]), rel=0.02)


def test_the_plane_shows_every_reading_with_its_letter_and_lightness(record, tables):
    words = texts(colour_plane(record, tables))
    for mark, label in reading_letters(record).items():
        found = [r for r in record.measurement.readings if r.mark == mark]
        for reading in found:
            line = f"{label} {tables.marks[mark].name}: L* {number(reading.lab[0])}"
            assert line in words
            assert label in words


def test_the_plane_of_one_mark_shows_what_every_species_should_show(record, tables):
    plane = plane_of(record, tables, "rump")
    assert [r.reading.mark for r in plane.readings] == ["rump"]
    for sheet in record.assessment.sheets:
        expected = next(f for f in sheet.findings if f.mark == "rump").expected
        for key in expected:
            shown = next(s for s in plane.swatches if s.key == key)
            assert sheet.species in shown.species
    assert fromstring(colour_plane(record, tables, "rump")) is not None


def test_labels_in_the_plane_do_not_cover_each_other():
    rng = np.random.default_rng(1)
    places = 196 + rng.normal(0, 20, (14, 2))
    places[:3] = 196.0  # three points on one spot
    labels = spread_labels(places, 19)
    apart = np.hypot(*(labels[:, None] - labels).transpose(2, 0, 1))
    assert apart[~np.eye(14, dtype=bool)].min() > 15


def test_letters_are_those_of_the_annotated_photo(record):
    drawn = record.measurement.regions.regions
    on_photo = letters(drawn)
    for mark, label in reading_letters(record).items():
        assert label == on_photo[next(r.id for r in drawn if r.mark == mark)]


# --- views ---


def test_the_summary_holds_every_finding_once_and_the_telling_ones_first(record, tables):
    for view in finding_summary(record, tables):
        groups = (view.does_not_fit, view.doubtful, view.fits, view.not_calibrated,
                  view.not_read, view.says_nothing)  # fmt: skip
        shown = [m.finding for group in groups for m in group]
        kept = record.assessment.sheet(view.species).findings
        assert len(shown) == len(kept)
        assert set(map(id, shown)) == set(map(id, kept))
        for group in groups:
            tells = [(m.always, m.sometimes) for m in group]
            assert tells == sorted(tells, reverse=True)
        assert view.candidate == (not view.does_not_fit)


def test_a_mark_of_several_colours_shows_its_shares_and_not_one_colour(record, tables):
    view = next(v for v in finding_summary(record, tables) if v.species == "personatus")
    chest = next(m for m in view.compared if m.finding.mark == "chest")
    assert chest.mixed
    assert chest.pair == ""
    assert len(texts(chest.shares)) >= 2
    face = next(m for m in view.compared if m.finding.mark == "face")
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
    assert f"held in {held:.0%} of {record.assessment.draws} draws" in words


def test_the_page_prints_the_readings_as_they_are_in_the_record(page, record, tables):
    table = next(t for t in page.tables if t[0][0] == "Mark" and "C*" in t[0])
    assert len(table) - 1 == len(record.measurement.readings)
    for row, reading in zip(table[1:], record.measurement.readings, strict=True):
        assert row[0].endswith(tables.marks[reading.mark].name)
        wanted = (*reading.lab, reading.chroma, reading.hue, reading.expanded)
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
        for mark in (*view.does_not_fit, *view.doubtful):
            assert " ".join(mark.finding.reason.split()) in page.words
            limit = mark.finding.tolerance
            assert limit is None or f"limit {limit:g}" in page.words
    folded = [t for t in page.tables if t[0][:2] == ["Mark", "Expected"]]
    fits = [m for v in finding_summary(record, tables) if not v.subject for m in v.fits]
    assert sum(len(t) - 1 for t in folded) == len(fits) > 0
    by_row = [row for t in folded for row in t[1:]]
    for row, mark in zip(by_row, fits, strict=True):
        assert float(row[2]) == pytest.approx(mark.finding.value, abs=0.51)
        assert row[5] == f"{mark.finding.held:.0%}"


def test_the_page_names_versions_fingerprints_and_colour_space(page, record):
    judged = record.assessment
    for needed in (
        record.program, judged.table_version, judged.table_fingerprint,
        record.measurement.sha256, record.colour_space, "holds no place (GPS)",
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


@given(st.text(max_size=80), st.integers(1, 40))
def test_harmless_text_is_one_line_without_control_characters(text, longest):
    made = plain(text, longest)
    assert not re.search(r"[\x00-\x1f\x7f\u202a-\u202e\u2066-\u2069\ud800-\udfff]", made)
    made.encode("utf-8")
    left_out = len(text) - longest
    assert (f"({left_out:,} more" in made) == (left_out > 0)


def test_drawings_stay_valid_xml_whatever_the_names(record, tables):
    row = dataclasses.replace(finding(3.0, 11.0, 1.0, 6.0), name=HOSTILE, reason=HOSTILE)
    for drawing in (distance_bar(row), swatch_pair((50, 0, 0), (40, 1, 1), (HOSTILE, HOSTILE))):
        root = fromstring(drawing)
        assert {e.tag.removeprefix(SVG) for e in root.iter()} <= {
            "svg", "title", "desc", "g", "path", "rect", "text",
        }  # fmt: skip


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


def test_a_record_without_card_says_that_colours_decide_nothing(photo, tables, jpeg):
    drawn = (Region("f", "face", MARKS["face"][0]),)
    bare = make_record(photo, RegionSet(photo.name, 600, 400, drawn), tables)
    page = Page(report_page(bare, jpeg, tables))
    assert "Not calibrated: these decide nothing" in page.words
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
        cells = (*reading.lab, reading.chroma, reading.hue, reading.expanded)
        assert " ".join(number(v, 1) for v in cells) in words
    for caution in record.assessment.cautions:
        assert " ".join(caution.split()) in words


def test_the_pdf_keeps_the_order_of_the_page(pdf, page):
    titles = ["In short", "The photo with its marks", "Light and grey card", "Colours read",
              "Compared inside the photo", "Each species, mark by mark",
              "Signs of mixed ancestry", "Mark these next", "Keep in mind",
              "How this report was made", "Words used here"]  # fmt: skip
    outline = [str(item.title) for item in PdfReader(io.BytesIO(pdf)).outline
               if not isinstance(item, list)]  # fmt: skip
    assert [t for t in outline if t in titles] == titles
    words = page.words.split("Words used here", 1)[1]
    places = [words.index(title) for title in titles]
    assert places == sorted(places)


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


@pytest.mark.parametrize("value", [0.0, 1e-9, 0.7, 3, 44.6, 99, 1234.5])
def test_the_end_of_a_scale_lies_beyond_its_values(value):
    end = scale_end([value])
    assert end > value
    # The widest step between round ends is from 1 to 1.5.
    assert end <= value * 1.05 * 1.5 * 1.001 or value == 0
