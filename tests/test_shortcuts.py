"""Shortcuts that save time must give what the long way gives."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import trim_mean
from skimage.color import deltaE_ciede2000

from fieldmarks.measure.colour import encode_srgb
from fieldmarks.measure.icc import Profile, srgb_profile
from fieldmarks.measure.reading import _difference_at_most
from fieldmarks.measure.scatter import medians, trimmed_mean

CODES = np.random.default_rng(0).integers(0, 256, (40, 30, 3)).astype(np.uint8)


def test_the_cheap_bound_is_never_below_ciede2000():
    """Against scikit-image, over the whole of CIELAB and near the blue where the formula turns."""
    rng = np.random.default_rng(0)
    one = rng.uniform([0, -128, -128], [100, 128, 128], (200_000, 3))
    far = rng.uniform([0, -128, -128], [100, 128, 128], one.shape)
    near = one + rng.normal(0, 5, one.shape)
    blue = np.column_stack([one[:, 0], 0.1 * one[:, 1], -np.abs(one[:, 2])])
    for first, second in ((one, far), (one, near), (blue, blue + rng.normal(0, 4, one.shape))):
        exact = deltaE_ciede2000(first, second)
        bound = _difference_at_most(first - second, np.zeros(3))
        assert (bound >= exact - 1e-9).all()
        assert np.median(bound / exact) < 8, "the bound says something"


columns = arrays(
    np.float64, st.tuples(st.integers(1, 40), st.integers(1, 4)), elements=st.floats(-1e6, 1e6)
)


@given(columns)
def test_trimmed_means_are_those_of_scipy_to_the_last_bit(values):
    assert (trimmed_mean(values) == trim_mean(values, 0.1, axis=0)).all()


@given(columns)
def test_medians_are_those_of_numpy_to_the_last_bit(values):
    assert (medians(values) == np.median(values, axis=0)).all()
    single = values.astype(np.float32)
    assert (medians(single) == np.median(single, axis=0)).all()


def test_code_values_are_looked_up_as_one_by_one():
    curves = np.random.default_rng(1).random((3, 256)).astype(np.float32)
    looked_up = Profile("any", curves, np.eye(3)).to_linear(CODES[::-1, ::-1])
    for channel in range(3):
        assert (looked_up[..., channel] == curves[channel][CODES[::-1, ::-1, channel]]).all()


def test_a_photo_is_shown_with_the_codes_of_the_long_way():
    plain = srgb_profile()
    long_way = np.round(encode_srgb(plain.to_linear(CODES)) * 255)
    assert (plain.to_srgb8(CODES) == long_way).all()
    mixing = np.array([[1.2, -0.2, 0.0], [-0.04, 1.04, 0.0], [-0.02, -0.08, 1.1]])
    wide = Profile("wide", plain.curves, mixing)
    apart = wide.to_srgb8(CODES) - np.round(encode_srgb(wide.to_linear(CODES)) * 255)
    assert np.abs(apart).max() <= 1, "one code of 255 where the rounding falls"
    assert np.mean(apart != 0) == pytest.approx(0, abs=0.01)
