"""Propose: outlines of all marks in sight, from the eye, the beak's tip and the tail's end."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple, Protocol

import cv2
import numpy as np
import shapely

from fieldmarks._util.errors import RegionError
from fieldmarks.measure.outlines import eye as eyes
from fieldmarks.measure.outlines import places, silhouette
from fieldmarks.measure.outlines.axes import Axes, Bytes, Crop, Floats, Taps, axes_to, crop_at, disc
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.region import MIN_AREA, Polygon

HEAD_REACH = 1.9  # units
# When there is no beak to go by: radii of the dark disc and of the ring in units, and units that
# are tried, as shares of the photo's shorter side.
IRIS, RING = 0.09, 0.175
SIZES = (0.04, 0.1, 0.25)
PITCH = math.radians(38)  # of eye to beak tip below the level, when only the eye was tapped
UNEVEN = 4.0  # spread of a core's colour from which it is as likely off the mark
OFF = 0.5  # what that leaves of its certainty
# As ``sure`` of places, where the border is plain; a pupil is only proposed in a light eye.
ON_EYE = {"iris": 0.87, "eye_ring": 0.93, "pupil": 0.87}
POINTS = 40
FINER = 4  # times finer than the crop that outlines are drawn
ENOUGH = 25.0  # photo pixels that a core holds at least; a reading needs as many
EDGE = 0.007  # of blur at the border of the iris that is left out of the skin, in units
SKIN = 0.4  # of the bare skin's width that is kept off at its outer border
BEAKS = ("beak_base", "beak_tip", "cere")


class Marked(Protocol):
    """What is needed of a row of the marks table."""

    @property
    def whole(self) -> bool:
        """Whether a rule needs the whole of it rather than a clean core."""


@dataclass(frozen=True)
class ProposedMark:
    """An outline to keep, drop or reshape.

    Args:
        mark: Key of the mark.
        shape: In photo pixels.
        certainty: 0..1: of proposals as sure as this, the share of which at least half lies on the
            mark, so that their median does.
        whole: Whether it is meant to hold the whole mark, not only a clean core.
    """

    mark: str
    shape: Polygon
    certainty: float
    whole: bool


def propose(photo: Photo, taps: Taps, marks: Mapping[str, Marked]) -> tuple[ProposedMark, ...]:
    """Outlines of marks, in their order, not counting glare, which reading leaves out.

    None for marks that are not in sight or could not be made out.

    Args:
        taps: In photo pixels. The more of them, the surer. A bird whose beak was not tapped turns
            its back.
        marks: Marks to look for, as in the marks table.

    Raises:
        RegionError: A tap lies outside the photo, or two of them on one spot.
    """
    _check(photo, taps)
    scene = scene_of(photo, taps)
    side = None if taps.beak_tip else "back"
    found = {}
    colours: dict[str, Floats] = {}  # of the marks drawn so far
    for mark in sorted(marks, key=lambda m: marks[m].whole):
        proposed = _proposed(scene, mark, marks[mark].whole, side, colours)
        if proposed is not None:
            found[mark] = proposed
    return tuple(found[mark] for mark in marks if mark in found)


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything found before single marks are drawn; ``eye`` and ``beak`` are in pixels of the
    head's view, and ``free`` and ``free_body`` say where marks may lie in both views."""

    photo: Photo
    eye: eyes.Eye | None
    beak: Bytes | None
    head: places.View
    whole: places.View
    free: Bytes
    free_body: Bytes


def _check(photo: Photo, taps: Taps) -> None:
    points = [p for p in (taps.eye, taps.beak_tip, taps.tail_end) if p is not None]
    for x, y in points:
        if not (0 <= x <= photo.width and 0 <= y <= photo.height):
            raise RegionError("a tap was outside the photo", where="photo", mend="Tap on the bird")
    if any(math.dist(one, other) < 6 for one, other in combinations(points, 2)):
        raise RegionError(
            "two taps are on one spot",
            where="photo",
            mend="Tap the eye, the tip of the beak and the end of the tail",
        )


def scene_of(photo: Photo, taps: Taps) -> Scene:
    """The bird, its head, beak and eye, found from the taps."""
    eye_at = np.array(taps.eye, float)
    tail = None if taps.tail_end is None else np.array(taps.tail_end, float)
    down = places.DOWN if tail is None else tail - eye_at
    if taps.beak_tip is None:
        guesses = _guesses(photo, eye_at, down)
    else:
        axes = axes_to(eye_at, np.array(taps.beak_tip, float), down)
        near = crop_at(photo, eye_at, 1.0 * axes.unit, eyes.UNIT / axes.unit)
        eye = eyes.find_eye(near, eye_at)
        guesses = [axes if eye is None else axes_to(near.out_of(eye.middle), axes.tip, axes.y_axis)]
    # Of the two ways the bird may look, the one on which something like a beak is seen.
    cuts = [_cut_out(photo, axes, tail) for axes in guesses]
    best = max(cuts, key=lambda cut: cut.beak.score if cut.beak else -1.0)
    axes, wide, bird, close, beak = best
    if taps.beak_tip is None:
        beak = None  # A beak that was not tapped is not in sight, or is another bird's.
    elif beak is not None:
        axes = close.axes_out_of(beak.axes)
    whole = places.view_of(wide, axes, bird, tail)
    crop = crop_at(photo, axes.origin, HEAD_REACH * axes.unit, eyes.UNIT / axes.unit)
    eye = eyes.find_eye(crop, axes.origin, reach=0.06)
    head = places.closer(whole, crop)
    free = head.bird.copy()
    free_body = cv2.erode(whole.bird, disc(2), borderValue=0)
    beak_mask = None
    if beak is not None:
        beak_mask = crop.from_other(beak.mask, close)
        free[cv2.dilate(beak_mask, disc(4)) > 0] = 0
        free_body[cv2.dilate(whole.crop.from_other(beak_mask, crop), disc(2)) > 0] = 0
    if eye is not None:
        outer = eye.middle + 1.12 * (eye.ring - eye.middle)
        cv2.fillPoly(free, [np.round(outer - 0.5).astype(np.int32)], 0)
    free = cv2.erode(free, disc(3), borderValue=0)
    return Scene(photo, eye, beak_mask, head, whole, free, free_body)


class _Cut(NamedTuple):
    """The bird and its beak, each with the crop it was cut out of."""

    axes: Axes  # in photo pixels
    wide: Crop
    bird: Bytes
    close: Crop
    beak: silhouette.Beak | None


def _cut_out(photo: Photo, axes: Axes, tail: Floats | None) -> _Cut:
    wide = crop_at(photo, axes.origin, silhouette.REACH * axes.unit, silhouette.UNIT / axes.unit)
    tail_there = None if tail is None else wide.into(tail)
    bird = silhouette.find_silhouette(wide.rgb, wide.axes(axes), tail_there)
    scale = silhouette.BEAK_UNIT / axes.unit
    close = crop_at(photo, axes.origin, HEAD_REACH * axes.unit, scale)
    there = close.from_other(bird, wide)
    beak = silhouette.find_beak(close.rgb, close.lab, close.axes(axes), there)
    return _Cut(axes, wide, bird, close, beak)


def _guesses(photo: Photo, eye_at: Floats, down: Floats) -> list[Axes]:
    """Axes that an eye alone suggests: its size gives the unit, the beak lies left or right."""
    found = []
    for share in SIZES:
        unit = share * min(photo.width, photo.height)
        near = crop_at(photo, eye_at, 1.0 * unit, eyes.UNIT / unit)
        eye = eyes.find_eye(near, eye_at)
        if eye is not None:
            iris, ring = (eyes.mean_radius(way, eye.middle) for way in (eye.iris, eye.ring))
            size = (iris / IRIS + ring / RING) / 2 / near.scale
            found.append((eye.iris_step, size, near.out_of(eye.middle)))
    if not found:
        raise RegionError(
            "no eye was made out where you tapped",
            where="photo",
            mend="Tap the middle of the eye, or draw the marks yourself",
        )
    _, unit, middle = max(found, key=lambda f: f[0])
    down = down / np.hypot(*down)
    beside, below = math.cos(PITCH) * np.array([-down[1], down[0]]), math.sin(PITCH) * down
    return [axes_to(middle, middle + unit * (s * beside + below), down) for s in (1, -1)]


def _proposed(
    scene: Scene, mark: str, whole: bool, side: str | None, colours: dict[str, Floats]
) -> ProposedMark | None:
    if mark in ON_EYE:
        return _round_eye(scene, mark)
    place = places.places().get(mark)
    if place is None or (side is not None and side not in place.views):
        return None
    view = scene.head if place.on_head else scene.whole
    at = places.where(place, view)
    if at is None:
        return None
    if "tail" in place.at:
        free = _tail(scene.whole)
    elif mark in BEAKS:
        if scene.beak is None:
            return None
        cere = mark == "cere"
        free = scene.head.bird if cere else cv2.erode(scene.beak, disc(2), borderValue=0)
    else:
        free = scene.free if place.on_head else scene.free_body
    area = math.pi * place.size[0] * place.size[1] * (view.axes.unit / view.crop.scale) ** 2
    scale = max(1.0, math.sqrt(ENOUGH / area))
    beside = [colours[m] for m in place.beside if m in colours]
    drawn = places.draw(place, view, at, free, whole=whole, scale=scale, beside=beside)
    if drawn is None:
        return None
    shape = outline_of(scene.photo, view.crop, drawn.mask, drawn.corner)
    if shape is None:
        return None
    colours[mark] = drawn.colour
    sure = place.sure * (OFF if drawn.spread > UNEVEN else 1)
    return ProposedMark(mark, shape, round(sure, 2), whole and place.grow is not None)


def _tail(view: places.View) -> Bytes:
    """The bird, and what lies at the tap: a tail behind a perch is cut off from the bird."""
    free = view.bird.copy()
    if view.tail is not None:
        column, row = np.round(view.tail).astype(int)
        cv2.circle(free, (int(column), int(row)), round(0.2 * view.axes.unit), 1, cv2.FILLED)
    return free


def _round_eye(scene: Scene, mark: str) -> ProposedMark | None:
    eye = scene.eye
    if eye is None or (mark == "pupil" and eye.pupil is None):
        return None
    away = eye.iris - eye.middle
    inner = eye.iris + away / np.hypot(*away.T)[:, None] * EDGE * eyes.UNIT
    points = {"iris": inner, "eye_ring": eye.ring + SKIN * (inner - eye.ring), "pupil": eye.pupil}
    shape = _polygon(scene.photo, scene.head.crop.out_of(points[mark]))
    if shape is None:
        return None
    sure = ON_EYE[mark] * float(np.clip(eye.iris_step / eyes.SHARP, 0.2, 1))
    return ProposedMark(mark, shape, round(sure, 2), False)


def outline_of(photo: Photo, crop: Crop, mask: Bytes, corner: tuple[int, int]) -> Polygon | None:
    """The border of a mask of a crop, whose corner lies there, as a polygon on the photo."""
    # Contours run through the middles of pixels: enlarged, they come out at their borders.
    large = cv2.copyMakeBorder(mask * 255, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=0)
    large = cv2.resize(large, None, fx=FINER, fy=FINER, interpolation=cv2.INTER_LINEAR)
    contours, _ = cv2.findContours(
        (large > 127).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    contour = max(contours, key=cv2.contourArea)
    if len(contour) < 4:
        return None
    tolerance = 0.3 * FINER
    while len(points := cv2.approxPolyDP(contour, tolerance, True)) > POINTS:
        tolerance *= 1.3
    if len(points) < 3:
        return None
    return _polygon(photo, crop.out_of((points.reshape(-1, 2) + 0.5) / FINER - 1 + corner))


def _polygon(photo: Photo, points: Floats) -> Polygon | None:
    """A valid polygon on the photo, or None."""
    inside = np.clip(np.round(points, 2), 0, [photo.width, photo.height])
    ring = shapely.Polygon(inside)
    if not ring.is_valid:
        ring = ring.buffer(0)
        if ring.geom_type != "Polygon":
            return None
        inside = np.asarray(ring.exterior.coords)[:-1]
    if ring.area < MIN_AREA:
        return None
    return Polygon(inside.tolist())
