"""Outlines proposed from a few taps: what a keeper can rely on before looking at them.

The birds are painted here or come from the demo pictures, so what is where is known exactly. They
show that the parts work together; how well real birds are outlined is measured apart, on
photographs (benchmarks/taps.py).
"""

import math
from functools import lru_cache

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from fieldmarks._util.errors import RegionError
from fieldmarks._util.resources import shipped
from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.card_places import find_card
from fieldmarks.measure.colour import difference
from fieldmarks.measure.outlines import Taps, places, propose
from fieldmarks.measure.photo import decode_photo, open_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Ellipse, Region, centre, mask, overlap, vertices
from fieldmarks.measure.region_file import region_set_from_text
from fieldmarks.rules import load_rules

MARKS = load_rules().marks
UNIT = 60.0  # pixels from eye to beak tip of the painted bird
EYE = (200.0, 110.0)
TIP = (EYE[0] - 0.8 * UNIT, EYE[1] + 0.6 * UNIT)
TAIL = (EYE[0] + 1.9 * UNIT, EYE[1] + 5.2 * UNIT)
SIZE = (480, 520)
IRIS, RING = 0.09, 0.18  # radii in units
GREEN, ORANGE, RED, WHITE, BLACK = (
    (70, 150, 60),
    (230, 120, 50),
    (205, 40, 45),
    (240, 240, 235),
    (25,) * 3,
)
BEAK = ((0.42, -0.20), (0.47, -0.33), (0.61, -0.40), (0.80, -0.37), (0.98, -0.22), (1.03, -0.04),
        (0.98, 0.08), (0.90, -0.02), (0.80, 0.06), (0.66, 0.10), (0.50, 0.02))  # fmt: skip


def in_frame(x, y):
    """A place in the frame of the painted head, in pixels."""
    along, down = np.array([-0.8, 0.6]), np.array([0.6, 0.8])
    return tuple(float(v) for v in np.array(EYE) + UNIT * (x * along + y * down))


def picture(seed=5):
    """A bird sitting side-on and looking left, with feather-like noise; (h, w, 3) uint8."""
    rng = np.random.default_rng(seed)
    width, height = SIZE
    out = np.full((height, width, 3), (120, 125, 140), np.float32)

    def oval(x, y, rx, ry, turn, colour):
        middle = (round(x), round(y))
        axes = (round(rx * UNIT), round(ry * UNIT))
        cv2.ellipse(out, middle, axes, turn, 0, 360, colour, cv2.FILLED, cv2.LINE_AA)

    def patch(points, colour):
        corners = np.round(np.array(points) * 16).astype(np.int32)
        cv2.fillPoly(out, [corners], colour, cv2.LINE_AA, 4)

    x, y = EYE
    end = [(TAIL[0] + 0.2 * UNIT, TAIL[1] - 0.1 * UNIT), (TAIL[0] - 0.2 * UNIT, TAIL[1])]
    patch([(x + 0.8 * UNIT, y + 3 * UNIT), (x + 1.6 * UNIT, y + 2.6 * UNIT), *end], GREEN)
    oval(x + 0.55 * UNIT, y + 2.1 * UNIT, 1.05, 2.0, -15, GREEN)
    oval(x + 0.12 * UNIT, y + 0.22 * UNIT, 0.85, 0.85, 0, ORANGE)
    patch([in_frame(*p) for p in BEAK], RED)
    oval(x, y, RING, RING, 0, WHITE)
    oval(x, y, IRIS, IRIS, 0, BLACK)
    grain = rng.normal(0, 5, (height // 2, width // 2, 1)).astype(np.float32)
    out += cv2.resize(grain, (width, height))[..., None]
    return np.clip(cv2.GaussianBlur(out, (0, 0), 0.7), 0, 255).astype(np.uint8)


def to_photo(rgb):
    _, data = cv2.imencode(".png", np.ascontiguousarray(rgb[..., ::-1]))
    return decode_photo(data.tobytes(), "bird.png")


@lru_cache(maxsize=1)
def bird():
    return to_photo(picture())


def shapes(photo, taps):
    return {p.mark: p.shape for p in propose(photo, taps, MARKS)}


@lru_cache(maxsize=1)
def proposed():
    """What is proposed on the painted bird from all three taps."""
    return propose(bird(), Taps(EYE, TIP, TAIL), MARKS)


def found():
    return {p.mark: p.shape for p in proposed()}


def lab(photo, mark, own):
    without = [own[k] for k in MARKS[mark].without if k in own]
    region = Region("A", mark, own[mark])
    reading = read_mark(photo, mark, [region], calibrate(photo, []), without)
    return None if reading is None else np.array(reading.lab)


def test_eye_and_ring_are_found_where_they_are():
    own = found()
    assert overlap(own["iris"], Ellipse(*EYE, IRIS * UNIT, IRIS * UNIT)) > 0.75
    # The ring's outline keeps off its outer border, where it mixes with the feathers.
    ring = Ellipse(*EYE, RING * UNIT, RING * UNIT)
    assert 0.4 < overlap(own["eye_ring"], ring) <= 1
    assert math.dist(centre(own["eye_ring"]), EYE) < 0.04 * UNIT


@pytest.mark.parametrize(
    ("mark", "painted"),
    [
        ("crown", ORANGE),
        ("forehead", ORANGE),
        ("cheek", ORANGE),
        ("back_of_head", ORANGE),
        ("beak_base", RED),
        ("beak_tip", RED),
        ("eye_ring", WHITE),
        ("belly", GREEN),
        ("tail_tip", GREEN),
    ],
)
def test_marks_lie_on_their_own_colour(mark, painted):
    x, y = (int(v) for v in centre(found()[mark]))
    if mark == "eye_ring":  # its middle is the iris
        y -= round((IRIS + RING) / 2 * UNIT)
    seen = cv2.GaussianBlur(picture(), (0, 0), 0.8)[y, x].astype(float)
    assert np.abs(seen - painted).max() < 30


def test_proposals_are_outlines_that_can_be_read_on_the_photo():
    for one in proposed():
        points = vertices(one.shape)
        assert (points >= 0).all()
        assert (points <= SIZE).all()
        assert shapely.Polygon(points).is_valid
        assert 0 < one.certainty <= 1
        assert lab(bird(), one.mark, found()) is not None


def test_a_core_keeps_off_a_streak_of_another_colour():
    x, y = (round(v) for v in centre(found()["cheek"]))
    rgb = picture()
    cv2.line(rgb, (x + 2, y - 40), (x + 2, y + 40), GREEN, 2)
    shape = shapes(to_photo(rgb), Taps(EYE, TIP, TAIL))["cheek"]
    corner = (0, 0, *SIZE)
    streak = cv2.line(np.zeros(SIZE[::-1], np.uint8), (x + 2, y - 40), (x + 2, y + 40), 1, 2) > 0
    assert (mask(shape, corner, []) & streak).sum() < 0.1 * mask(shape, corner, []).sum()


def test_a_core_of_scattered_colours_is_less_sure():
    even = {p.mark: p.certainty for p in proposed()}
    rgb = picture().astype(np.float32)
    patches = np.random.default_rng(8).normal(0, 45, (65, 60, 3)).astype(np.float32)
    rgb[220:] += cv2.resize(patches, SIZE, interpolation=cv2.INTER_CUBIC)[220:]
    spotted = to_photo(np.clip(rgb, 0, 255).astype(np.uint8))
    uneven = {p.mark: p.certainty for p in propose(spotted, Taps(EYE, TIP, TAIL), MARKS)}
    assert uneven["belly"] < even["belly"]
    assert uneven["crown"] == even["crown"]


def test_only_marks_that_a_rule_needs_whole_are_followed_to_their_borders():
    assert {p.mark for p in proposed() if p.whole} == {"collar", "bib"} & found().keys()
    assert {m for m in MARKS if MARKS[m].whole} == {"collar", "bib"}


def test_the_same_taps_give_the_same_outlines():
    assert propose(bird(), Taps(EYE, TIP, TAIL), MARKS) == proposed()


@settings(max_examples=6, deadline=None)
@given(
    turn=st.floats(0, 2 * math.pi), which=st.sampled_from(["eye", "tip", "tail"]),
)  # fmt: skip
def test_a_tap_that_is_a_little_off_reads_the_same(turn, which):
    off = 0.03 * math.dist(TIP, TAIL)
    points = {"eye": EYE, "tip": TIP, "tail": TAIL}
    x, y = points[which]
    points[which] = (x + off * math.cos(turn), y + off * math.sin(turn))
    own = shapes(bird(), Taps(points["eye"], points["tip"], points["tail"]))
    for mark in ("iris", "eye_ring", "cheek", "crown"):
        one, other = lab(bird(), mark, own), lab(bird(), mark, found())
        # The painted iris is black and 11 pixels across: one more row of its blurred rim reads 2.2.
        assert float(difference(one, other)) < (3 if mark == "iris" else 2)


@settings(max_examples=5, deadline=None)
@given(
    scale=st.floats(0.8, 2.5),
    mirrored=st.booleans(),
    left=st.integers(0, 60),
    top=st.integers(0, 60),
)
def test_a_larger_shifted_or_mirrored_photo_gives_the_same_marks(scale, mirrored, left, top):
    rgb = cv2.copyMakeBorder(picture(), top, 0, left, 0, cv2.BORDER_REPLICATE)
    width = rgb.shape[1]

    def there(point):
        x, y = point[0] + left, point[1] + top
        return ((width - x if mirrored else x) * scale, y * scale)

    rgb = rgb[:, ::-1] if mirrored else rgb
    rgb = cv2.resize(np.ascontiguousarray(rgb), None, fx=scale, fy=scale)
    own = shapes(to_photo(rgb), Taps(there(EYE), there(TIP), there(TAIL)))
    for mark in ("iris", "eye_ring", "cheek", "crown", "beak_base"):
        expected = there(centre(found()[mark]))
        assert math.dist(centre(own[mark]), expected) < 0.15 * UNIT * scale


def test_what_was_not_tapped_is_not_proposed():
    own = shapes(bird(), Taps(EYE))
    assert not {"beak_base", "beak_tip", "cere", "tail_tip"} & set(own)
    assert overlap(own["iris"], Ellipse(*EYE, IRIS * UNIT, IRIS * UNIT)) > 0.6


def test_a_bird_seen_from_behind_shows_no_front():
    own = shapes(bird(), Taps(EYE, None, TAIL))
    assert "crown" in own
    assert not {"face", "bib", "chest", "belly"} & set(own)


def test_only_marks_of_the_table_are_proposed():
    some = {m: MARKS[m] for m in ("cheek", "iris")}
    assert [p.mark for p in propose(bird(), Taps(EYE, TIP), some)] == ["cheek", "iris"]
    assert set(places.places()) <= set(MARKS)


@pytest.mark.parametrize(
    "taps", [Taps((-5, 10)), Taps(EYE, (9999, 3)), Taps(EYE, (EYE[0] + 2, EYE[1]))]
)
def test_taps_that_cannot_be_meant_are_refused(taps):
    with pytest.raises(RegionError):
        propose(bird(), taps, MARKS)


def test_an_eye_tapped_where_there_is_none_is_refused():
    plain = to_photo(np.full((200, 300, 3), 128, np.uint8))
    with pytest.raises(RegionError, match="no eye"):
        propose(plain, Taps((150, 100)), MARKS)


@lru_cache(maxsize=8)
def demo(name):
    folder = shipped("demo_images")
    drawn = region_set_from_text((folder / f"{name}.regions.json").read_text(encoding="utf-8"))
    return open_photo(folder / f"{name}.jpg"), {r.mark: r.shape for r in drawn.regions}


def test_a_demo_bird_reads_as_its_own_outlines_do():
    photo, drawn = demo("personatus_clean")
    eye = centre(drawn["iris"])

    def far(mark):
        return tuple(max(vertices(drawn[mark]).tolist(), key=lambda p: math.dist(p, eye)))

    own = shapes(photo, Taps(eye, far("beak_tip"), far("tail_tip")))
    apart = [
        float(difference(lab(photo, mark, own), lab(photo, mark, drawn)))
        for mark in set(own) & set(drawn)
    ]
    assert len(apart) >= 12
    assert np.median(apart) < 3


@pytest.mark.parametrize("name", ["lilianae_large", "nigrigenis_blue_rump"])
def test_in_a_light_eye_the_iris_is_not_taken_for_the_skin_round_it(name):
    photo, drawn = demo(name)
    tip = vertices(drawn["beak_tip"]).mean(axis=0)
    own = shapes(photo, Taps(centre(drawn["pupil"]), tuple(tip)))
    assert overlap(own["pupil"], drawn["pupil"]) > 0.7
    for mark in ("iris", "eye_ring"):
        assert difference(lab(photo, mark, own), lab(photo, mark, drawn)) < 3, mark
    photo, drawn = demo("personatus_clean")
    assert "pupil" not in shapes(photo, Taps(centre(drawn["pupil"]), TIP))


def test_a_collar_keeps_its_patch_of_another_colour():
    photo, drawn = demo("personatus_orange_collar")
    tip, tail = (vertices(drawn[mark]).mean(axis=0) for mark in ("beak_tip", "tail_tip"))
    own = shapes(photo, Taps(centre(drawn["pupil"]), tuple(tip), tuple(tail)))
    reading = read_mark(
        photo, "collar", [Region("A", "collar", own["collar"])], calibrate(photo, [])
    )
    orange = [p.fraction for p in reading.populations if p.lab[1] > 25]
    assert sum(orange) > 0.08, "as much as makes a sign"


@pytest.mark.parametrize("name", ["fischeri_clean", "personatus_clean", "lilianae_large"])
def test_the_card_of_a_demo_photo_finds_itself(name):
    photo, drawn = demo(name)
    card = find_card(photo)
    assert overlap(card.regions[0].shape, drawn["card"]) > 0.5
    assert 0.3 < card.certainty < 1


def test_no_card_is_found_where_there_is_none():
    assert find_card(demo("fischeri_no_card")[0]) is None
    assert find_card(bird()) is None


def carded(places_of_cards, grey=118):
    rng = np.random.default_rng(2)
    small = rng.uniform(30, 160, (30, 40, 3)).astype(np.float32) * [0.7, 1.0, 0.5]
    out = cv2.resize(small.astype(np.float32), (800, 600), interpolation=cv2.INTER_CUBIC)
    out += rng.normal(0, 8, out.shape)
    for x, y in places_of_cards:
        out[y : y + 90, x : x + 120] = grey
    return to_photo(np.clip(out, 0, 255).astype(np.uint8))


@lru_cache(maxsize=1)
def lone_card():
    return find_card(carded([(300, 200)]))


def test_a_lone_card_is_found_and_a_wall_of_tiles_is_not():
    card = lone_card()
    (x0, y0), (x1, y1) = (
        vertices(card.regions[0].shape).min(0),
        vertices(card.regions[0].shape).max(0),
    )
    assert 300 <= x0 < x1 <= 420
    assert 200 <= y0 < y1 <= 290
    assert find_card(carded([(100, 100), (300, 100), (500, 100)])) is None


def test_a_white_card_is_called_white():
    assert find_card(carded([(300, 200)], grey=200)).white
    assert not lone_card().white
