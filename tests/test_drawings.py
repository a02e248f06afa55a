"""Drawings of a record: honest shapes, the record's numbers, readable in light and dark."""

import dataclasses
import re

import colour
import numpy as np
import pytest
import reported
from defusedxml.ElementTree import fromstring
from hypothesis import example, given, settings
from hypothesis import strategies as st
from reported import HOSTILE, SVG, finding, texts
from scipy.stats import chi2

from fieldmarks.judge.findings import Finding, Status
from fieldmarks.measure.quantities import Budget, Population, UncertaintyPart
from fieldmarks.measure.region import letters
from fieldmarks.report.drawings import (
    ICONS,
    OTHER,
    distance_bar,
    scale_end,
    status_icon,
    strip,
    swatch_pair,
)
from fieldmarks.report.plane import (
    FARTHEST,
    colour_plane,
    plane_of,
    reading_letters,
    reading_outline,
    spread_labels,
    tolerance_outline,
)
from fieldmarks.report.svg import (
    contrast,
    ink_on,
    number,
    plain,
)
from fieldmarks.report.theme import DARK, LIGHT, theme_css


@pytest.fixture(scope="module")
def tables():
    return reported.shipped_tables()


@pytest.fixture(scope="module")
def record():
    return reported.record()


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
        for name in ("ink", "soft", "accent", "good", "doubt", "bad"):
            assert wcag_ratio(palette[name], palette[ground]) >= 4.5, (name, ground)
        assert wcag_ratio(palette["line"], palette[ground]) >= 3, ground
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
    drawing = distance_bar(finding(12.34, 11.0, 8.0, 16.5, Status.TOO_CLOSE))
    assert "too close to call" in texts(drawing)
    assert "12.3 away, limit 11" in texts(drawing)
    description = fromstring(drawing).find(f"{SVG}desc").text
    assert "between 8.0 and 16.5" in description
    assert "97% likely" in description


def test_a_bar_of_a_relation_shows_its_range():
    row = finding(0.362, None, 0.3, 0.42, relation=True)
    words = texts(distance_bar(row, span=(0.15, None)))
    assert "0.36, at least 0.15" in words
    assert "0.15" in words
    both = texts(distance_bar(finding(150, None, 140, 160, relation=True), span=(135, 155)))
    assert "150, expected 135 to 155" in both
    ring = texts(distance_bar(finding(0.1, None, -0.3, 0.5, relation=True), span=(0.2, 0.4)))
    assert "-1" not in ring
    assert "0" in ring
    negative = fromstring(distance_bar(finding(-4.0, None, -9, 1, relation=True), span=(12, None)))
    assert negative is not None


def test_a_mark_that_was_not_read_has_no_bar():
    row = Finding("s", "face", "face", Status.NOT_READ, (), "green row", "Not marked.")
    drawing = distance_bar(row)
    assert texts(drawing) == ["not read"]
    assert not list(fromstring(drawing).iter(f"{SVG}rect"))


def test_every_status_has_a_shape_of_its_own():
    shapes = [ICONS.get(status, OTHER)[:2] for status in Status]
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


def test_the_ellipse_of_a_reading_holds_95_in_100(record):
    for reading in record.measurement.readings:
        covariance = reading.budget.covariance(reading.lab)[1:, 1:]
        away = reading_outline(reading) - np.array(reading.lab[1:])
        distance = np.sqrt(np.einsum("ni,ij,nj->n", away, np.linalg.inv(covariance), away))
        assert distance == pytest.approx(chi2.ppf(0.95, 2) ** 0.5)


def test_the_ellipse_points_along_the_hue_of_the_reading(record):
    reading = dataclasses.replace(
        record.measurement.readings[1],
        lab=(60.0, 30.0, 30.0),
        budget=Budget((UncertaintyPart("x", 1, 5, 1, "y"),)),
    )
    outline = reading_outline(reading, 720) - np.array([30.0, 30.0])
    longest = outline[np.hypot(*outline.T).argmax()]
    assert np.hypot(*longest) == pytest.approx(5 * chi2.ppf(0.95, 2) ** 0.5, rel=1e-3)
    assert abs(longest[0]) == pytest.approx(abs(longest[1]), rel=0.02)


def test_the_plane_shows_every_reading_with_its_letter_and_lightness(record, tables):
    words = texts(colour_plane(record, tables))
    for mark, label in reading_letters(record).items():
        found = [r for r in record.measurement.readings if r.mark == mark]
        for reading in found:
            line = f"{label} {tables.marks[mark].name}: L* {number(reading.lab[0])}"
            assert line in words
            assert label in words


def test_the_plane_shows_the_nearest_swatch_of_each_species_it_was_looked_at_as(record, tables):
    readings, swatches = plane_of(record, tables)
    assert [r.key for r in readings] == [r.mark for r in record.measurement.readings]
    shown = {s.key: s.species for s in swatches}
    subjects = record.assessment.conclusion.subjects
    near = {(f.nearest, s.species) for s in record.assessment.sheets if s.species in subjects
            for f in s.findings if f.nearest}  # fmt: skip
    assert near
    assert near == {(key, species) for key, all_of in shown.items() for species in all_of}
    assert fromstring(colour_plane(record, tables)) is not None


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


@pytest.mark.parametrize("value", [0.0, 1e-9, 0.7, 3, 44.6, 99, 1234.5])
def test_the_end_of_a_scale_lies_beyond_its_values(value):
    end = scale_end([value])
    assert end > value
    # The widest step between round ends is from 1 to 1.5.
    assert end <= value * 1.05 * 1.5 * 1.001 or value == 0
