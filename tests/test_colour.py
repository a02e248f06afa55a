"""Colour conversions and differences, against published values and reference libraries."""

import warnings
from pathlib import Path

import numpy as np
import pytest
import skimage.color
from hypothesis import given
from hypothesis import strategies as st

from fieldmarks.measure.colour import (
    decode_srgb,
    difference,
    encode_srgb,
    lab_to_linear,
    lightness_to_reflectance,
    linear_to_lab,
)
from fieldmarks.measure.quantities import Budget, UncertaintyPart, difference_weights

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

# Sharma, Wu & Dalal 2005, "The CIEDE2000 color-difference formula", table 1, all 34 pairs.
SHARMA = np.loadtxt(Path(__file__).parent / "data" / "sharma_2005.csv", delimiter=",", skiprows=1)
D65 = np.array([0.3127, 0.3290])
lab_values = st.tuples(st.floats(0, 100), st.floats(-90, 90), st.floats(-90, 90))


def test_ciede2000_agrees_with_the_34_published_pairs():
    assert SHARMA.shape == (34, 7)
    assert difference(SHARMA[:, :3], SHARMA[:, 3:6]) == pytest.approx(SHARMA[:, 6], abs=1e-4)


def test_ciede2000_agrees_with_colour_science_on_random_colours():
    rng = np.random.default_rng(1)
    one, other = rng.uniform([0, -90, -90], [100, 90, 90], (2, 500, 3))
    reference = colour.delta_E(one, other, method="CIE 2000")
    assert difference(one, other) == pytest.approx(reference, abs=1e-6)


def test_linear_light_to_lab_agrees_with_colour_science_and_scikit_image():
    rng = np.random.default_rng(2)
    linear = rng.uniform(0, 1, (500, 3))
    ours = linear_to_lab(linear)
    space = colour.RGB_COLOURSPACES["sRGB"]
    xyz = colour.RGB_to_XYZ(linear, space)
    reference = colour.XYZ_to_Lab(xyz, D65)
    # They differ in the digits to which matrix and white point are printed (0.3127 or 0.95047).
    assert np.abs(ours - reference).max() < 0.03
    assert np.abs(ours - skimage.color.rgb2lab(encode_srgb(linear))).max() < 0.03


def test_srgb_curve_agrees_with_colour_science():
    code = np.linspace(0, 1, 1001)
    reference = colour.models.eotf_sRGB(code)
    assert decode_srgb(code) == pytest.approx(reference, abs=1e-9)
    # IEC 61966-2-1 rounds its two thresholds, so one code next to the join is off by 1e-7.
    assert encode_srgb(reference) == pytest.approx(code, abs=1e-6)


def test_colours_outside_srgb_keep_their_lab_there_and_back():
    # A saturated orange in Display P3 lies outside sRGB: one component must be negative.
    p3 = colour.RGB_COLOURSPACES["Display P3"].matrix_RGB_to_XYZ @ [0.9, 0.2, 0.0]
    lab = colour.XYZ_to_Lab(p3, D65)
    linear = lab_to_linear(lab)
    assert linear.min() < -0.001
    assert linear_to_lab(linear) == pytest.approx(lab, abs=0.02)


def test_lightness_of_the_usual_grey_card():
    # CIE 15: L* = 116 Y^(1/3) - 16, so 18 % is L* 49.5.
    assert lightness_to_reflectance(49.496) == pytest.approx(0.18, abs=1e-4)


def test_difference_weights_are_those_of_ciede2000():
    # A step along one direction, small against curvature, costs the step over its weight.
    rng = np.random.default_rng(3)
    for lab in rng.uniform([15, -60, -60], [95, 60, 60], (60, 3)):
        s_l, _, _ = difference_weights(tuple(lab))
        step = difference(lab, lab + np.array([0.01, 0, 0]))
        assert step * s_l == pytest.approx(0.01, rel=0.01)


def test_chroma_and_hue_weights_where_the_rotation_term_is_nothing():
    # Sharma et al. 2005, eqs 15-21: R_T vanishes away from blue; a' = (1 + G) a is left out too,
    # which matters below C* 20 only, so saturated yellow to red is checked.
    for hue in (30.0, 60.0, 90.0):
        c, s = 60 * np.cos(np.radians(hue)), 60 * np.sin(np.radians(hue))
        lab = np.array([60, c, s])
        _, s_c, s_h = difference_weights(tuple(lab))
        along = np.array([0, c, s]) / 60
        across = np.array([0, -s, c]) / 60
        assert difference(lab, lab + 0.01 * along) == pytest.approx(0.01 / s_c, rel=0.03)
        assert difference(lab, lab + 0.01 * across) == pytest.approx(0.01 / s_h, rel=0.03)


@given(lab_values, st.floats(0.1, 5), st.floats(0.1, 5), st.floats(0.1, 5))
def test_a_budget_turned_into_lab_keeps_its_total_variance(lab, light, chroma, hue):
    budget = Budget((UncertaintyPart("x", light, chroma, hue, ""),))
    covariance = budget.covariance(lab)
    assert np.trace(covariance) == pytest.approx(light**2 + chroma**2 + hue**2)
    assert np.linalg.eigvalsh(covariance).min() >= 0


@given(lab_values)
def test_one_more_part_never_makes_a_reading_more_certain(lab):
    part = UncertaintyPart("x", 1.0, 2.0, 0.5, "")
    assert Budget((part, part)).expanded(lab) > Budget((part,)).expanded(lab)
