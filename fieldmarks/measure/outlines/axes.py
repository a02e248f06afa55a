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
PITCH = math.radians(38)  # of eye to beak tip below the level, when only the eye was tapped


def disc(radius: int) -> Bytes:
    """A round element for morphology."""
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))


def piece_at(mask: Bytes, at: tuple[int, int] | None = None) -> Bytes:
    """The connected piece under a pixel (x, y), or else the largest; empty of an empty mask."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
    label = labels[at[1], at[0]] if at else 0
    if label == 0 and len(stats) > 1:
        label = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    return (labels == label).astype(np.uint8) if label else np.zeros_like(mask)


@dataclass(frozen=True)
class Taps:
    """What the keeper tapped, in photo pixels; None for what is not in sight."""

    eye: Point
    beak_tip: Point | None = None
    tail_end: Point | None = None


@dataclass(frozen=True, eq=False)
class HeadAxes:
    """The axes of a head.

    Args:
        origin, x_axis, y_axis ((2,) arrays): In pixels; both axes have length 1.
        unit: Pixels from the eye to the tip of the beak.
    """

    origin: Floats
    x_axis: Floats
    y_axis: Floats
    unit: float

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

    def moved(self, scale: float, shift: Floats) -> HeadAxes:
        """The same axes in a picture whose pixel p lies at ``p * scale + shift`` of this one."""
        return HeadAxes(self.origin * scale + shift, self.x_axis, self.y_axis, self.unit * scale)


def axes_of(eye: Floats, tip: Floats, down: Floats) -> HeadAxes:
    """The axes of an eye and a beak tip; y is on the side on which ``down`` points."""
    along = tip - eye
    unit = float(np.hypot(*along))
    x_axis = along / unit
    y_axis = np.array([-x_axis[1], x_axis[0]])
    return HeadAxes(eye, x_axis, y_axis if y_axis @ down > 0 else -y_axis, unit)


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

    @property
    def size(self) -> tuple[int, int]:
        """Height and width in own pixels."""
        height, width = self.rgb.shape[:2]
        return int(height), int(width)

    def into(self, points: npt.ArrayLike) -> Floats:
        """Photo pixels to own pixels."""
        return np.asarray((np.asarray(points, float) - self.corner) * self.scale)

    def out_of(self, points: npt.ArrayLike) -> Floats:
        """Own pixels to photo pixels."""
        return np.asarray(np.asarray(points, float) / self.scale + self.corner)

    def axes(self, axes: HeadAxes) -> HeadAxes:
        """Axes in photo pixels, as axes in own pixels."""
        return axes.moved(self.scale, -self.corner * self.scale)

    def from_other(self, mask: Bytes, other: Crop) -> Bytes:
        """A mask drawn on another crop, on this one; what that one did not show is 0."""
        ratio = self.scale / other.scale
        shift = (other.corner - self.corner) * self.scale
        move = np.array([[ratio, 0, shift[0]], [0, ratio, shift[1]]])
        height, width = self.size
        return cv2.warpAffine(mask, move, (width, height), flags=cv2.INTER_NEAREST)


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
