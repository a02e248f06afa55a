"""The uncertainty budget: Monte Carlo against the linear sum, looks, and repeats."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scenes import GREY_18, card, linear_scene, to_photo
from scipy import stats

from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.colour import difference, lab_to_linear, linear_to_lab
from fieldmarks.measure.quantities import (
    Budget,
    PixelCount,
    Reading,
    UncertaintyPart,
    coverage_radius,
)
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Rectangle, Region
from fieldmarks.measure.repeats import combine
from fieldmarks.measure.scatter import Patchwork, error_of_middle
from fieldmarks.measure.uncertainty import (
    CAST,
    END_FACTOR,
    EXPOSURE,
    VEILING_GLARE,
    CameraPart,
    camera_part,
    camera_terms,
    card_part,
    glare_part,
    light_part,
    no_card_part,
)

COLOURS = [(62.0, 40.0, 55.0), (80.0, 2.0, 70.0), (45.0, -12.0, -20.0), (30.0, 2.0, 3.0)]


@pytest.mark.parametrize("deviations", [(1, 0, 0), (1, 1, 1), (3, 2, 1), (5, 1, 0.2)])
def test_what_may_be_off_holds_95_times_in_100(deviations):
    """Against draws; alike directions also against the chi-square of scipy.stats."""
    drawn = np.random.default_rng(0).standard_normal((200_000, 3)) * deviations
    radius = float(coverage_radius(deviations))
    assert (np.linalg.norm(drawn, axis=1) <= radius).mean() == pytest.approx(0.95, abs=0.006)
    alike = [d for d in deviations if d]
    if len(set(alike)) == 1:
        assert radius == pytest.approx(alike[0] * stats.chi2.ppf(0.95, len(alike)) ** 0.5)


def test_what_is_known_exactly_is_off_by_nothing():
    assert coverage_radius((0, 0, 0)) == 0


@pytest.mark.parametrize("lab", COLOURS)
def test_light_and_card_parts_agree_with_draws_of_the_light_itself(lab):
    """JCGM 101: draw the inputs, push them through the exact model, compare the spread."""
    rng = np.random.default_rng(0)
    photo = to_photo(linear_scene([(Rectangle(20, 20, 80, 80), GREY_18)], noise=0.03))
    calibration = calibrate(photo, [card()])
    linear, noise = lab_to_linear(np.array(lab)), calibration.patches[0].noise
    count = 200_000
    light = 1 + 0.10 * rng.standard_normal((count, 1))
    tolerance = 1 + 0.03 * rng.standard_normal((count, 1))
    channels = 1 + noise * rng.standard_normal((count, 3))
    drawn = linear_to_lab(linear * light * tolerance * channels)
    linear_budget = Budget(
        (card_part(lab, linear, calibration), light_part(lab, 0.10, "light", ""))
    )
    light_u, chroma_u, hue_u = linear_budget.combined
    away = np.array(lab[1:]) / np.hypot(*lab[1:])
    along = drawn[:, 1:] @ away
    across = drawn[:, 1:] @ np.array([-away[1], away[0]])
    assert light_u == pytest.approx(drawn[:, 0].std(), rel=0.05)
    assert chroma_u == pytest.approx(along.std(), rel=0.10, abs=0.02)
    assert hue_u == pytest.approx(across.std(), rel=0.10, abs=0.02)
    # The k = 2 radius holds at least as many draws as it says.
    inside = difference(drawn, np.array(lab)) <= linear_budget.expanded(lab)
    assert inside.mean() > 0.93


@pytest.mark.parametrize("lab", [*COLOURS, (12.0, 1.0, 1.0), (95.0, 0.0, 2.0)])
def test_veiling_glare_part_is_what_a_veil_over_bird_and_card_does(lab):
    """The veil itself, added to the light of both before the card is held to its reflectance."""
    veiled = lab_to_linear(np.array(lab)) + VEILING_GLARE
    moved = linear_to_lab(veiled * 0.18 / (0.18 + VEILING_GLARE)) - lab
    part = glare_part(lab, (float(linear_to_lab([0.18] * 3)[0]),))
    assert part.lightness == pytest.approx(abs(moved[0]), rel=0.06)
    assert np.hypot(part.chroma, part.hue) == pytest.approx(np.hypot(*moved[1:]), rel=0.06)


def test_veiling_glare_with_a_grey_and_a_white_card_is_as_a_veiled_photo_reads():
    grey, white, dark = (Rectangle(x, 20, 80, 80) for x in (20, 120, 220))
    pale, true = (92.0, 0.0, 0.0), (24.0, 0.0, 0.0)
    scene = linear_scene([(grey, GREY_18), (white, pale), (dark, true)])
    photo = to_photo(scene + VEILING_GLARE)
    values = (0.18, float(lab_to_linear(pale)[1]))
    cards = [
        Region(f"card{n}", "card", shape, value=value)
        for n, (shape, value) in enumerate(zip((grey, white), values, strict=True))
    ]
    reading = read_mark(photo, "mask", [Region("mask", "mask", dark)], calibrate(photo, cards))
    stated = next(p for p in reading.budget.parts if p.name == "veiling glare")
    # 8-bit values leave 0.15 in L* there.
    assert stated.lightness == pytest.approx(reading.lab[0] - true[0], abs=0.3)
    assert stated.lightness > 1.5


@pytest.mark.parametrize("reach", [0, 1, 2, 4])
def test_the_middle_of_a_correlated_texture_is_as_uncertain_as_it_really_scatters(reach):
    rng = np.random.default_rng(reach)
    row, column = (a.ravel() for a in np.mgrid[0:48, 0:48])
    middles, stated = [], []
    for _ in range(120):
        field = rng.standard_normal((120, 120))
        if reach:
            field = cv2.GaussianBlur(field, (0, 0), reach)
        values = (field / field.std())[36:84, 36:84].reshape(-1, 1)
        middles.append(np.median(values))
        error, _ = error_of_middle([Patchwork(values, row, column)])
        stated.append(error[0])
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(np.std(middles), rel=0.35)
    assert np.mean(np.abs(middles) < 2 * np.array(stated)) > 0.85


def test_looks_fall_with_the_size_of_the_feathers_and_never_exceed_the_values():
    rng = np.random.default_rng(1)
    row, column = (a.ravel() for a in np.mgrid[0:40, 0:40])
    numbers = []
    for reach in (0.01, 2, 5):
        field = cv2.GaussianBlur(rng.standard_normal((40, 40)), (0, 0), reach)
        numbers.append(error_of_middle([Patchwork(field.reshape(-1, 1), row, column)])[1])
    assert 1600 >= numbers[0] > numbers[1] > numbers[2] >= 1


def test_an_even_region_has_no_spread_and_two_unlike_regions_have_much():
    row, column = (a.ravel() for a in np.mgrid[0:10, 0:10])
    even = Patchwork(np.full((100, 3), 50.0), row, column)
    error, _ = error_of_middle([even])
    assert (error == 0).all()
    other = Patchwork(np.full((100, 3), 60.0), row, column)
    error, _ = error_of_middle([even, other])
    assert error[0] == pytest.approx(np.std([50, 60], ddof=1) / np.sqrt(2), rel=0.01)


def test_a_scrap_of_one_value_does_not_spoil_the_region_beside_it():
    row, column = (a.ravel() for a in np.mgrid[0:30, 0:30])
    rng = np.random.default_rng(2)
    whole = Patchwork(rng.normal(50, 2, (900, 3)), row, column)
    scrap = Patchwork(np.full((1, 3), 50.0), row[:1], column[:1])
    kept = scrap.values.copy()
    error, _ = error_of_middle([whole, scrap])
    alone, _ = error_of_middle([whole])
    assert np.isfinite(error).all()
    assert error == pytest.approx(alone, rel=0.1, abs=0.1)
    assert (scrap.values == kept).all()


def test_a_reading_says_how_many_looks_it_had():
    scene = linear_scene([(Rectangle(20, 20, 80, 80), GREY_18)], noise=0.02)
    photo = to_photo(scene)
    region = Region("r", "collar", Rectangle(200, 100, 200, 200))
    reading = read_mark(photo, "collar", [region], calibrate(photo, [card()]))
    assert 100 < reading.looks <= reading.pixels.used


def test_shine_on_a_coloured_bill_is_left_out_by_its_paleness():
    red = (45.0, 52.0, 32.0)
    bill = Rectangle(250, 150, 100, 100)
    scene = linear_scene([(Rectangle(20, 20, 80, 80), GREY_18), (bill, red)])
    scene[160:180, 260:280] += 0.25  # a soft gloss: far from clipped
    photo = to_photo(scene)
    reading = read_mark(photo, "beak_tip", [Region("b", "beak_tip", bill)], calibrate(photo, []))
    assert reading.pixels.glare == pytest.approx(400, abs=40)
    assert len(reading.populations) == 1


def test_a_brighter_feather_of_the_same_colour_is_no_shine():
    green = np.array((45.0, -30.0, 35.0))
    patch = Rectangle(250, 150, 100, 100)
    scene = linear_scene([(patch, tuple(green))])
    scene[160:180, 260:280] *= 2.2
    photo = to_photo(scene)
    reading = read_mark(photo, "belly", [Region("b", "belly", patch)], calibrate(photo, []))
    assert reading.pixels.glare == 0


def reading(lab, spread=0.5, calibrated=True):
    parts = (
        UncertaintyPart("camera", 2.0, 4.0, 3.0, "chart photos of phones"),
        UncertaintyPart("spread", spread, spread, spread, "scatter inside the region"),
        UncertaintyPart("light", 1.0, 1.0, 0.0, "light on card and bird"),
    )
    pixels = PixelCount(1000, 0, 0, 0, 1000)
    return Reading("bib", ("r",), lab, (1, 1, 1), (), Budget(parts), pixels, calibrated)


def test_repeats_shrink_what_differs_and_keep_what_the_photos_share():
    rng = np.random.default_rng(2)
    read = [
        (f"p{i}", reading(tuple(np.array((60, 40, 50)) + rng.normal(0, 0.7, 3)))) for i in range(5)
    ]
    joint = combine("bib", read)
    parts = {p.name: p for p in joint.reading.budget.parts}
    assert parts["camera"].chroma == pytest.approx(4.0)
    assert parts["light"].chroma == pytest.approx(1.0 / np.sqrt(5))
    assert parts["photos"].lightness > 0
    assert joint.disagree == ()
    assert joint.reading.lab == pytest.approx((60, 40, 50), abs=1.5)


def test_the_photo_that_disagrees_is_named_and_makes_the_result_less_certain():
    read = [(f"p{i}", reading((60.0 + 0.2 * i, 40.0, 50.0))) for i in range(4)]
    calm = combine("bib", read)
    odd = combine("bib", [*read, ("p9", reading((72.0, 20.0, 65.0)))])
    assert odd.disagree == ("p9",)
    assert "p9" in odd.note
    assert odd.reading.expanded > calm.reading.expanded
    two = combine("bib", [read[0], ("p9", reading((72.0, 20.0, 65.0)))])
    assert set(two.disagree) == {"p0", "p9"}


def test_uncalibrated_repeats_do_not_spoil_calibrated_ones_and_none_is_an_error():
    joint = combine(
        "bib", [("a", reading((60, 40, 50))), ("b", reading((20, 0, 0), calibrated=False))]
    )
    assert joint.photos == ("a",)
    assert joint.reading.lab == (60, 40, 50)
    with pytest.raises(ValueError, match="no readings"):
        combine("bib", [])


def test_the_scatter_of_repeats_covers_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(3)
    truth, inside = np.array((60.0, 40.0, 50.0)), []
    for _ in range(300):
        read = []
        for i in range(3):
            lab = truth + rng.normal(0, 1.0, 3)
            bare = replace(reading(tuple(lab)), budget=Budget(()))
            read.append((f"p{i}", bare))
        joint = combine("bib", read)
        # Only the photos' own scatter is in the budget here; three photos, Student's factor.
        inside.append(difference(joint.reading.lab, truth) <= joint.reading.expanded)
    assert np.mean(inside) > 0.93


def test_without_a_card_a_reading_is_less_certain_and_says_why():
    scene = linear_scene([(Rectangle(20, 20, 80, 80), GREY_18)])
    photo = to_photo(scene)
    region = Region("r", "collar", Rectangle(200, 100, 200, 200))
    with_card, without = (
        read_mark(photo, "collar", [region], calibrate(photo, cards)) for cards in ([card()], [])
    )
    assert without.expanded > 1.15 * with_card.expanded
    assert "no card" in {p.name for p in without.budget.parts}
    assert "no card" not in {p.name for p in with_card.budget.parts}


def test_a_strong_cast_makes_chroma_and_hue_less_certain_and_lightness_not():
    parts = []
    for cast in ((1, 1, 1), (1.35, 1.0, 0.45)):
        spots = [(Rectangle(20, 20, 80, 80), GREY_18), (Rectangle(200, 100, 200, 200), GREY_18)]
        photo = to_photo(linear_scene(spots, cast=cast))
        calibration = calibrate(photo, [card()])
        region = Region("r", "collar", Rectangle(210, 110, 180, 180))
        reading = read_mark(photo, "collar", [region], calibration)
        parts.append(next(p for p in reading.budget.parts if p.name == "camera"))
    white, warm = parts
    assert warm.hue > 1.2 * white.hue
    assert warm.chroma > 1.2 * white.chroma
    assert warm.lightness == pytest.approx(white.lightness, rel=0.05)


def test_mottled_feathers_do_not_count_as_noise_of_the_card():
    """The median of the light and the median of the colour of mixed feathers are two colours."""
    stripes = [(20.0, 5.0, 5.0), (45.0, -8.0, 30.0), (40.0, 35.0, 10.0)]
    rows = [(Rectangle(200, 100 + 12 * n, 200, 12), stripes[n % 3]) for n in range(15)]
    photo = to_photo(linear_scene([(Rectangle(20, 20, 80, 80), GREY_18), *rows]))
    region = Region("r", "flights", Rectangle(200, 100, 200, 180))
    reading = read_mark(photo, "flights", [region], calibrate(photo, [card()]))
    assert len(reading.populations) > 1
    part = next(p for p in reading.budget.parts if p.name == "card")
    # A card without grain leaves its own tolerance of 3 % and the steps of eight bits.
    assert part.lightness == pytest.approx((reading.lab[0] + 16) / 3 * 0.03, rel=0.1)
    assert part.hue < 0.3


def test_the_tone_is_surest_at_the_card():
    at = {light: camera_terms((light, 0, 0), [49.5])[0] for light in (5, 20, 49.5, 70, 90)}
    assert at[49.5] == min(at.values())
    assert at[20] > at[49.5]
    assert at[70] < at[90]
    assert camera_terms((90, 0, 0), [49.5, 85])[0] < at[90], "a white card holds the bright end too"


def test_the_tone_term_is_what_another_contrast_does_to_a_grey():
    """A power about the card's light, through the exact CIELAB formula (CIE 15)."""
    still, bent = (CameraPart(0, 0, tone, 0, 0) for tone in (0.0, 0.02))
    card, grey = 0.18, 0.60
    lab = linear_to_lab([grey] * 3)
    moved = linear_to_lab([card * (grey / card) ** 1.02] * 3)
    anchors = [float(linear_to_lab([card] * 3)[0])]
    assert camera_terms(lab, anchors, bent)[0] == pytest.approx(moved[0] - lab[0], rel=0.02)
    assert camera_terms(lab, anchors, still)[0] == 0


def test_what_a_missing_card_leaves_unknown_agrees_with_draws_of_exposure_and_cast():
    """JCGM 101, with a cast that tints a white by the stated standard uncertainty."""
    rng = np.random.default_rng(4)
    lab = (62.0, 40.0, 55.0)
    part = no_card_part(lab)
    light = np.exp(0.1 * rng.standard_normal((50_000, 1)))
    drawn = linear_to_lab(lab_to_linear(np.array(lab)) * light)
    assert part.lightness == pytest.approx(drawn[:, 0].std() * EXPOSURE / 0.1, rel=0.03)
    assert part.hue == pytest.approx(CAST * (62 + 16) / 116)


@pytest.mark.parametrize("lab", [(105.0, 5.0, 5.0), (60.0, 95.0, 75.0), (2.0, 1.0, 1.0)])
def test_a_colour_at_an_end_of_what_a_surface_can_show_is_less_certain(lab):
    calibration = Calibration(calibrated=True)
    part = camera_part(lab, 0.5, calibration)
    plain = camera_terms(lab, calibration.anchors)
    assert (part.lightness, part.hue) == pytest.approx([END_FACTOR * plain[k] for k in (0, 2)])
    middle = camera_part((55.0, 20.0, 20.0), 0.5, calibration)
    assert middle.hue == camera_terms((55.0, 20.0, 20.0), calibration.anchors)[2]
