"""The card: what it corrects, when it is refused."""

import numpy as np
import pytest
from scenes import GREY_18, card, linear_scene, to_photo

from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.colour import difference, lightness_to_reflectance, linear_to_lab
from fieldmarks.measure.region import Ellipse, Rectangle, Region

CARD = Rectangle(20, 20, 80, 80)
BIRD = Ellipse(300, 200, 60, 60)
ORANGE = (62.0, 40.0, 55.0)


def read(photo, calibration, shape=BIRD):
    x, y = int(shape.cx), int(shape.cy)
    linear = photo.linear((x - 20, y - 20, x + 20, y + 20))
    return linear_to_lab(calibration.apply(linear, x, y)).reshape(-1, 3).mean(axis=0)


@pytest.mark.parametrize("cast", [(1.12, 1, 0.9), (0.6, 0.7, 0.8), (1.1, 0.8, 0.6)])
def test_a_grey_card_takes_out_a_plain_cast_and_wrong_exposure(cast):
    photo = to_photo(linear_scene([(CARD, GREY_18), (BIRD, ORANGE)], cast=cast))
    result = calibrate(photo, [card()])
    assert result.calibrated
    # Linear light times a gain per channel is exactly undone; 8-bit rounding is what remains.
    assert difference(read(photo, result), ORANGE) < 0.7
    assert difference(read(photo, calibrate(photo, [])), ORANGE) > 2
    assert result.gains == pytest.approx(1 / np.array(cast), rel=0.02)


def test_a_card_given_by_its_lightness_works_like_one_given_by_reflectance():
    photo = to_photo(linear_scene([(CARD, (70.0, 0, 0)), (BIRD, ORANGE)], cast=(0.8, 0.8, 0.8)))
    value = lightness_to_reflectance(70.0)
    assert difference(read(photo, calibrate(photo, [card(value=value)])), ORANGE) < 0.7


def test_three_steps_agree_with_one_card_when_the_camera_is_straight():
    steps = [(Rectangle(20 + 100 * i, 20, 80, 80), (v, 0, 0)) for i, v in enumerate((90, 50, 20))]
    photo = to_photo(linear_scene([*steps, (BIRD, ORANGE)], cast=(0.9, 0.8, 0.7)))
    regions = [
        Region(f"s{i}", "card", s, lightness_to_reflectance(lab[0]))
        for i, (s, lab) in enumerate(steps)
    ]
    result = calibrate(photo, regions)
    assert result.misfit < 0.3
    assert difference(read(photo, result), ORANGE) < 0.7


def test_steps_that_a_bent_tone_curve_pulls_apart_show_a_misfit():
    steps = [(Rectangle(20 + 100 * i, 20, 80, 80), (v, 0, 0)) for i, v in enumerate((85, 50, 20))]
    bent = linear_scene(steps) ** 1.25
    regions = [
        Region(f"s{i}", "card", s, lightness_to_reflectance(lab[0]))
        for i, (s, lab) in enumerate(steps)
    ]
    assert calibrate(to_photo(bent), regions).misfit > 1.5


def test_cards_in_three_corners_take_out_a_gradient_over_the_photo():
    corners = [Rectangle(20, 20, 70, 70), Rectangle(510, 20, 70, 70), Rectangle(20, 310, 70, 70)]
    scene = linear_scene([*((c, GREY_18) for c in corners), (BIRD, ORANGE)])
    x, y = np.meshgrid(np.arange(600), np.arange(400))
    scene *= np.exp(0.0012 * x - 0.0008 * y)[..., None]
    photo = to_photo(scene * 0.7)
    three = calibrate(photo, [Region(f"c{i}", "card", c) for i, c in enumerate(corners)])
    one = calibrate(photo, [Region("c0", "card", corners[0])])
    assert three.plane == pytest.approx((0.0012, -0.0008), abs=1e-4)
    assert difference(read(photo, three), ORANGE) < 0.7
    assert difference(read(photo, one), ORANGE) > 3


def shadowed(scene):
    scene[:, 60:] *= 0.5
    return scene


def gleam(scene):
    scene[20:100, 20:100] = 1.2
    return scene


REFUSED = {
    "shadow edge": (shadowed, "shadow"),
    "clipped": (gleam, "clipped"),
    "black": (lambda s: s * 0.001, "too dark"),
    "strong cast": (lambda s: s * [2.6, 1.0, 0.15], "cast is too strong"),
    "far off its value": (lambda s: s * 0.12, "was expected"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_a_misleading_card_is_refused_with_the_reason_and_the_mend(kind):
    change, words = REFUSED[kind]
    scene = change(linear_scene([(CARD, GREY_18), (BIRD, ORANGE)]))
    result = calibrate(to_photo(scene), [card()])
    assert not result.calibrated
    assert words in result.refusals[0]
    assert result.gains == (1, 1, 1)


def test_a_card_of_a_few_pixels_is_refused():
    photo = to_photo(linear_scene([(CARD, GREY_18)]))
    result = calibrate(photo, [card(side=9)])
    assert "81 pixels" in result.refusals[0]


def test_one_bad_card_does_not_spoil_a_good_one():
    good, bad = Rectangle(20, 20, 80, 80), Rectangle(150, 20, 80, 80)
    scene = linear_scene([(good, GREY_18), (bad, GREY_18)])
    scene[20:100, 150:190] *= 0.4
    result = calibrate(to_photo(scene), [Region("g", "card", good), Region("b", "card", bad)])
    assert result.calibrated
    assert [p.region for p in result.patches] == ["g"]
    assert result.refusals[0].startswith("Card b:")


def test_the_cast_is_told_in_words_a_keeper_uses():
    warm = to_photo(linear_scene([(CARD, GREY_18)], cast=(1.25, 1.0, 0.7)))
    assert "a clear yellowish cast" in calibrate(warm, [card()]).summary
    plain = to_photo(linear_scene([(CARD, GREY_18)]))
    assert "hardly any colour cast" in calibrate(plain, [card()]).summary
    assert "Not calibrated" in calibrate(plain, []).summary
