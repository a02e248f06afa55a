"""Places: where on the bird in the photo the core of each mark is expected."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import cv2
import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from fieldmarks._util.resources import shipped
from fieldmarks.measure.outlines.axes import LIGHTNESS_WEIGHT, Bytes, Crop, Floats, HeadAxes
from fieldmarks.measure.outlines.silhouette import HEAD

RIM = (0.4, 1.3)  # nearest and farthest edge of a head from its eye, in units
RAYS = np.radians([-12, -6, 0, 6, 12])
# Distances from the head, in units, between which the bird tells how its neck and trunk lie.
NECK, TRUNK = (0.9, 2.2), (1.2, 4.0)
TAIL = 0.6  # how near its end the bird tells which way the tail points, in units
CLOSE = 0.08  # cores smaller than this, in units, are drawn on the closer crop
WAYS = ("head", "rim", "neck", "trunk", "eye", "low", "tip", "tail")
STARTS = {"eye": (0, 0), "low": (0, 0), "tip": (1, 0)}  # in the axes of the head


class Place(BaseModel):
    """A row of ``data/guide/places.toml``, explained there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    head: tuple[float, float] | None = None
    rim: tuple[float, float] | None = None
    neck: tuple[float, float] | None = None
    trunk: tuple[float, float] | None = None
    eye: tuple[float, float] | None = None
    low: tuple[float, float] | None = None
    tip: tuple[float, float] | None = None
    tail: tuple[float, float] | None = None
    size: tuple[float, float]
    grow: tuple[float, float] | None = None
    beside: tuple[str, ...] = ()
    shift: float = 0.05
    views: tuple[Literal["side", "front", "back"], ...] = ("side", "front", "back")
    sure: float = Field(gt=0, le=1)

    @property
    def ways(self) -> dict[str, tuple[float, float]]:
        """The ways its place is told."""
        told = ((way, getattr(self, way)) for way in WAYS)
        return {way: at for way, at in told if at is not None}

    @property
    def on_head(self) -> bool:
        """Whether it is small and near the head, and looked at closely."""
        return self.tail is None and self.size[0] < CLOSE


class _Places(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    places: dict[str, Place]


@lru_cache(maxsize=1)
def places() -> dict[str, Place]:
    """Places of the marks, by mark."""
    text = (shipped("data") / "guide" / "places.toml").read_text(encoding="utf-8")
    return _Places.model_validate(tomllib.loads(text)).places


@dataclass(frozen=True, eq=False)
class Lie:
    """Which way a part of the bird lies below its head, in pixels of a crop.

    Args:
        middle ((2,) array): Of the head.
        down, front ((2,) arrays): Along the body, and across it to the side of the beak; of length
            1.
    """

    middle: Floats
    down: Floats
    front: Floats


@dataclass(frozen=True, eq=False)
class View:
    """One crop of the bird, made ready.

    Args:
        axes: Of the head, in pixels of the crop, as all else.
        bird: Mask.
        smooth ((h, w, 3) array): CIELAB with L* weighted down.
        rough ((h, w) array): How fast it changes, per unit of the axes.
        tail: (2,) array, optional.
    """

    crop: Crop
    axes: HeadAxes
    bird: Bytes
    smooth: Floats
    rough: Floats
    neck: Lie
    trunk: Lie
    tail: Floats | None = None


def view_of(crop: Crop, axes: HeadAxes, bird: Bytes, tail: Floats | None) -> View:
    """The whole bird at a size of its own, made ready."""
    smooth, rough = _smoothed(crop, axes)
    neck, trunk = (_lie(axes, bird, *span) for span in (NECK, TRUNK))
    return View(crop, axes, bird, smooth, rough, neck, trunk, tail)


def closer(view: View, crop: Crop) -> View:
    """The same bird in another crop."""

    def there(lie: Lie) -> Lie:
        return Lie(crop.into(view.crop.out_of(lie.middle)), lie.down, lie.front)

    axes = crop.axes(view.axes.moved(1 / view.crop.scale, view.crop.corner))
    bird = crop.from_other(view.bird, view.crop)
    tail = None if view.tail is None else crop.into(view.crop.out_of(view.tail))
    neck, trunk = there(view.neck), there(view.trunk)
    return View(crop, axes, bird, *_smoothed(crop, axes), neck, trunk, tail)


def _smoothed(crop: Crop, axes: HeadAxes) -> tuple[Floats, Floats]:
    smooth = cv2.GaussianBlur(crop.lab, (0, 0), max(0.03 * axes.unit, 0.8))
    smooth = smooth * np.array([LIGHTNESS_WEIGHT, 1, 1], np.float32)
    steps = [cv2.Sobel(smooth, cv2.CV_32F, *order, scale=0.125) for order in ((1, 0), (0, 1))]
    return smooth, np.sqrt(sum((step**2).sum(axis=2) for step in steps)) * axes.unit


def _lie(axes: HeadAxes, bird: Bytes, near: float, far: float) -> Lie:
    """Which way the bird goes on from its head, told by what lies between two distances from it."""
    middle = axes.to_pixels(HEAD)[0]
    rows, columns = np.nonzero(bird)
    away = np.stack([columns + 0.5, rows + 0.5], axis=1) - middle
    distance = np.hypot(*away.T) / axes.unit
    away = away[(distance > near) & (distance < far)]
    down = away.mean(axis=0) if len(away) > 20 else np.array([0.0, 1.0])
    length = float(np.hypot(*down))
    down = down / length if length > 0 else np.array([0.0, 1.0])
    front = np.array([-down[1], down[0]])
    return Lie(middle, down, front if front @ axes.x_axis > 0 else -front)


def _on_bird(view: View, at: Floats) -> Floats:
    """Which of some places (n, 2) lie on the bird, (n,)."""
    column, row = np.floor(at).astype(int).T
    height, width = view.bird.shape
    seen = (column >= 0) & (row >= 0) & (column < width) & (row < height)
    seen[seen] = view.bird[row[seen], column[seen]] > 0
    return seen


def _chord(view: View, body: Lie, along: float) -> tuple[float, float] | None:
    """The first and last place of the bird across its body, in units from the body's middle."""
    unit = view.axes.unit
    across = np.arange(-3.0, 3.0, 1 / unit)
    at = body.middle + unit * (along * body.down + across[:, None] * body.front)
    seen = _on_bird(view, at)
    return (float(across[seen][0]), float(across[seen][-1])) if seen.sum() > 4 else None


def where(place: Place, view: View) -> Floats | None:
    """Middle of a mark's core in pixels of the view; None when such a place is not in sight."""
    found = [_where(way, at, view) for way, at in place.ways.items()]
    seen = [at for at in found if at is not None]
    return np.mean(seen, axis=0) if seen else None


def _where(way: str, at: tuple[float, float], view: View) -> Floats | None:
    axes, (first, second) = view.axes, at
    if way == "head":
        return axes.to_pixels([at])[0]
    if way == "rim":
        turn = math.radians(first)
        ray = np.array([math.cos(turn), math.sin(turn)])
        return axes.to_pixels(_far(view, turn) * second * ray)[0]
    if way == "tail":
        return _up_the_tail(view, first)
    lie = view.neck if way in ("neck", "eye", "tip") else view.trunk
    if way in STARTS:
        start = axes.to_pixels(STARTS[way])[0]
        return np.asarray(start + axes.unit * (first * lie.down + second * lie.front))
    chord = _chord(view, lie, first)
    if chord is None:
        return None
    across = chord[0] + (chord[1] - chord[0]) * second
    return np.asarray(lie.middle + axes.unit * (first * lie.down + across * lie.front))


def _up_the_tail(view: View, far: float) -> Floats | None:
    """From the end of the tail towards what of the bird is near it."""
    if view.tail is None:
        return None
    rows, columns = np.nonzero(view.bird)
    points = np.stack([columns + 0.5, rows + 0.5], axis=1)
    near = points[np.hypot(*(points - view.tail).T) < TAIL * view.axes.unit]
    up = (near.mean(axis=0) if len(near) > 6 else view.trunk.middle) - view.tail
    length = float(np.hypot(*up))
    return view.tail + up / length * far * view.axes.unit if length > 0.5 else view.tail


def told(way: str, at: Floats, view: View) -> Floats | None:
    """How a way of the table tells a place in pixels of the view: what :func:`where` undoes."""
    axes = view.axes
    own = axes.of_pixels([at])[0]
    if way == "head":
        return own
    if way == "rim":
        turn = math.atan2(own[1], own[0])
        return np.array([math.degrees(turn), float(np.hypot(*own)) / _far(view, turn)])
    lie = view.neck if way in ("neck", "eye", "tip") else view.trunk
    if way in STARTS:
        away = (at - axes.to_pixels(STARTS[way])[0]) / axes.unit
        return np.array([away @ lie.down, away @ lie.front])
    first = float((at - lie.middle) @ lie.down) / axes.unit
    chord = _chord(view, lie, first)
    if chord is None or way == "tail":
        return None
    across = float((at - lie.middle) @ lie.front) / axes.unit
    return np.array([first, (across - chord[0]) / (chord[1] - chord[0])])


def _far(view: View, turn: float) -> float:
    """How far from the eye the edge of the bird is near a ray of the axes, in units."""
    return float(np.clip(np.median([_rim(view, turn + ray) for ray in RAYS]), *RIM))


def _rim(view: View, turn: float) -> float:
    """How far from the eye the bird ends along a ray of the axes, in units."""
    away = np.arange(0.1, RIM[1] + 0.1, 0.02)
    at = view.axes.to_pixels(np.outer(away, [math.cos(turn), math.sin(turn)]))
    gone = np.flatnonzero(~_on_bird(view, at))
    return float(away[gone[0]]) if len(gone) else float(away[-1])
