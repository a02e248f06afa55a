"""Agreement against the worked example of Bland & Altman (1986)."""

import math

import numpy as np
import pytest
from made_birds import CLEAN, ORANGE, shoot

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.agreement import (
    compare_photos,
    finding_story,
    limits_of_agreement,
    region_overlap,
    repeatability,
)
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.measure.region import Ellipse, Rectangle, Region
from fieldmarks.record import Question

# Peak expiratory flow of 17 people in l/min, each blown twice into a large and a mini meter:
# table of J. M. Bland & D. G. Altman, 1986, Lancet 327, 307-310. The numbers are from memory; that
# they give the figures published there (below) shows that they are right.
LARGE = [
    (494, 490), (395, 397), (516, 512), (434, 401), (476, 470), (557, 611), (413, 415), (442, 431),
    (650, 638), (433, 429), (417, 420), (656, 633), (267, 275), (478, 492), (178, 165), (423, 372),
    (427, 421),
]  # fmt: skip
MINI = [
    (512, 525), (430, 415), (520, 508), (428, 444), (500, 500), (600, 625), (364, 460), (380, 390),
    (658, 642), (445, 432), (432, 420), (626, 605), (260, 227), (477, 467), (259, 268), (350, 370),
    (451, 443),
]  # fmt: skip


def test_limits_of_agreement_are_those_of_the_paper():
    # Published: mean difference -2.1 l/min, s 38.8, limits -79.7 and 75.5 (mean -/+ 2 s).
    found = limits_of_agreement([a for a, _ in LARGE], [a for a, _ in MINI], coverage=2)
    assert found.count == 17
    assert round(found.mean, 1) == -2.1
    assert round(found.deviation, 1) == 38.8
    # The paper works on with the mean and s as rounded there.
    assert round(found.mean, 1) - 2 * round(found.deviation, 1) == pytest.approx(-79.7)
    assert round(found.mean, 1) + 2 * round(found.deviation, 1) == pytest.approx(75.5)
    assert found.low == pytest.approx(-79.7, abs=0.15)
    assert found.high == pytest.approx(75.5, abs=0.15)


def test_repeatability_coefficients_are_those_of_the_paper():
    # Published: 43.2 l/min for the large meter and 56.4 l/min for the mini meter (2 s).
    assert repeatability(LARGE, coverage=2) == pytest.approx(43.2, abs=0.1)
    assert repeatability(MINI, coverage=2) == pytest.approx(56.4, abs=0.1)


def test_repeatability_of_more_than_two_readings_is_that_of_an_analysis_of_variance():
    # Reference: within-group mean square, worked out with numpy from group variances.
    rng = np.random.default_rng(5)
    groups = [list(rng.normal(m, 2, n)) for m, n in ((10, 3), (20, 2), (30, 5), (40, 1))]
    squares = sum(np.var(g, ddof=1) * (len(g) - 1) for g in groups if len(g) > 1)
    within = squares / sum(len(g) - 1 for g in groups)
    assert repeatability(groups) == pytest.approx(1.96 * math.sqrt(2 * within))
    assert repeatability([[1.0], [2.0]]) is None


def test_one_pair_has_no_limits():
    with pytest.raises(FieldmarksError, match="two or more pairs"):
        limits_of_agreement([1.0], [2.0])


def test_overlap_of_regions_is_shared_over_joint_area():
    one = [Region("a", "face", Rectangle(0, 0, 10, 10))]
    other = [Region("b", "face", Rectangle(5, 0, 10, 10))]
    assert region_overlap(one, other) == pytest.approx(1 / 3)
    assert region_overlap(one, one) == 1
    assert region_overlap(one, []) is None
    circle = [Region("c", "face", Ellipse(5, 5, 5, 5))]
    assert region_overlap(one, circle) == pytest.approx(math.pi / 4, abs=1e-3)


@pytest.mark.parametrize(
    ("said", "story"),
    [
        ([("A", "1", "fits"), ("B", "1", "fits"), ("A", "2", "fits")], "all agree"),
        ([("A", "1", "fits"), ("B", "1", "doubtful")], "depends on who measured"),
        ([("A", "1", "fits"), ("B", "1", "fits"), ("A", "2", "doubtful")], "depends on the photo"),
        ([("A", "1", "fits")], "only one"),
    ],
)
def test_what_a_finding_depends_on(said, story):
    assert finding_story(said) == story


def test_two_measurers_of_one_photo_are_compared_mark_by_mark(tables):
    asked = Question(claimed="personatus")
    accounts = [
        MeasuredPhoto(b"", shoot(tables, CLEAN, asked).record, "Ada"),
        MeasuredPhoto(b"", shoot(tables, CLEAN, asked, grow=6).record, "Bo"),
    ]
    found = compare_photos(accounts)
    marks = {m.mark: m for m in found.marks}
    assert set(marks) == {"face", "collar", "rump"}
    assert 0.4 < marks["face"].overlap < 0.9
    assert marks["face"].between == ("Ada", "Bo")
    assert marks["face"].largest < 2
    assert set(found.limits) == {("Ada", "Bo")}
    assert found.limits["Ada", "Bo"]["L*"].count == 3
    assert all(f.story == "all agree" for f in found.findings)


def test_a_finding_of_one_photo_only_is_said_to_depend_on_it(tables):
    asked = Question(claimed="personatus")
    found = compare_photos(
        [
            MeasuredPhoto(b"", shoot(tables, CLEAN, asked).record, "Ada"),
            MeasuredPhoto(b"", shoot(tables, ORANGE, asked, seed=1).record, "Ada"),
        ]
    )
    stories = {f.key: f.story for f in found.findings}
    assert stories["personatus: collar"] == "depends on the photo"
    assert stories["personatus: face"] == "all agree"


def test_one_account_cannot_be_compared(tables):
    with pytest.raises(FieldmarksError, match="two or more"):
        compare_photos([MeasuredPhoto(b"", shoot(tables, CLEAN).record, "Ada")])
