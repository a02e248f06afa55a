"""The rendering of a photo: what it does to every colour, and that it can be taken out again."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldmarks.judge.rendering import GREY, TERMS, render, undo
from fieldmarks.judge.rendering import lab_to_linear as own_linear
from fieldmarks.measure.colour import lab_to_linear, linear_to_lab

LAB = st.tuples(st.floats(3, 95), st.floats(-50, 60), st.floats(-60, 80))
SMALL = st.tuples(*(st.floats(-s, s) for s in (0.8, 0.3, 0.3, 0.4, 0.4, 2.0)))


def rendered(lab, terms, top=None):
    """CIELAB of colours as a photo shows them."""
    return render(own_linear(lab), np.asarray(terms, float), top)[0]


@settings(max_examples=200, deadline=None)
@given(LAB, SMALL)
def test_taking_the_rendering_out_gives_the_colour_back(lab, terms):
    assert undo(rendered(lab, terms), terms) == pytest.approx(np.array(lab), abs=1e-6)


def test_no_rendering_changes_nothing():
    """Against the CIELAB conversion of scikit-image, which knows nothing of renderings."""
    rng = np.random.default_rng(0)
    light = rng.uniform(0.01, 0.95, (200, 3))
    lab = linear_to_lab(light)
    assert rendered(lab, np.zeros(len(TERMS))) == pytest.approx(lab, abs=1e-6)
    assert own_linear(lab) == pytest.approx(light, abs=1e-4)


def test_exposure_and_casts_multiply_the_light():
    lab = np.array([[50.0, 10, 20], [70, -20, 40]])
    terms = np.array([0.4, 0.2, -0.3, 0, 0, 0])
    gains = np.exp([0.6, 0.4, 0.1])
    assert rendered(lab, terms) == pytest.approx(
        linear_to_lab(lab_to_linear(lab) * gains), abs=0.02
    )


def test_contrast_leaves_mid_grey_where_it_is_and_darkens_what_is_darker():
    greys = linear_to_lab(np.array([[g, g, g] for g in (0.03, GREY, 0.6)]))
    dark, middle, bright = rendered(greys, [0, 0, 0, 0.3, 0, 0])[:, 0] - greys[:, 0]
    assert dark < -3
    assert middle == pytest.approx(0, abs=1e-6)
    assert bright > 3


def test_a_photo_without_a_card_is_cut_off_at_white():
    bright = rendered([[90.0, 0, 0]], [1.0, 0, 0, 0, 0, 0], top=1.0)[0]
    assert 99 < bright[0] < 101


def test_slopes_are_those_of_the_rendering():
    light = own_linear([[50.0, 20, 30], [20, 5, -10]])
    terms = np.tile([0.1, 0.1, -0.1, 0.1, 0.1, 0.5], (2, 1))
    middle, moves = render(light, terms)
    for place in range(len(TERMS)):
        step = np.eye(len(TERMS))[place] * 1e-4
        moved = rendered([[50.0, 20, 30], [20, 5, -10]], terms + step)
        assert (moved - middle) / 1e-4 == pytest.approx(moves[..., place], rel=0.01, abs=0.05)
