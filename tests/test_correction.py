"""Corrections: what patches of known colour take out of a photo, and how honestly it is told."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scenes import to_photo
from simulator.chart import simulated_chart, simulated_patches
from simulator.spectra import MATERIALS, neutral

from fieldmarks._util.errors import CardError
from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.chart import (
    calibrate_with_chart,
    lay,
    load_charts,
    place,
    read_chart,
    with_steps,
)
from fieldmarks.measure.colour import (
    decode_srgb,
    difference,
    lightness_to_reflectance,
    linear_to_lab,
)
from fieldmarks.measure.correction import (
    BENDS,
    CURVES,
    LOOSENESS,
    STRAIGHT,
    Candidate,
    Correction,
    Patches,
    candidates,
    choose,
    choose_trial,
    finish,
    hull_distance,
    is_monotone,
    leave_one_out,
    straighten,
    terms,
)
from fieldmarks.measure.region import Polygon, Rectangle, Region
from fieldmarks.measure.uncertainty import camera_part

NEUTRAL = np.arange(24) >= 18
PLUMAGE = np.array([m.reflectance() for m in MATERIALS.values()])


def chart_patches(lamp="FL2", phone=0.0, camera="Nikon 5100 (NPL)"):
    srgb, lab = simulated_chart(lamp, camera, phone_strength=phone)
    return Patches(decode_srgb(np.round(srgb * 255) / 255), lab, NEUTRAL)


@pytest.mark.parametrize("basis", ["gains", "matrix", "root-polynomial"])
def test_the_closed_form_leaves_a_patch_out_as_a_fit_without_it_does(basis):
    patches = chart_patches("FL2", 0.5)
    patches = replace(patches, neutral=np.zeros(24, bool) | (np.arange(24) == 20))
    candidate = Candidate(basis, LOOSENESS[1], STRAIGHT)
    quick = leave_one_out(patches, candidate)
    for index in (0, 7, 14):  # not the grey that sets the gains
        rest = patches.without(index)
        fitted = finish(rest, leave_one_out(rest, candidate))
        slow = linear_to_lab(fitted.apply(patches.rgb[index]))
        # The closed form steps to the prediction along the tangent at the true colour.
        off = float(difference(quick.left_out[index], slow))
        assert off < 0.05 + 0.15 * quick.errors[index]


def test_root_polynomial_terms_are_those_of_the_2015_paper_and_scale_with_exposure():
    rgb = np.array([0.2, 0.5, 0.1])
    # Finlayson, Mackiewicz & Hurlbert 2015, degree 2: r, g, b, sqrt(rg), sqrt(gb), sqrt(rb).
    expected = [0.2, 0.5, 0.1, np.sqrt(0.1), np.sqrt(0.05), np.sqrt(0.02)]
    assert terms(rgb, "root-polynomial") == pytest.approx(expected)
    assert terms(3 * rgb, "root-polynomial") == pytest.approx(3 * np.array(expected))


@pytest.mark.parametrize("lamp", ["D65", "FL2", "LED-B3"])
@pytest.mark.parametrize("phone", [0.0, 1.0])
def test_a_chart_reads_plumage_it_has_never_seen_better_than_a_grey_card(lamp, phone):
    correction = choose(chart_patches(lamp, phone))
    srgb, truth = simulated_patches(np.vstack([PLUMAGE, neutral(0.18)]), lamp, phone_strength=phone)
    linear = decode_srgb(srgb)
    card = linear_to_lab(linear * (0.18 / linear[-1]))
    off_card = difference(card, truth)[:-1].mean()
    off_chart = difference(linear_to_lab(correction.apply(linear)), truth)[:-1].mean()
    # Measured 0.5 to 1.0 with the chart; a grey card leaves 0.7 to 6.7.
    assert off_chart < 1.3
    assert off_chart < off_card


def test_a_bent_tone_curve_is_straightened_and_a_straight_one_left_alone():
    assert choose(chart_patches("D65", 0.0)).tone == (0.0, 0.0)
    bent = choose(chart_patches("D65", 1.0))
    assert bent.tone != (0.0, 0.0)
    plain = choose_trial(chart_patches("D65", 1.0), tone=False)
    assert bent.held_out[0] < 0.7 * plain.mean


@given(st.sampled_from(BENDS + CURVES))
def test_every_tone_curve_rises_and_keeps_black_and_white(tone):
    light = np.linspace(0, 1, 101)
    out = straighten(light, tone)
    assert is_monotone(tone) or tone in BENDS
    assert (np.diff(out) > 0).all()
    assert out[[0, -1]] == pytest.approx([0, 1])
    assert straighten(np.array([-0.1, 1.3]), tone) == pytest.approx([-0.1, 1.3])


@settings(max_examples=15, deadline=None)
@given(st.integers(2, 24), st.integers(0, 20))
def test_no_model_is_tried_with_fewer_patches_than_numbers(count, seed):
    chosen = np.random.default_rng(seed).choice(24, count, replace=False)
    patches = chart_patches("A").chosen(chosen)
    tried = list(candidates(patches))
    assert tried
    assert all(c.numbers <= max(count - 1, 1) for c in tried)


def test_a_colour_beyond_the_patches_is_said_to_be_an_extrapolation_and_less_certain():
    correction = choose(chart_patches("D65"))
    calibration = Calibration(calibrated=True, correction=correction)
    inside, outside = (50.0, 10.0, 10.0), (60.0, 110.0, 90.0)
    assert hull_distance(correction.known, inside) == 0
    assert hull_distance(correction.known, outside) > 20
    near, far = (camera_part(lab, 0.5, calibration) for lab in (inside, outside))
    assert far.lightness > near.lightness


def test_hull_distance_agrees_with_a_cube_and_serves_points_without_a_body():
    cube = tuple((float(x), float(y), float(z)) for x in (0, 9) for y in (0, 9) for z in (0, 9))
    assert hull_distance(cube, (4, 5, 6)) == 0
    assert hull_distance(cube, (4, 5, 16)) == pytest.approx(7)
    assert hull_distance(((0, 0, 0), (50, 0, 0)), (50, 3, 4)) == pytest.approx(5)


def chart_photo(lamp="FL2", phone=0.5, angle=0):
    """A picture of the chart with a margin and a grey card below."""
    names = load_charts()["chart24_mean"].patches
    assert len(names) == 24
    srgb, _ = simulated_chart(lamp, phone_strength=phone)
    grey, _ = simulated_patches(neutral(0.18)[None], lamp, phone_strength=phone)
    side = 40
    picture = np.full((6 * side, 8 * side, 3), 0.2)
    picture[side : 5 * side, side : 7 * side] = (
        srgb.reshape(4, 6, 3).repeat(side, axis=0).repeat(side, axis=1)
    )
    picture[5 * side :] = grey[0]
    picture += np.random.default_rng(0).normal(0, 0.002, picture.shape)
    turned = np.rot90(picture, angle // 90)
    return to_photo(decode_srgb(np.clip(turned, 0, 1))), side


@pytest.mark.parametrize("angle", [0, 90, 180, 270])
def test_a_whole_chart_is_found_in_its_outline_however_it_lies(angle):
    photo, side = chart_photo(angle=angle)
    margin = [side, side, photo.width - 2 * side, photo.height - 2 * side]
    chart = Region("chart", "chart_patch", Rectangle(*margin), note="chart24_mean")
    result = calibrate_with_chart(photo, [], [chart])
    assert result.calibrated
    assert len(result.correction.known) == 24
    assert result.correction.held_out[0] < 2.5


def test_the_patches_make_the_camera_term_smaller_and_name_their_source():
    photo, side = chart_photo()
    chart = Region(
        "c", "chart_patch", Rectangle(side, side, 6 * side, 4 * side), note="chart24_mean"
    )
    card = Region("g", "card", Rectangle(4, 5 * side + 4, 300, 30))
    lab = (55.0, 30.0, 40.0)
    alone = camera_part(lab, 0.5, calibrate(photo, [card]))
    both = camera_part(lab, 0.5, calibrate_with_chart(photo, [card], [chart]))
    assert both.lightness < 0.7 * alone.lightness
    assert both.chroma < 0.7 * alone.chroma
    assert "25 patches" in both.source


def test_three_neutral_steps_shrink_only_the_lightness_part_that_they_measure():
    levels = (0.90, 0.59, 0.36, 0.18, 0.09, 0.031)
    srgb, _ = simulated_patches(np.stack([neutral(v) for v in levels]), "D65", phone_strength=1.0)
    strip = np.repeat(np.repeat(srgb[None], 40, axis=0), 40, axis=1).reshape(40, 240, 3)
    photo = to_photo(decode_srgb(np.pad(strip, ((0, 20), (0, 0), (0, 0)), mode="edge")))
    steps = [
        Region(f"s{i}", "card", Rectangle(40 * i + 4, 4, 32, 32), v) for i, v in enumerate(levels)
    ]
    plain = calibrate(photo, steps)
    fitted = with_steps(plain)
    assert fitted.correction.tone != (0.0, 0.0)
    assert not fitted.correction.coefficients
    lab = (85.0, 5.0, 60.0)
    before, after = (camera_part(lab, 0.5, c) for c in (plain, fitted))
    assert after.lightness < before.lightness
    assert after.chroma >= 0.5 * before.chroma
    assert with_steps(calibrate(photo, steps[:2])).correction is None


def test_the_shipped_chart_has_the_published_colours():
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    published = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    xyz = colour.adaptation.chromatic_adaptation_VonKries(
        colour.xyY_to_XYZ(np.array(list(published.data.values()))),
        colour.xy_to_XYZ(published.illuminant),
        colour.xy_to_XYZ(d65),
        transform="Bradford",
    )
    ours = np.array([p.colour for p in load_charts()["chart24"].patches])
    assert difference(ours, colour.XYZ_to_Lab(xyz, d65)).max() < 0.02


@pytest.mark.parametrize(
    ("note", "words"),
    [("chart99", "there is no chart"), ("chart24/mauve", "no patch 'mauve'"), ("", "chart")],
)
def test_a_wrong_note_is_answered_with_the_right_ones(note, words):
    region = Region("p", "chart_patch", Rectangle(0, 0, 9, 9), note=note)
    with pytest.raises(CardError, match=words):
        place([region], load_charts())


@pytest.mark.parametrize("note", ["", "chart99"])
def test_a_chart_whose_note_is_wrong_leaves_the_card_in_force_and_says_how_to_mend_it(note):
    photo, side = chart_photo()
    chart = Region("c", "chart_patch", Rectangle(side, side, 6 * side, 4 * side), note=note)
    card = Region("g", "card", Rectangle(4, 5 * side + 4, 300, 30))
    result = calibrate_with_chart(photo, [card], [chart])
    assert result.correction is None
    assert result.gains == calibrate(photo, [card]).gains
    assert "Write one of these into its note: chart24" in result.warnings[-1]


def test_a_chart_that_misses_its_colours_is_asked_whether_it_is_a_copy():
    """A home printer's narrower range of colours, each patch off in its own way."""
    photo, side = chart_photo(phone=0.0)
    chart = Region(
        "c", "chart_patch", Rectangle(side, side, 6 * side, 4 * side), note="chart24_mean"
    )
    assert not any("copy" in w for w in calibrate_with_chart(photo, [], [chart]).warnings)
    rng = np.random.default_rng(3)
    codes = photo.codes((0, 0, photo.width, photo.height)) / 255
    cells = rng.normal(0, 0.09, (4, 6, 3)).repeat(side, axis=0).repeat(side, axis=1)
    printed = codes.copy()
    printed[side : 5 * side, side : 7 * side] = (
        0.15 + 0.65 * codes[side : 5 * side, side : 7 * side]
    )
    printed[side : 5 * side, side : 7 * side] += cells
    photo = to_photo(decode_srgb(np.clip(printed, 0, 1)))
    result = calibrate_with_chart(photo, [], [chart])
    assert any("Is it a copy?" in w for w in result.warnings)


def test_a_whole_chart_needs_four_corners():
    region = Region("p", "chart_patch", Polygon(((0, 0), (9, 0), (5, 9))), note="chart24")
    with pytest.raises(CardError, match="four corners"):
        lay(region, load_charts()["chart24"])


def test_a_keepers_own_chart_file_is_read_and_its_faults_are_named(tmp_path):
    good = tmp_path / "own.toml"
    good.write_text(
        'name = "mine"\nsource = "measured by the keeper"\ncolumns = 1\n'
        '[[patches]]\nkey = "grey"\nreflectance = 0.18\n'
        '[[patches]]\nkey = "red"\nlab = [45.0, 55.0, 30.0]\n'
    )
    chart = read_chart(good)
    assert chart.patches[0].grey
    assert chart.patches[0].colour[0] == pytest.approx(49.5, abs=0.1)
    assert chart.patches[0].colour[0] == pytest.approx(
        linear_to_lab(np.full(3, lightness_to_reflectance(49.496)))[0], abs=0.01
    )
    bad = tmp_path / "bad.toml"
    bad.write_text(good.read_text().replace("0.18", "18"))
    with pytest.raises(CardError, match="patches"):
        read_chart(bad)


def test_a_chart_that_is_no_chart_is_not_believed():
    noise = np.random.default_rng(1).uniform(0.02, 0.9, (8, 12, 3))
    noise[0, 0] = 0.46
    picture = np.asarray(
        Image.fromarray((noise * 255).astype(np.uint8)).resize((480, 320), Image.Resampling.NEAREST)
    )
    photo = to_photo(decode_srgb(picture / 255))
    chart = Region("c", "chart_patch", Rectangle(0, 0, 480, 320), note="chart24")
    card = Region("g", "card", Rectangle(2, 2, 36, 36))
    result = calibrate_with_chart(photo, [card], [chart])
    assert result.calibrated
    assert result.correction is None
    assert "not used" in result.warnings[-1]


def test_an_identity_correction_changes_nothing():
    rgb = np.random.default_rng(0).uniform(-0.1, 1.2, (50, 3))
    assert Correction().apply(rgb) == pytest.approx(rgb)
