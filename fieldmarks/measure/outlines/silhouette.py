"""Silhouette: the bird cut out of its surroundings, and the beak out of the bird.

Both are cuts of a graph between two mixtures of colours (GrabCut; Rother, Kolmogorov & Blake 2004),
seeded from the taps.
"""

import math
from dataclasses import dataclass, replace
from itertools import product

import cv2
import numpy as np

from fieldmarks.measure.outlines.axes import Axes, Bytes, Floats, axes_to, disc, piece

UNIT = 32.0  # pixels from eye to beak tip at which the whole bird is looked at
BEAK_UNIT = 40.0
REACH = 7.5  # how far from the eye the bird is looked for, in units
HEAD = np.array([-0.12, 0.22])  # middle of the head in its axes
# Half width of a lovebird along the line from its head to the end of its tail, in units; without a
# tail to go by only its body is sought.
WITH_TAIL = ((0.0, 0.15, 0.3, 0.6, 0.85, 1.0), (0.8, 1.1, 1.25, 1.1, 0.5, 0.2))
WITHOUT_TAIL = ((0.0, 0.15, 0.3, 0.75, 1.0), (0.8, 1.1, 1.25, 1.1, 0.7))
FRONT, BACK = 1.5, 0.5
BODY = 4.3  # from the middle of the head to the legs
BEAK = np.array([0.72, -0.16])  # middle of the beak in the axes
BEAK_TILT = math.radians(30)
# Outline of a closed upper beak in the axes, rounded from our own drawing.
DRAWN_BEAK = np.array(
    [[0.42, -0.20], [0.47, -0.33], [0.61, -0.40], [0.80, -0.37], [0.98, -0.22], [1.05, -0.04],
     [1.02, 0.10], [0.96, 0.07], [0.90, -0.03], [0.80, 0.06], [0.66, 0.10], [0.50, 0.02]]
)  # fmt: skip
# First guesses at the beak round the tap: longer or shorter, turned (radians).
TAP = 0.3  # how much the tap itself has to say against what was found
SCALES, TURNS = (0.78, 1.0, 1.25), (-0.24, 0.0, 0.24)


def find_silhouette(rgb: Bytes, axes: Axes, tail: Floats | None) -> Bytes:
    """The bird as a mask of 0 and 1.

    ``axes`` of the head and ``tail`` (2,), its end, are in pixels of the picture ``rgb``.
    """
    marks, bird = seeds((rgb.shape[0], rgb.shape[1]), axes, tail)
    cut = _cut(cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB), marks, 3)
    cut = cv2.morphologyEx(cut, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
    return piece(cut, bird)


def seeds(size: tuple[int, int], axes: Axes, tail: Floats | None) -> tuple[Bytes, Bytes]:
    """What is surely and probably bird or not, in GrabCut's codes; and what is surely bird.

    ``size`` is (height, width).
    """
    height, width = size
    x, y = axes.grid(height, width)
    middle = axes.to_pixels(HEAD)[0]
    end = tail if tail is not None else middle + np.array([0.0, BODY * axes.unit])
    along, bulge = axes_to(middle, end, axes.x_axis, axes.unit).grid(height, width)
    along /= max(math.dist(end, middle) / axes.unit, 1.0)
    half = np.interp(along, *(WITHOUT_TAIL if tail is None else WITH_TAIL))
    if tail is not None:
        # The line from head to tail runs along the back: the bird bulges on the beak's side.
        half = half * np.where(bulge > 0, FRONT, BACK)
    aside = np.abs(bulge)
    inner = aside if tail is None else np.abs(bulge - 0.3)
    from_head = np.hypot(x - HEAD[0], y - HEAD[1])
    marks = np.full((height, width), cv2.GC_PR_BGD, np.uint8)
    marks[(along > -0.1) & (along < 1) & (aside < half)] = cv2.GC_PR_FGD
    marks[from_head < 0.75] = cv2.GC_PR_FGD
    beyond = (along < -0.1) | (along > 1.15) | (aside > half + 1.0)
    marks[beyond & (from_head > 1.35)] = cv2.GC_BGD
    marks[(x > 1.25) & (y < 0.1)] = cv2.GC_BGD
    # What is surely bird even when the head is turned towards the camera.
    bird = (np.hypot(x, y) < 0.22) | (np.hypot(x - 0.3, y - 0.3) < 0.25)
    bird |= (x > 0) & (x < 0.8) & (np.abs(y + 0.12) < 0.1)
    bird |= (along > 0.1) & (along < 0.6) & (inner < 0.35)
    marks[bird] = cv2.GC_FGD
    return marks, bird


@dataclass(frozen=True, eq=False)
class Beak:
    """A beak found: its mask, its axes, and how well it is made out (about 0..1.5).

    The score adds the overlap with the beak of our drawing and the step in colour at its border.
    """

    mask: Bytes
    axes: Axes
    score: float


def find_beak(rgb: Bytes, lab: Floats, axes: Axes, silhouette: Bytes) -> Beak | None:
    """The beak, sought from the axes of the taps and from others near it.

    A tap is off by more than a beak's half width sooner or later. Each first guess is drawn to the
    borders seen; the one whose beak is most like a beak wins.
    """
    coded = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    found: list[Beak] = []
    for scale, turn in product(SCALES, TURNS):
        guess = _turned(axes, scale, turn)
        for _ in range(2):
            beak = _beak(coded, lab, guess, silhouette)
            if beak is None:
                break
            guess = beak.axes
            apart = math.dist(guess.tip, axes.tip) / axes.unit
            found.append(replace(beak, score=beak.score - apart**2))
    if not found:
        return None
    best = max(found, key=lambda beak: beak.score)
    # Several guesses that are nearly as good say together where the tip is, and more steadily.
    weights = np.exp([(beak.score - best.score) / 0.12 for beak in found])
    tip = np.average([beak.axes.tip for beak in found], axis=0, weights=weights)
    tip = TAP * axes.tip + (1 - TAP) * tip
    return replace(best, axes=axes_to(axes.origin, tip, axes.y_axis))


def _beak(coded: Bytes, lab: Floats, axes: Axes, silhouette: Bytes) -> Beak | None:
    """One cut of the beak where axes expect it."""
    height, width = silhouette.shape
    corners = axes.to_pixels([[-0.25, -0.95], [-0.25, 0.75], [1.6, -0.95], [1.6, 0.75]])
    x0, y0 = np.clip(np.floor(corners.min(axis=0)).astype(int), 0, [width - 1, height - 1])
    x1, y1 = np.clip(np.ceil(corners.max(axis=0)).astype(int), [x0 + 1, y0 + 1], [width, height])
    part = np.s_[y0:y1, x0:x1]
    own = axes.moved(1.0, -np.array([x0, y0]))
    x, y = own.grid(y1 - y0, x1 - x0)
    marks = np.full(x.shape, cv2.GC_BGD, np.uint8)
    marks[_oval(x, y, 0.72, -0.12, 0.50, 0.36)] = cv2.GC_PR_BGD
    marks[_oval(x, y, 0.72, -0.14, 0.30, 0.20)] = cv2.GC_PR_FGD
    seed = _oval(x, y, 0.74, -0.15, 0.17, 0.09)
    feathers = np.hypot(x, y) < 0.30
    feathers |= np.hypot(x - 0.3, y - 0.28) < 0.14
    feathers |= np.hypot(x - 0.22, y + 0.42) < 0.12
    marks[feathers | (silhouette[part] == 0)] = cv2.GC_BGD
    marks[seed] = cv2.GC_FGD
    if seed.sum() < 8 or (marks == cv2.GC_BGD).sum() < 8:
        return None
    mask = _cut(np.ascontiguousarray(coded[part]), marks, 2)
    radius = max(int(0.03 * axes.unit), 1)
    mask = piece(cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc(radius)), seed)
    if mask.sum() < 0.04 * axes.unit**2:
        return None
    rows, columns = np.nonzero(mask)
    q = own.of_pixels([[columns.mean() + 0.5, rows.mean() + 0.5]])[0]
    turn = math.atan2(q[1], q[0]) - math.atan2(BEAK[1], BEAK[0])
    better = _turned(own, float(np.hypot(*q) / np.hypot(*BEAK)), turn)
    score = _likeness(mask, lab[part], better)
    full = np.zeros((height, width), np.uint8)
    full[part] = mask
    return Beak(full, better.moved(1.0, np.array([x0, y0])), score)


def _likeness(mask: Bytes, lab: Floats, axes: Axes) -> float:
    drawn = np.zeros_like(mask)
    points = axes.to_pixels(DRAWN_BEAK) - 0.5
    cv2.fillPoly(drawn, [np.round(points).astype(np.int32)], 1)
    shared = float((drawn & mask).sum() / max(int((drawn | mask).sum()), 1))
    element = disc(max(int(0.05 * axes.unit), 1))
    inner = (mask > 0) & (cv2.erode(mask, element) == 0)
    outer = (cv2.dilate(mask, element) > 0) & (mask == 0)
    if not inner.any() or not outer.any():
        return shared - 0.5
    colour = np.median(lab[mask > 0], axis=0)
    far = np.median(np.linalg.norm(lab[outer] - colour, axis=1))
    near = np.median(np.linalg.norm(lab[inner] - colour, axis=1))
    return shared + 0.5 * float(np.clip((far - near) / 20, -0.5, 1))


def _turned(axes: Axes, scale: float, turn: float) -> Axes:
    """Axes with the same eye whose tip lies elsewhere."""
    tip = axes.to_pixels([[scale * math.cos(turn), scale * math.sin(turn)]])[0]
    return axes_to(axes.origin, tip, axes.y_axis)


def _oval(x: Floats, y: Floats, cx: float, cy: float, rx: float, ry: float) -> Floats:
    cos, sin = math.cos(BEAK_TILT), math.sin(BEAK_TILT)
    along, aside = (x - cx) * cos + (y - cy) * sin, (y - cy) * cos - (x - cx) * sin
    return np.asarray((along / rx) ** 2 + (aside / ry) ** 2 < 1)


def _cut(picture: Bytes, marks: Bytes, rounds: int) -> Bytes:
    """GrabCut from marks, which it changes; the same twice."""
    cv2.setRNGSeed(0)
    none, some = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.grabCut(picture, marks, (0, 0, 0, 0), none, some, rounds, cv2.GC_INIT_WITH_MASK)
    return ((marks == cv2.GC_FGD) | (marks == cv2.GC_PR_FGD)).astype(np.uint8)
