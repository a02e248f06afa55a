"""The outline proposed for a tap: does it find the patch a keeper means?

The pictures are painted here, so the true shape is known exactly; the share both shapes have in
common comes from shapely through ``fieldmarks.measure.region.overlap``.
"""

import time

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.measure.region import Ellipse, Polygon, Shape, area, overlap, vertices
from fieldmarks.measure.suggest import MAX_POINTS, suggest_outline


def painted(shapes, size=(1600, 1200), noise=6.0, shade=0.0, seed=3):
    """A picture of plain patches with feather-like noise and a shadow running across it."""
    rng = np.random.default_rng(seed)
    width, height = size
    picture = np.full((height, width, 3), (150, 160, 150), dtype=np.float32)
    for shape, colour in shapes:
        points = np.round(vertices(shape) - 0.5).astype(np.int32)
        cv2.fillPoly(picture, [points], colour)
    grain = cv2.resize(
        rng.normal(0, noise, (height // 3, width // 3, 1)).astype(np.float32), (width, height)
    )
    light = 1 - shade * np.linspace(0, 1, width, dtype=np.float32)[None, :, None]
    return np.clip(picture * light + grain[..., None], 0, 255).astype(np.uint8)


FACE = Ellipse(800, 400, 260, 220)
RING = Ellipse(900, 360, 60, 60)
BIB = Polygon(((500, 700), (1100, 680), (1020, 950), (800, 1050), (560, 930)))
BIRD = [(FACE, (225, 110, 50)), (RING, (240, 240, 235)), (BIB, (230, 200, 60))]


@pytest.mark.parametrize(
    ("point", "true"),
    [((650, 420), FACE), ((900, 312), RING), ((800, 850), BIB)],
    ids=["face", "eye ring", "bib"],
)
def test_a_tap_on_a_mark_outlines_that_mark(point, true):
    assert overlap(suggest_outline(painted(BIRD), point), true) > 0.8


def test_a_shadow_across_the_mark_does_not_cut_it():
    picture = painted(BIRD, shade=0.35)
    assert overlap(suggest_outline(picture, (800, 850)), BIB) > 0.8


def test_rough_plumage_does_not_break_the_outline():
    picture = painted(BIRD, noise=14)
    assert overlap(suggest_outline(picture, (800, 850)), BIB) > 0.8


def test_the_outline_stays_inside_the_mark_so_that_no_other_colour_mixes_in():
    outline = shapely.Polygon(suggest_outline(painted(BIRD), (800, 850)).points)
    outside = outline.difference(shapely.Polygon(vertices(BIB))).area
    assert outside < 0.01 * outline.area


@pytest.mark.parametrize("scale", [1.0, 2.5])
def test_the_outline_comes_in_photo_pixels(scale):
    picture = painted(BIRD)
    small = suggest_outline(picture, (650, 420))
    large = suggest_outline(picture, (650 * scale, 420 * scale), scale=scale)
    assert area(large) == pytest.approx(area(small) * scale**2, rel=1e-3)


def test_a_tap_between_two_patches_of_near_colour_does_not_join_them():
    left, right = Ellipse(500, 600, 180, 180), Ellipse(830, 600, 140, 140)
    picture = painted([(left, (70, 140, 60)), (right, (110, 150, 60))], noise=4)
    outline = suggest_outline(picture, (420, 600))
    assert overlap(outline, left) > 0.8
    assert overlap(outline, right) < 0.05


def test_an_outline_stays_within_reach_of_the_finger():
    picture, point = painted(BIRD), (800, 850)
    outline = np.array(suggest_outline(picture, point, reach=90).points)
    assert np.hypot(*(outline - point).T).max() <= 91
    # All of it is bib, so most of the disc within reach is taken.
    assert area(suggest_outline(picture, point, reach=90)) > 0.75 * np.pi * 90**2


def test_reach_does_not_hinder_a_mark_that_is_smaller():
    assert overlap(suggest_outline(painted(BIRD), (900, 312), reach=200), RING) > 0.8


@pytest.mark.parametrize(
    ("point", "message"),
    [((40, 40), "whole photo"), ((-5, 10), "outside the photo"), ((2000, 10), "outside the photo")],
)
def test_it_says_so_when_nothing_sensible_is_under_the_finger(point, message):
    with pytest.raises(FieldmarksError, match=message):
        suggest_outline(painted(BIRD), point)


def test_it_says_so_when_the_patch_is_a_few_pixels():
    picture = painted([(Ellipse(800, 600, 2.5, 2.5), (255, 0, 0))], noise=0)
    with pytest.raises(FieldmarksError, match="Draw round the mark"):
        suggest_outline(picture, (800, 600))


def test_a_bird_cut_by_the_edge_of_the_photo_stays_on_the_photo():
    picture = painted([(Ellipse(0, 600, 300, 260), (60, 140, 50))])
    points = np.array(suggest_outline(picture, (60, 600)).points)
    assert points.min() >= 0
    assert points[:, 0].max() == pytest.approx(300, abs=20)


@settings(max_examples=25, deadline=None)
@given(
    x=st.integers(200, 600),
    y=st.integers(150, 450),
    rx=st.integers(25, 140),
    ry=st.integers(25, 120),
    angle=st.integers(0, 180),
    seed=st.integers(0, 1000),
)
def test_any_oval_patch_is_found_and_its_outline_is_fit_to_measure(x, y, rx, ry, angle, seed):
    true: Shape = Ellipse(x, y, rx, ry, angle)
    picture = painted([(true, (200, 80, 60))], size=(800, 600), seed=seed)
    outline = suggest_outline(picture, (x, y))
    assert len(outline.points) <= MAX_POINTS
    assert shapely.Polygon(outline.points).is_valid
    assert overlap(outline, true) > 0.8


def test_a_suggestion_comes_while_the_finger_is_still_near():
    # From memory: an answer within about 0.1 s feels immediate. 0.15 s is what was asked for; here
    # of processor time, as other programs may run.
    picture = painted(BIRD)
    suggest_outline(picture, (800, 850))
    took = []
    for _ in range(7):
        start = time.process_time()
        suggest_outline(picture, (800, 850))
        took.append(time.process_time() - start)
    assert sorted(took)[3] < 0.15
