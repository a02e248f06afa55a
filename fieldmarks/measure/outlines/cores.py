"""Cores: a mark drawn to the colours round the place where it is expected."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from fieldmarks.measure.outlines.axes import Bytes, Floats, disc, piece
from fieldmarks.measure.outlines.places import Place, View

# Distance from the middle colour, in steps of colour and of the core's usual one, from which pixels
# are left out: of a clean core, and of a mark followed to its borders.
CORE, WHOLE = (3.0, 1.25), (6.0, 2.5)
APART = 15.0  # CIELAB, L* weighted down: a mark beside it of a colour nearer than this ends nothing
LEAST = 0.35  # of the core that must be left after drawing it to the colours


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
