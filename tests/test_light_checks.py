"""Light checks: the bird's white parts and cards that disagree tell of another light."""

import numpy as np
import pytest
from scenes import GREY_18, linear_scene, to_photo

from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.light_checks import bird_doubts, card_doubts, light_check_row, widen
from fieldmarks.measure.measure import measure
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Ellipse, Rectangle, Region, RegionSet
from fieldmarks.pipeline import demo_birds, record_of_file
from fieldmarks.rules import load_rules

CARD = Rectangle(20, 20, 80, 80)
RING, BIB = Ellipse(300, 150, 30, 30), Ellipse(300, 300, 60, 50)
WHITE, ORANGE = (88.0, 1.0, 4.0), (62.0, 40.0, 55.0)
REGIONS = [
    Region("card", "card", CARD),
    Region("ring", "eye_ring", RING),
    Region("bib", "bib", BIB),
]


def bird(light, exposure=0.8):
    """A card under a white light, a bird under another."""
    scene = linear_scene([(CARD, GREY_18), (RING, WHITE), (BIB, ORANGE)])
    scene[:, 120:] *= np.array(light)
    return to_photo(scene * exposure)


def measured(photo, regions=REGIONS):
    regions = RegionSet(photo.name, photo.width, photo.height, tuple(regions))
    return measure(photo, regions, load_rules())


def part_names(reading):
    return [p.name for p in reading.budget.parts]


def test_a_white_ring_under_the_cards_light_raises_no_doubt():
    found = measured(bird((1, 1, 1)))
    assert not any("light on the bird" in w for w in found.warnings)
    assert all("light on the bird" not in part_names(r) for r in found.readings)


@pytest.mark.parametrize("light", [(1.15, 1.0, 0.5), (0.55, 0.9, 1.15)])
def test_a_strongly_coloured_ring_warns_and_widens_every_mark(light):
    straight, cast = measured(bird((1, 1, 1))), measured(bird(light))
    assert any("light on the bird is not the light on the card" in w for w in cast.warnings)
    for before, after in zip(straight.readings, cast.readings, strict=True):
        assert "light on the bird" in part_names(after)
        assert after.expanded > 1.15 * before.expanded


def test_the_bird_never_calibrates_anything():
    cast = measured(bird((1.15, 1.0, 0.5)))
    ring = next(r for r in cast.readings if r.mark == "eye_ring")
    assert ring.chroma > light_check_row().chroma_warm
    assert cast.calibration.gains == pytest.approx(measured(bird((1, 1, 1))).calibration.gains)


def test_a_dark_ring_says_nothing_of_the_light():
    scene = linear_scene([(CARD, GREY_18), (RING, (40.0, 20.0, 30.0))])
    photo = to_photo(scene)
    reading = read_mark(photo, "eye_ring", [REGIONS[1]], calibrate(photo, [REGIONS[0]]))
    assert bird_doubts({"eye_ring": reading}, {}) == []


def two_cards(light):
    other = Rectangle(480, 20, 80, 80)
    scene = linear_scene([(CARD, GREY_18), (other, GREY_18), (BIB, ORANGE)])
    scene[:, 470:] *= np.array(light)
    photo = to_photo(scene)
    regions = [REGIONS[0], Region("card2", "card", other), REGIONS[2]]
    return photo, regions


def test_two_cards_under_two_lights_tell_of_mixed_light_and_brightness_alone_does_not():
    photo, regions = two_cards((1.25, 1.0, 0.7))
    doubts = card_doubts(calibrate(photo, regions[:2]))
    assert "two kinds of light" in doubts[0].text
    found = measured(photo, regions)
    assert "mixed light" in part_names(found.readings[0])
    photo, regions = two_cards((0.7, 0.7, 0.7))
    assert card_doubts(calibrate(photo, regions[:2])) == []


def test_widening_grows_with_lightness_and_only_in_colour():
    photo, regions = two_cards((1.25, 1.0, 0.7))
    calibration = calibrate(photo, regions[:2])
    doubts = card_doubts(calibration)
    reading = read_mark(photo, "bib", [REGIONS[2]], calibration)
    part = widen(reading, doubts).budget.parts[-1]
    assert part.lightness == 0
    assert part.chroma == pytest.approx(doubts[0].cast * (reading.lab[0] + 16) / 116)
    assert widen(reading, []) is reading


def budget_of(light):
    found = measured(bird((light, light, light), exposure=0.6))
    return found, {r.mark: r for r in found.readings}


def test_a_part_brighter_than_white_tells_that_the_card_stands_in_shade():
    even, plain = budget_of(1.0)
    bright, lit = budget_of(1.7)
    assert not any("brighter than white" in w for w in even.warnings)
    assert any("brighter than white" in w for w in bright.warnings)
    wide, usual = (r["bib"].budget.combined[0] / (r["bib"].lab[0] + 16) for r in (lit, plain))
    assert wide > 1.2 * usual


def test_a_white_ring_in_shade_is_said_and_makes_lightness_less_certain():
    dim, shaded = budget_of(0.6)
    assert any("rather dark" in w for w in dim.warnings)
    part = next(p for p in shaded["bib"].budget.parts if p.name == "light on the bird")
    # CIE 15: a relative change r of the light moves L* by (L* + 16) / 3 times r.
    assert part.lightness == pytest.approx(
        (shaded["bib"].lab[0] + 16) / 3 * light_check_row().light
    )
    assert part.hue == 0


def test_a_shadow_that_begins_on_the_card_widens_what_lies_far_from_it():
    edge = np.ones((400, 600, 1))
    edge[:, :, 0] = 1 - 0.3 / (1 + np.exp(-(np.arange(600) - 100) / 30))
    scene = linear_scene([(CARD, GREY_18), (RING, WHITE), (BIB, ORANGE)]) * 0.8
    found = {}
    for name, light in (("even", 1.0), ("shadow", edge)):
        found[name] = measured(to_photo(scene * light))
    assert not any("across the card" in w for w in found["even"].warnings)
    assert any("across the card" in w for w in found["shadow"].warnings)
    bibs = [next(r for r in f.readings if r.mark == "bib") for f in found.values()]
    parts = [next(p for p in b.budget.parts if p.name == "light").lightness for b in bibs]
    assert parts[1] > 1.5 * parts[0]


def test_daylight_that_falls_off_over_a_table_is_no_shadow_edge():
    """No grey patch of eleven real chart photos changes by more than 8.5 %."""
    fall = np.ones((400, 600, 1))
    fall[:, :, 0] = 1 - 0.08 * (np.arange(600) - 20) / 80
    scene = linear_scene([(CARD, GREY_18)]) * np.maximum(fall, 0.5)
    calibration = calibrate(to_photo(scene), REGIONS[:1])
    assert 0.06 < max(abs(v) for v in calibration.patches[0].slope) * 80 < 0.1
    assert card_doubts(calibration) == []


def two_bibs(second):
    left, right = Ellipse(250, 300, 40, 40), Ellipse(420, 300, 40, 40)
    photo = to_photo(linear_scene([(CARD, GREY_18), (left, ORANGE), (right, second)]) * 0.9)
    regions = [REGIONS[0], Region("left", "bib", left), Region("right", "bib", right)]
    return measured(photo, regions)


def test_one_mark_in_sun_and_shade_is_told_from_two_colours():
    factor = 0.6 ** (1 / 3)
    shade = (78.0 * factor - 16, 40.0 * factor, 55.0 * factor)
    sun = two_bibs(shade)
    assert any("One lies in the sun, one in the shade" in w for w in sun.warnings)
    other = two_bibs((48.0, -20.0, 30.0))
    assert not any("in the shade" in w for w in other.warnings)
    same = two_bibs(ORANGE)
    assert same.readings[0].expanded < 0.8 * sun.readings[0].expanded


GREY_BLUE = (50.0, -2.0, -4.0)  # a grey-blue rump, as near to a card's grey as one comes
PLACES = {
    "face": Ellipse(150, 180, 30, 30),
    "rump": Ellipse(380, 220, 40, 40),
    "belly": Ellipse(300, 340, 40, 30),
    "back": Ellipse(300, 120, 40, 30),
}


@pytest.mark.parametrize(
    ("card", "said"),
    [(CARD, False), (Rectangle(280, 200, 40, 40), True), (Rectangle(440, 200, 60, 60), False)],
    ids=["beside", "between", "behind"],
)
def test_a_card_between_the_marks_of_the_bird_is_questioned(card, said):
    scene = linear_scene([(card, GREY_BLUE), *((shape, ORANGE) for shape in PLACES.values())])
    marks = [Region(mark, mark, shape) for mark, shape in PLACES.items()]
    found = measured(to_photo(scene), [Region("card", "card", card), *marks])
    assert found.calibration.calibrated
    questioned = [w for w in found.warnings if "between the marks of the bird" in w]
    assert len(questioned) == said
    few = measured(to_photo(scene), [Region("card", "card", card), *marks[:2]])
    assert not any("between the marks" in w for w in few.warnings), "too few to know"


@pytest.mark.parametrize("photo", demo_birds().values(), ids=lambda p: p.stem)
def test_the_card_beside_a_painted_bird_is_not_questioned(photo):
    record, _ = record_of_file(photo, load_rules())
    assert not any("between the marks" in w for w in record.measurement.warnings)
