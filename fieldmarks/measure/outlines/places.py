"""Places: where on the bird each mark's core is expected, and the core drawn to the colours there."""

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
from fieldmarks.measure.outlines.frame import Bytes, Floats, Frame, Look
from fieldmarks.measure.outlines.silhouette import HEAD, disc

RIM = (0.4, 1.3)  # nearest and farthest edge of a head from its eye, in units
RAYS = np.radians([-12, -6, 0, 6, 12])
SHIFT = 0.09  # how far a core may move towards evener colour, in units
LIGHTNESS_WEIGHT = 0.5  # shading changes L* much more than a* and b*
NEVER = 6.0  # colour steps that never count as a border
SPREADS = 2.5  # of the usual distance to the core's colour, from which another colour begins
LEAST = 0.35  # of the core that must be left after drawing it to the colours
WING = (1.6, 3.0)  # where along the body the edge of the wing is looked for, in units
BINS = 20  # across the body
DARKER = 6.0  # L* by which a wing is darker than the front of the body
PLAIN = 1.3  # step at the edge of the wing over what the colours vary beside it


class Place(BaseModel):
    """A row of ``data/guide/places.toml``, explained there."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    place: Literal["head", "rim", "body", "front", "flank", "tail"]
    at: tuple[float, float]
    size: tuple[float, float]
    sure: float = Field(gt=0, le=1)
    grow: tuple[float, float] | None = None


class _Places(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    places: dict[str, Place]


@lru_cache(maxsize=1)
def places() -> dict[str, Place]:
    """Places of the marks, by mark."""
    text = (shipped("data") / "guide" / "places.toml").read_text(encoding="utf-8")
    return _Places.model_validate(tomllib.loads(text)).places


@dataclass(frozen=True, eq=False)
class Body:
    """The bird below its head, in pixels of a look.

    Parameters
    ----------
    middle : (2,) array
        Of the head.
    down, front : (2,) arrays
        Along the body, and across it to the side of the beak; of length 1.
    edge : float
        Where across the body (0 back, 1 front) the wing ends; 0 when none is seen.
    """

    middle: Floats
    down: Floats
    front: Floats
    edge: float


@dataclass(frozen=True, eq=False)
class View:
    """One look at the bird: its frame, the bird as a mask, and what of it is free of other parts."""

    look: Look
    frame: Frame
    bird: Bytes
    smooth: Floats
    rough: Floats


def view_of(look: Look, frame: Frame, bird: Bytes) -> View:
    """A look made ready: smoothed, and how fast its colours change."""
    smooth = cv2.GaussianBlur(look.lab, (0, 0), max(0.03 * frame.unit, 0.8))
    smooth = smooth * np.array([LIGHTNESS_WEIGHT, 1, 1], np.float32)
    steps = [cv2.Sobel(smooth, cv2.CV_32F, *order, scale=0.125) for order in ((1, 0), (0, 1))]
    rough = np.sqrt(sum((step**2).sum(axis=2) for step in steps)) * frame.unit
    return View(look, frame, bird, smooth, rough)


def lie_of_body(view: View, tail: Floats | None) -> Body:
    """Which way the body lies, and where across it the wing ends."""
    middle = view.frame.to_pixels(HEAD)[0]
    rows, columns = np.nonzero(view.bird)
    points = np.stack([columns + 0.5, rows + 0.5], axis=1)
    away = points - middle
    if tail is not None:
        down = tail - middle
    else:
        below = away[np.hypot(*away.T) > 1.2 * view.frame.unit]
        down = below.mean(axis=0) if len(below) > 20 else np.array([0.0, 1.0])
    length = float(np.hypot(*down))
    down = down / length if length > 0 else np.array([0.0, 1.0])
    front = np.array([-down[1], down[0]])
    front = front if front @ view.frame.x_axis > 0 else -front
    body = Body(middle, down, front, 0.0)
    return Body(middle, down, front, _edge_of_wing(view, body))


def _edge_of_wing(view: View, body: Body) -> float:
    """Where across the body the darker wing gives way to the lighter front, 0..1; 0 for nowhere."""
    height, width = view.bird.shape
    lines = []
    for along in np.arange(*WING, 0.1):
        chord = _chord(view, body, along)
        if chord is None:
            continue
        across = chord[0] + (chord[1] - chord[0]) * (np.arange(BINS) + 0.5) / BINS
        at = body.middle + view.frame.unit * (along * body.down + across[:, None] * body.front)
        column, row = np.clip(at.astype(int), 0, [width - 1, height - 1]).T
        lines.append(view.smooth[row, column])
    if len(lines) < 5:
        return 0.0
    profile = np.median(lines, axis=0)
    best, edge = PLAIN, 0.0
    for cut in range(2, BINS - 2):
        back, front = profile[:cut], profile[cut:]
        middles = [np.median(part, axis=0) for part in (back, front)]
        parts = zip((back, front), middles, strict=True)
        own = np.concatenate([np.linalg.norm(part - middle, axis=1) for part, middle in parts])
        step = float(np.linalg.norm(middles[0] - middles[1]) / (own.mean() + 4))
        darker = float(middles[1][0] - middles[0][0]) / LIGHTNESS_WEIGHT
        if step > best and darker > DARKER:
            best, edge = step, cut / BINS
    return edge


def _chord(view: View, body: Body, along: float) -> tuple[float, float] | None:
    """The first and last place of the bird across its body, in units from the body's middle."""
    unit = view.frame.unit
    across = np.arange(-3.0, 3.0, 1 / unit)
    at = body.middle + unit * (along * body.down + across[:, None] * body.front)
    column, row = np.floor(at).astype(int).T
    height, width = view.bird.shape
    seen = (column >= 0) & (row >= 0) & (column < width) & (row < height)
    seen[seen] = view.bird[row[seen], column[seen]] > 0
    return (float(across[seen][0]), float(across[seen][-1])) if seen.sum() > 4 else None


def where(place: Place, view: View, body: Body, tail: Floats | None) -> tuple[Floats, Floats] | None:
    """Middle of a mark's core and the direction of its first half axis, in pixels of the view.

    None when such a place is not in sight.
    """
    frame, (first, second) = view.frame, place.at
    if place.place == "head":
        return frame.to_pixels([[first, second]])[0], frame.x_axis
    if place.place == "rim":
        turn = math.radians(first)
        far = float(np.median([_rim(view, turn + ray) for ray in RAYS]))
        far = float(np.clip(far, *RIM)) * second
        ray = np.array([math.cos(turn), math.sin(turn)])
        at = frame.to_pixels([ray * far])[0]
        return at, (at - frame.origin) / np.hypot(*(at - frame.origin))
    if place.place == "tail":
        if tail is None:
            return None
        return tail - body.down * first * frame.unit, body.down
    chord = _chord(view, body, first)
    if chord is None:
        return None
    low, high = 0.0, 1.0
    if place.place == "front":
        low = max(body.edge, 0.2)
    elif place.place == "flank":
        high = body.edge
        if not high:
            return None
    share = low + (high - low) * second
    across = chord[0] + (chord[1] - chord[0]) * share
    return body.middle + frame.unit * (first * body.down + across * body.front), body.down


def _rim(view: View, turn: float) -> float:
    """How far from the eye the bird ends along a ray of the frame, in units."""
    away = np.arange(0.1, RIM[1] + 0.1, 0.02)
    at = view.frame.to_pixels(np.outer(away, [math.cos(turn), math.sin(turn)]))
    column, row = np.floor(at).astype(int).T
    height, width = view.bird.shape
    seen = (column >= 0) & (row >= 0) & (column < width) & (row < height)
    seen[seen] = view.bird[row[seen], column[seen]] > 0
    gone = np.flatnonzero(~seen)
    return float(away[gone[0]]) if len(gone) else float(away[-1])


def draw(
    place: Place,
    view: View,
    at: Floats,
    along: Floats,
    free: Bytes,
    *,
    whole: bool,
    scale: float = 1.0,
) -> tuple[Bytes, float] | None:
    """The mark's core, or all of it, as a mask on the view and how even its colour is (0..1).

    Parameters
    ----------
    at, along : (2,) arrays
        From :func:`where`.
    free : mask
        Where the mark may lie.
    whole : bool
        Follow the colour as far as ``place.grow`` allows.
    scale : float
        Of the core's size.
    """
    size = np.array(place.size) * view.frame.unit * scale
    at = _calmer(view, at, float(size.mean()), free)
    if at is None:
        return None
    core = _oval(view, at, along, size) & (free > 0)
    full = math.pi * size[0] * size[1]
    if core.sum() < LEAST * full or core.sum() < 4:
        return None
    colour = np.median(view.smooth[core], axis=0)
    away = np.linalg.norm(view.smooth - colour, axis=2)
    usual = float(np.median(away[core]))
    like = away < max(NEVER, SPREADS * usual)
    meant = core & like
    if whole and place.grow is not None:
        reach = _oval(view, at, along, np.array(place.grow) * view.frame.unit)
        meant |= reach & like & (free > 0)
    mask = meant.astype(np.uint8)
    radius = max(round(0.015 * view.frame.unit), 1)
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(radius))
    mask = opened if opened.any() else mask
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    if len(stats) < 2:
        return None
    mask = (labels == 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())).astype(np.uint8)
    if (mask[core] > 0).sum() < LEAST * full:
        return None
    even = float(np.mean(away[core] < 2 * NEVER))
    return mask, even


def _calmer(view: View, at: Floats, size: float, free: Bytes) -> Floats | None:
    """The middle moved a little to where the colours change less; None when it is not free."""
    reach = int(SHIFT * view.frame.unit)
    border = reach + int(size) + 1
    column, row = int(at[0]), int(at[1])
    height, width = free.shape
    x0, x1 = max(column - border, 0), min(column + border + 1, width)
    y0, y1 = max(row - border, 0), min(row + border + 1, height)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return None
    part = np.s_[y0:y1, x0:x1]
    radius = max(int(size), 1)
    kernel = disc(radius).astype(np.float32)
    kernel /= kernel.sum()
    none = cv2.BORDER_CONSTANT
    share = cv2.filter2D(free[part].astype(np.float32), -1, kernel, borderType=none)
    rough = cv2.filter2D(view.rough[part], -1, kernel, borderType=cv2.BORDER_REPLICATE)
    rows, columns = np.mgrid[y0:y1, x0:x1] + 0.5
    away = np.hypot(columns - at[0], rows - at[1]) / max(SHIFT * view.frame.unit, 1.0)
    # A weighted mean of the better places moves steadily where the best one would jump.
    cost = rough / 25.0 + 3.0 * (1 - share) + 0.7 * away**2
    weight = np.exp(-(cost - cost.min()) / 0.25) * (away <= 1.5)
    total = float(weight.sum())
    if total <= 0 or float(share.max()) < 0.3:
        return None
    return np.array([float((weight * columns).sum()), float((weight * rows).sum())]) / total


def _oval(view: View, at: Floats, along: Floats, size: Floats) -> Bytes:
    height, width = view.bird.shape
    x = (np.arange(width) + 0.5 - at[0])[None, :]
    y = (np.arange(height) + 0.5 - at[1])[:, None]
    first = (x * along[0] + y * along[1]) / size[0]
    second = (y * along[0] - x * along[1]) / size[1]
    return np.asarray(first**2 + second**2 < 1)
