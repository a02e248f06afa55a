"""Readings: the colour of a region, its populations and its uncertainty."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scenes import BACKGROUND, GREY_18, card, linear_scene, to_photo

from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.colour import decode_srgb, difference, lab_to_linear, linear_to_lab
from fieldmarks.measure.comparison import bare_ring, body_size, fade, same_as
from fieldmarks.measure.photo import decode_photo
from fieldmarks.measure.reading import find_populations, read_mark
from fieldmarks.measure.region import Ellipse, Line, Rectangle, Region, mask
from fieldmarks.measure.uncertainty import BRIGHT_END

CARD = Rectangle(20, 20, 80, 80)
SPOT = Ellipse(300, 200, 60, 60)
YELLOW, ORANGE, BLACK = (80.0, 2.0, 70.0), (62.0, 40.0, 55.0), (18.0, 1.0, 1.0)
LIGHT = (1.1, 1.0, 0.85)


def reading_of(scene, shape=SPOT, mark="collar", with_card=True, **how):
    photo = to_photo(scene, **how)
    calibration = calibrate(photo, [card()] if with_card else [])
    return read_mark(photo, mark, [Region("r", mark, shape)], calibration)


def spot(lab, **how):
    return linear_scene([(CARD, GREY_18), (SPOT, lab)], cast=LIGHT, **how)


@pytest.mark.parametrize("lab", [YELLOW, ORANGE, BLACK, (45, -12, -20), (92, 0, 3)])
def test_a_flat_colour_under_a_cast_is_read_within_a_unit(lab):
    scene = spot(lab, noise=0.01) * 0.85
    reading = reading_of(scene)
    assert reading.calibrated
    assert difference(reading.lab, lab) < 1.0
    # JPEG rounds flat areas to whole codes: near white one code in one channel is 1.5 in a*.
    in_jpeg = reading_of(scene, format="JPEG", quality=92)
    assert difference(in_jpeg.lab, lab) < 2.5
    assert difference(in_jpeg.lab, lab) < in_jpeg.expanded


def test_the_same_photo_reads_the_same_twice():
    scene = spot(ORANGE, noise=0.02)
    assert reading_of(scene) == reading_of(scene)


def test_chroma_and_hue_are_those_of_cielch():
    reading = reading_of(spot(ORANGE))
    # CIE 15: C* = sqrt(40^2 + 55^2) = 68.0, h = atan2(55, 40) = 54.0 degrees.
    assert reading.chroma == pytest.approx(68.0, abs=1.0)
    assert reading.hue == pytest.approx(54.0, abs=1.0)


def test_a_tint_over_a_fifth_of_the_collar_is_found_with_its_share():
    scene = spot(YELLOW)
    tint = Ellipse(300, 200, 60 * 0.2**0.5, 60 * 0.2**0.5)
    scene[mask(tint, (0, 0, 600, 400))] = lab_to_linear(ORANGE) * LIGHT
    found = reading_of(scene * 0.8).populations
    orange = [p for p in found if difference(p.lab, ORANGE) < 5]
    assert sum(p.fraction for p in orange) == pytest.approx(0.2, abs=0.04)


@pytest.mark.parametrize(("rows", "columns", "every"), [(50, 64, 4), (40, 40, 2), (80, 60, 6)])
def test_upright_bars_are_found_with_their_shares(rows, columns, every):
    bars = np.where(np.arange(columns) % every < every / 2, 0, 1)
    values = np.array([BLACK, YELLOW])[np.tile(bars, rows)]
    found = find_populations(values)
    assert [p.fraction for p in found] == pytest.approx([0.5, 0.5], abs=0.06)


def test_shading_inside_one_colour_is_not_a_second_colour():
    shade = np.linspace(0.88, 1.12, 400)[:, None] * lab_to_linear((60, -30, 35))
    assert len(find_populations(linear_to_lab(shade))) == 1


@settings(max_examples=20, deadline=None)
@given(st.integers(1, 500), st.integers(0, 5))
def test_population_shares_always_add_up_to_one(count, seed):
    values = np.random.default_rng(seed).uniform([0, -80, -80], [100, 80, 80], (count, 3))
    assert sum(p.fraction for p in find_populations(values, seed)) == pytest.approx(1)


def test_clipped_pixels_and_shine_are_left_out_and_counted():
    scene = spot(BLACK)
    scene[190:200, 290:300] = 1.5
    reading = reading_of(scene)
    assert reading.pixels.clipped == 100
    assert reading.pixels.used == reading.pixels.total - 100 - reading.pixels.glare
    assert difference(reading.lab, BLACK) < 1.0


def test_a_jet_black_mask_is_not_read_as_missing():
    reading = reading_of(spot((0.5, 0, 0)))
    assert reading.lab[0] < 3
    assert "too dark" in reading.warnings[0]


def test_a_region_that_is_clipped_all_over_cannot_be_read():
    scene = spot(YELLOW)
    scene[140:260, 240:360] = 2.0
    assert reading_of(scene) is None


@pytest.mark.parametrize("edge", [Rectangle(600, 10, 0.4, 300), Rectangle(10, 400, 300, 0.4)])
def test_a_region_on_the_very_edge_of_the_photo_holds_no_pixel_and_is_not_read(edge):
    assert reading_of(spot(ORANGE), edge) is None


@pytest.mark.parametrize("thin", [Rectangle(599, 10, 1, 300), Rectangle(10, 10, 100, 1)])
def test_a_region_one_pixel_wide_is_read(thin):
    reading = reading_of(spot(ORANGE), thin)
    assert difference(reading.lab, BACKGROUND) < 1
    assert reading.pixels.used == reading.pixels.total


def test_no_card_means_not_calibrated():
    reading = reading_of(spot(ORANGE), with_card=False)
    assert not reading.calibrated
    assert {p.name for p in reading.budget.parts} == {
        "spread",
        "veiling glare",
        "camera",
        "no card",
    }


def test_the_budget_names_its_parts_and_says_where_each_comes_from():
    reading = reading_of(spot(ORANGE))
    parts = [p.name for p in reading.budget.parts]
    assert parts == ["card", "spread", "light", "veiling glare", "camera"]
    assert all(len(p.source) > 20 for p in reading.budget.parts)
    total = np.sqrt(sum(p.chroma**2 for p in reading.budget.parts))
    assert reading.budget.combined[1] == pytest.approx(total)


def test_strong_colours_far_from_the_card_are_less_certain_than_greys_near_it():
    grey = reading_of(spot((52, 1, 1)) * 0.8)
    strong = reading_of(spot((75, 10, 75)) * 0.8)
    assert strong.expanded > grey.expanded


def test_patchy_feathers_are_less_certain_than_plain_ones():
    scene = spot(ORANGE)
    patchy = scene.copy()
    patchy[140:260, 240:300] *= 0.6
    spread = [
        next(p for p in reading_of(s).budget.parts if p.name == "spread").lightness
        for s in (scene, patchy)
    ]
    assert spread[1] > 5 * max(spread[0], 0.05)


def two_spots(one, other):
    left, right = Ellipse(220, 200, 50, 50), Ellipse(420, 200, 50, 50)
    photo = to_photo(linear_scene([(CARD, GREY_18), (left, one), (right, other)], cast=LIGHT))
    regions = [Region("a", "rump", left), Region("b", "back", right)]
    return photo, regions


@pytest.mark.parametrize("cards", [[], [card()]])
def test_two_marks_of_one_colour_are_the_same_with_and_without_a_card(cards):
    green, blue = (55, -30, 35), (50, -8, -28)
    for other, is_same in ((green, True), (blue, False)):
        photo, regions = two_spots(green, other)
        calibration = calibrate(photo, cards)
        readings = [read_mark(photo, r.mark, [r], calibration) for r in regions]
        relation = same_as("rump_as_back", *readings)
        assert (relation.value < 2) == is_same
        assert (relation.value - relation.expanded > 8) == (not is_same)


def test_a_fading_beak_is_told_from_an_even_one():
    flesh, red = np.array([70, 18, 20]), np.array([45, 52, 32])
    base, tip = Ellipse(240, 200, 12, 12), Ellipse(340, 200, 12, 12)
    scene = linear_scene([(CARD, GREY_18)])
    t = np.clip((np.arange(600) - 240) / 100, 0, 1)[:, None]
    scene[170:230, 200:400] = lab_to_linear(flesh + t * (red - flesh))[200:400]
    photo = to_photo(scene)
    calibration = calibrate(photo, [card()])
    regions = [Region("b", "beak_base", base), Region("t", "beak_tip", tip)]
    readings = [read_mark(photo, r.mark, [r], calibration) for r in regions]
    faded = fade("beak_fade", photo, *readings, *regions, calibration)
    assert faded.value > 15  # the base as light as the tip: paler in colour alone
    assert "gradual" in faded.note
    turned = fade("beak_fade", photo, *readings[::-1], *regions[::-1], calibration)
    assert turned.value < -15
    even = fade("beak_fade", photo, readings[1], readings[1], regions[1], regions[1], calibration)
    assert even.value == 0


def test_ring_width_over_eye_diameter_is_measured_and_a_feathered_eye_shows_none():
    ring, iris = Ellipse(300, 200, 36, 36), Ellipse(300, 200, 24, 24)
    for ring_colour, expected in (((90, 1, 3), 0.25), (YELLOW, 0.0)):
        # A ring of the face's own colour is no ring: the face here is yellow.
        face = Ellipse(300, 200, 80, 80)
        scene = linear_scene([(face, YELLOW), (ring, ring_colour), (iris, BLACK)])
        photo = to_photo(scene)
        regions = (Region("o", "eye_ring", ring), Region("i", "iris", iris))
        relation = bare_ring("ring", photo, *regions, calibrate(photo, []))
        # (36 - 24) / 2 / 24 of radii is the same as of diameters.
        assert relation.value == pytest.approx(expected, abs=0.01)
        assert relation.expanded > 0.02


def test_body_length_comes_from_a_scale_and_says_its_doubt():
    body = Region("l", "body_length", Line((100, 100), (500, 100)))
    scale = Region("s", "scale", Line((100, 300), (300, 300)), value=75)
    relation = body_size("size", [body], [scale])
    assert relation.value == pytest.approx(150)
    assert relation.expanded > 0.06 * 150
    assert body_size("size", [body], []) is None


def test_a_strong_colour_of_a_wide_colour_space_is_not_taken_for_the_bright_end():
    """Display P3 red at 230 of 255 lies above white in linear sRGB, not at the end of the file."""
    from test_photo import display_p3

    codes = np.full((120, 160, 3), 60, np.uint8)
    codes[20:100, 20:140] = (230, 10, 10)
    buffer = io.BytesIO()
    Image.fromarray(codes).save(buffer, "PNG", icc_profile=display_p3())
    photo = decode_photo(buffer.getvalue(), "p3.png")
    assert photo.linear((60, 50, 61, 51)).max() > decode_srgb(BRIGHT_END)
    region = Region("r", "rump", Rectangle(30, 30, 100, 60))
    reading = read_mark(photo, "rump", [region], calibrate(photo, []))
    assert reading.pixels.clipped == 0
    assert not any("bright end" in w for w in reading.warnings)
