"""Places: where on the bird in the photo the core of each mark is expected, and what it covers.

A core is drawn to the colours round the place where it is expected.
"""

import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import cv2
import numpy as np
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from fieldmarks._util.resources import shipped
from fieldmarks.measure.outlines.axes import (
    LIGHTNESS_WEIGHT,
    Axes,
    Bytes,
    Crop,
    Floats,
    axes_to,
    disc,
    piece,
)
from fieldmarks.measure.outlines.silhouette import HEAD

RIM = (0.4, 1.3)  # nearest and farthest edge of a head from its eye, in units
RAYS = np.radians([-12, -6, 0, 6, 12])
# Distances from the head, in units, between which the bird tells how its neck and trunk lie.
NECK, TRUNK = (0.9, 2.2), (1.2, 4.0)
TAIL = 0.6  # how near its end the bird tells which way the tail points, in units
DOWN = np.array([0.0, 1.0])  # the photo's, when the bird does not tell
CLOSE = 0.08  # cores smaller than this, in units, are drawn on the closer crop
# Distance from the middle colour, in steps of colour and of the core's usual one, from which pixels
# are left out: of a clean core, and of a mark followed to its borders.
CORE, WHOLE = (3.0, 1.25), (6.0, 2.5)
APART = 15.0  # CIELAB, L* weighted down: a mark beside it of a colour nearer than this ends nothing
LEAST = 0.35  # of the core that must be left after drawing it to the colours
Way = Literal["head", "rim", "neck", "trunk", "eye", "low", "tip", "tail"]
At = tuple[float, float]


class Place(BaseModel):
    """A row of ``data/guide/places.toml``, explained there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    at: dict[Way, At]
    size: At
    grow: At | None = None
    beside: tuple[str, ...] = ()
    shift: float = 0.05
    views: tuple[Literal["side", "front", "back"], ...] = ("side", "front", "back")
    sure: float = Field(gt=0, le=1)

    @property
    def on_head(self) -> bool:
        """Whether it is small and near the head, and looked at closely."""
        return "tail" not in self.at and self.size[0] < CLOSE


@lru_cache(maxsize=1)
def places() -> dict[str, Place]:
    """Places of the marks, by mark."""
    text = (shipped("data") / "guide" / "places.toml").read_text(encoding="utf-8")
    return TypeAdapter(dict[str, Place]).validate_python(tomllib.loads(text)["places"])


@dataclass(frozen=True, eq=False)
class View:
    """One crop of the bird, made ready. All is in pixels of the crop.

    Args:
        axes: Of the head.
        neck, trunk: Axes from the middle of the head along the body, and across it.
        bird: Mask.
        tail: (2,) array, optional.
    """

    crop: Crop
    axes: Axes
    neck: Axes
    trunk: Axes
    bird: Bytes
    tail: Floats | None = None

    @cached_property
    def smooth(self) -> Floats:
        """(h, w, 3) CIELAB with L* weighted down."""
        smooth = cv2.GaussianBlur(self.crop.lab, (0, 0), max(0.03 * self.axes.unit, 0.8))
        return smooth * np.array([LIGHTNESS_WEIGHT, 1, 1], np.float32)

    @cached_property
    def rough(self) -> Floats:
        """(h, w), how fast the colour changes, per unit of the axes."""
        orders = ((1, 0), (0, 1))
        steps = [cv2.Sobel(self.smooth, cv2.CV_32F, *order, scale=0.125) for order in orders]
        return np.sqrt(sum((step**2).sum(axis=2) for step in steps)) * self.axes.unit


def view_of(crop: Crop, axes: Axes, bird: Bytes, tail: Floats | None) -> View:
    """The whole bird at a size of its own, made ready; the axes are those in photo pixels."""
    own = crop.axes(axes)
    neck, trunk = (_along_body(own, bird, *span) for span in (NECK, TRUNK))
    return View(crop, own, neck, trunk, bird, None if tail is None else crop.into(tail))


def closer(view: View, crop: Crop) -> View:
    """The head of the same bird in another crop."""
    parts = (view.axes, view.neck, view.trunk)
    axes, neck, trunk = (crop.axes(view.crop.axes_out_of(part)) for part in parts)
    return View(crop, axes, neck, trunk, crop.from_other(view.bird, view.crop))


def _along_body(axes: Axes, bird: Bytes, near: float, far: float) -> Axes:
    """Which way the bird goes on from its head, told by what lies between two distances from it."""
    middle = axes.to_pixels(HEAD)[0]
    away = _pixels(bird) - middle
    distance = np.hypot(*away.T) / axes.unit
    away = away[(distance > near) & (distance < far)]
    down = away.mean(axis=0) if len(away) > 20 else np.zeros(2)
    return axes_to(middle, middle + (down if down.any() else DOWN), axes.x_axis, axes.unit)


def _pixels(mask: Bytes) -> Floats:
    """The middles of a mask's pixels, (n, 2)."""
    return np.argwhere(mask)[:, ::-1] + 0.5


def _on_bird(view: View, at: Floats) -> Floats:
    """Which of some places (n, 2) lie on the bird, (n,)."""
    column, row = np.floor(at).astype(int).T
    height, width = view.bird.shape
    seen = (column >= 0) & (row >= 0) & (column < width) & (row < height)
    seen[seen] = view.bird[row[seen], column[seen]] > 0
    return seen


def where(place: Place, view: View) -> Floats | None:
    """Middle of a mark's core in pixels of the view; None when such a place is not in sight."""
    found = [_where(way, at, view) for way, at in place.at.items()]
    seen = [at for at in found if at is not None]
    return np.mean(seen, axis=0) if seen else None


def _where(way: Way, at: At, view: View) -> Floats | None:
    first, second = at
    if way == "tail":
        return _up_the_tail(view, first)
    axes = axes_for(way, view)
    if way == "rim":
        turn = math.radians(first)
        far = edge(view, turn) * second
        at = (far * math.cos(turn), far * math.sin(turn))
    elif way in ("neck", "trunk"):
        across = chord(view, axes, first)
        if across is None:
            return None
        at = (first, across[0] + (across[1] - across[0]) * second)
    return axes.to_pixels(at)[0]


def axes_for(way: Way, view: View) -> Axes:
    """The axes in which a way of the table tells a place, in pixels of the view."""
    if way in ("head", "rim"):
        return view.axes
    body = view.neck if way in ("neck", "eye", "tip") else view.trunk
    if way in ("neck", "trunk"):
        return body
    return replace(body, origin=view.axes.tip if way == "tip" else view.axes.origin)


def chord(view: View, body: Axes, along: float) -> tuple[float, float] | None:
    """The first and last place of the bird across its body, in units from the body's middle."""
    across = np.arange(-3.0, 3.0, 1 / body.unit)
    on_bird = _on_bird(view, body.to_pixels([(along, aside) for aside in across]))
    seen = across[on_bird]
    return (float(seen[0]), float(seen[-1])) if len(seen) > 4 else None


def _up_the_tail(view: View, far: float) -> Floats | None:
    """From the end of the tail towards what of the bird is near it."""
    if view.tail is None:
        return None
    points = _pixels(view.bird)
    near = points[np.hypot(*(points - view.tail).T) < TAIL * view.axes.unit]
    up = (near.mean(axis=0) if len(near) > 6 else view.trunk.origin) - view.tail
    length = float(np.hypot(*up))
    return view.tail + up / length * far * view.axes.unit if length > 0.5 else view.tail


def edge(view: View, turn: float) -> float:
    """How far from the eye the edge of the bird is near a ray of the axes, in units."""
    away = np.arange(0.1, RIM[1] + 0.1, 0.02)
    ends = []
    for ray in turn + RAYS:
        at = view.axes.to_pixels(np.outer(away, [math.cos(ray), math.sin(ray)]))
        gone = np.flatnonzero(~_on_bird(view, at))
        ends.append(away[gone[0] if len(gone) else -1])
    return float(np.clip(np.median(ends), *RIM))


@dataclass(frozen=True, eq=False)
class Drawn:
    """A mask, where its upper left corner lies in the view, the usual distance of its pixels from
    their middle colour, and that colour, in CIELAB with L* weighted down."""

    mask: Bytes
    corner: tuple[int, int]
    spread: float
    colour: Floats


def draw(
    place: Place,
    view: View,
    at: Floats,
    free: Bytes,
    *,
    whole: bool,
    scale: float = 1.0,
    beside: Sequence[Floats] = (),
) -> Drawn | None:
    """The mark's core, or all of it; None when too little is free or of one colour.

    Args:
        at ((2,) array): Where it is expected, in pixels of the view.
        free (mask): Where it may lie.
        whole: Follow the colour as far as ``place.grow`` allows.
        scale: Of the core's size.
        beside (sequence of (3,) array): Colours of the marks round one that is followed to its
            borders.
    """
    unit = view.axes.unit
    lie = view.neck if place.on_head else view.trunk
    size = np.array(place.size) * unit * scale
    grow = np.array(place.grow) * unit if whole and place.grow is not None else size
    shift = place.shift * unit
    border = math.ceil(max(float(size.max()), float(grow.max())) + 1.5 * shift) + 3
    ends = np.clip([at - border, at + border], 0, free.shape[::-1]).astype(int)
    (x0, y0), (x1, y1) = ends.tolist()
    if x1 - x0 < 3 or y1 - y0 < 3:
        return None
    part = np.s_[y0:y1, x0:x1]
    smooth, open_ = view.smooth[part], free[part] > 0
    middle = _calmer(view.rough[part], open_, at - [x0, y0], float(size.mean()), shift)
    if middle is None:
        return None
    along, across = replace(lie, origin=middle, unit=1.0).grid(*open_.shape)
    core = ((along / size[0]) ** 2 + (across / size[1]) ** 2 < 1) & open_
    full = math.pi * size[0] * size[1]
    if core.sum() < max(LEAST * full, 4):
        return None
    colour = np.median(smooth[core], axis=0)
    away = np.linalg.norm(smooth - colour, axis=2)
    least, spreads = CORE if grow is size else WHOLE
    like = away < max(least, spreads * float(np.median(away[core])))
    others = [c for c in beside if np.linalg.norm(c - colour) > APART]
    if grow is not size and others:
        # A patch of a third colour belongs to the mark, what is coloured as its neighbours is not.
        like |= away < np.min([np.linalg.norm(smooth - c, axis=2) for c in others], axis=0)
    within = (along / grow[0]) ** 2 + (across / grow[1]) ** 2 < 1
    mask = ((core | (within & open_)) & like).astype(np.uint8)
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(max(round(0.015 * unit), 1)))
    mask = piece(opened if opened.any() else mask)
    if (mask[core] > 0).sum() < LEAST * full:
        return None
    own = smooth[mask > 0]
    colour = np.median(own, axis=0)
    spread = np.median(np.linalg.norm(own - colour, axis=1))
    return Drawn(mask, (x0, y0), float(spread), colour)


def _calmer(rough: Floats, free: Bytes, at: Floats, size: float, shift: float) -> Floats | None:
    """The middle moved a little to where the colours change less; None when it is not free."""
    kernel = disc(max(int(size), 1)).astype(np.float32)
    kernel /= kernel.sum()
    share = cv2.filter2D(free.astype(np.float32), -1, kernel, borderType=cv2.BORDER_CONSTANT)
    around = cv2.filter2D(rough, -1, kernel, borderType=cv2.BORDER_REPLICATE)
    rows, columns = np.mgrid[: free.shape[0], : free.shape[1]] + 0.5
    away = np.hypot(columns - at[0], rows - at[1]) / max(shift, 0.7)
    # A weighted mean of the better places moves steadily where the best one would jump.
    cost = around / 25.0 + 3.0 * (1 - share) + 0.7 * away**2
    weight = np.exp(-(cost - cost.min()) / 0.25) * (away <= 1.5)
    total = weight.sum()
    if total <= 0 or share.max() < 0.3:
        return None
    return np.array([(weight * columns).sum(), (weight * rows).sum()]) / total
