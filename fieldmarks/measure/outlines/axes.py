"""Axes: where the taps put the bird's head in the photo, and the photo seen at a bounded size.

The axes of the head have their origin in the middle of the eye, x towards the tip of the beak, y
across it towards the throat, and the length from eye to tip as their unit: a similarity, with a
mirror: which way is up is told by the tail, or else by the photo.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldmarks.measure.photo import Photo
from fieldmarks.measure.region import Point

Floats = npt.NDArray[Any]  # float32 or float64; OpenCV's stubs promise no more than an array
Bytes = npt.NDArray[Any]  # uint8

LIGHTNESS_WEIGHT = 0.5  # shading changes L* much more than a* and b*


def disc(radius: int) -> Bytes:
    """A round element for morphology."""
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))


def piece(mask: Bytes, seed: Any = ...) -> Bytes:
    """The connected piece that holds most of a seed, by default the largest; empty if none does.

    The seed is an index of an array: some pixels.
    """
    _, labels = cv2.connectedComponents(mask, connectivity=4)
    held = np.bincount(labels[seed].ravel(), minlength=2)[1:]
    return (labels == 1 + held.argmax()).astype(np.uint8) if held.any() else np.zeros_like(mask)


@dataclass(frozen=True)
class Taps:
    """What the keeper tapped, in photo pixels; None for what is not in sight."""

    eye: Point
    beak_tip: Point | None = None
    tail_end: Point | None = None


@dataclass(frozen=True, eq=False)
class Axes:
    """Axes at right angles: of the head, or along the body and across it to the beak's side.

    Args:
        origin, x_axis, y_axis ((2,) arrays): In pixels; both axes have length 1.
        unit: Pixels from the eye to the tip of the beak.
    """

    origin: Floats
    x_axis: Floats
    y_axis: Floats
    unit: float

    @property
    def tip(self) -> Floats:
        """Where x is 1: the tip of the beak, on the axes of a head."""
        return self.origin + self.unit * self.x_axis

    def to_pixels(self, points: npt.ArrayLike) -> Floats:
        """Places on the axes (n, 2) to pixels (n, 2)."""
        own = np.asarray(points, float).reshape(-1, 2)
        axes = np.stack([self.x_axis, self.y_axis])
        return np.asarray(self.origin + self.unit * own @ axes)

    def of_pixels(self, points: npt.ArrayLike) -> Floats:
        """Pixels (n, 2) to places on the axes (n, 2)."""
        away = (np.asarray(points, float).reshape(-1, 2) - self.origin) / self.unit
        return np.stack([away @ self.x_axis, away @ self.y_axis], axis=1)

    def grid(self, height: int, width: int) -> tuple[Floats, Floats]:
        """Both coordinates of the middle of every pixel of a picture."""
        x = (np.arange(width) + 0.5 - self.origin[0])[None, :] / self.unit
        y = (np.arange(height) + 0.5 - self.origin[1])[:, None] / self.unit
        return (
            x * self.x_axis[0] + y * self.x_axis[1],
            x * self.y_axis[0] + y * self.y_axis[1],
        )

    def moved(self, scale: float, shift: Floats) -> Axes:
        """The same axes in a picture in which this one's pixel p lies at ``p * scale + shift``."""
        return Axes(self.origin * scale + shift, self.x_axis, self.y_axis, self.unit * scale)


def axes_to(origin: Floats, end: Floats, side: Floats, unit: float | None = None) -> Axes:
    """Axes whose x points to an end, as far as their unit unless given; y is on a side's side."""
    along = end - origin
    length = float(np.hypot(*along))
    x_axis = along / length
    y_axis = np.array([-x_axis[1], x_axis[0]])
    return Axes(origin, x_axis, y_axis if y_axis @ side > 0 else -y_axis, unit or length)


@dataclass(frozen=True, eq=False)
class Crop:
    """A part of the photo at a size of our own choice.

    ``lab`` is (h, w, 3) float32 CIELAB (D65) of the picture as the photo shows it; ``rgb`` the same
    as sRGB bytes. A photo pixel p lies at ``(p - corner) * scale``.
    """

    rgb: Bytes
    lab: Floats
    corner: Floats
    scale: float

    def into(self, points: npt.ArrayLike) -> Floats:
        """Photo pixels to own pixels."""
        return np.asarray((np.asarray(points, float) - self.corner) * self.scale)

    def out_of(self, points: npt.ArrayLike) -> Floats:
        """Own pixels to photo pixels."""
        return np.asarray(np.asarray(points, float) / self.scale + self.corner)

    def axes(self, axes: Axes) -> Axes:
        """Axes in photo pixels, as axes in own pixels."""
        return axes.moved(self.scale, -self.corner * self.scale)

    def axes_out_of(self, axes: Axes) -> Axes:
        """Axes in own pixels, as axes in photo pixels."""
        return axes.moved(1 / self.scale, self.corner)

    def from_other(self, mask: Bytes, other: Crop) -> Bytes:
        """A mask drawn on another crop, on this one; what that one did not show is 0."""
        ratio = self.scale / other.scale
        shift = (other.corner - self.corner) * self.scale
        move = np.array([[ratio, 0, shift[0]], [0, ratio, shift[1]]])
        return cv2.warpAffine(mask, move, self.rgb.shape[1::-1], flags=cv2.INTER_NEAREST)


def crop_at(photo: Photo, middle: Floats, reach: float, scale: float) -> Crop:
    """The square of half width ``reach`` photo pixels round a place, as far as the photo goes."""
    x0, y0 = (max(int(v), 0) for v in np.floor(middle - reach))
    x1 = min(max(math.ceil(middle[0] + reach), x0 + 1), photo.width)
    y1 = min(max(math.ceil(middle[1] + reach), y0 + 1), photo.height)
    codes: Any = np.ascontiguousarray(photo.codes((x0, y0, x1, y1)))
    size = (max(round((x1 - x0) * scale), 8), max(round((y1 - y0) * scale), 8))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = cv2.resize(codes, size, interpolation=how)
    rgb = photo.profile.to_srgb8(small)
    lab = cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    return Crop(rgb, lab, np.array([x0, y0], float), scale)
