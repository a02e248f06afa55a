"""Outlines, roundness and light: the geometry behind the painted bird.

The bird lives in its own frame: x to the right, y down, about 1.1 long, facing left. Fields over
that frame (shade, flow, colour areas) are small grids of :data:`GRID` samples per unit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import RBFInterpolator
from scipy.sparse import diags, identity, kron
from scipy.sparse.linalg import spsolve

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Points = Sequence[tuple[float, float]]
Corner = tuple[int, int]

GRID = 480  # samples per unit of the bird's frame
FRAME = (1.30, 1.15)  # width and height of the frame
# From the upper front, towards the viewer.
LIGHT = np.array([-0.20, -0.52, 0.83])


def smooth_outline(points: Points, per_span: int = 16, closed: bool = True) -> Array:
    """Catmull-Rom curve through points; (n, 2)."""
    p = np.asarray(points, dtype=float)
    if not closed:
        p = np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    t = np.linspace(0, 1, per_span, endpoint=False)[:, None]
    spans = []
    count = len(p) if closed else len(p) - 3
    for i in range(count):
        a, b, c, d = (p[(i + k - (1 if closed else 0)) % len(p)] for k in range(4))
        spans.append(
            0.5
            * (
                2 * b
                + (c - a) * t
                + (2 * a - 5 * b + 4 * c - d) * t**2
                + (3 * b - a - 3 * c + d) * t**3
            )
        )
    return np.vstack(spans if closed else [*spans, p[-2:-1]])


def fill(points: npt.ArrayLike, size: tuple[int, int]) -> Plane:
    """Anti-aliased filled outline on a (height, width) plane, from pixel coordinates."""
    canvas = np.zeros(size, np.uint8)
    fixed = np.round((np.asarray(points) - 0.5) * 64).astype(np.int32)
    cv2.fillPoly(canvas, [fixed], 255, lineType=cv2.LINE_AA, shift=6)
    return canvas.astype(np.float32) / np.float32(255)


def blurred(image: npt.NDArray[np.floating], x: float, y: float | None = None) -> Plane:
    """Gaussian blur with standard deviations in pixels, the same both ways by default."""
    plane = np.asarray(image, dtype=np.float32)
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigmaX=x, sigmaY=x if y is None else y))


def frame_size(grid: int = GRID) -> tuple[int, int]:
    """(height, width) of a field over the bird's frame."""
    return round(FRAME[1] * grid), round(FRAME[0] * grid)


def area_mask(points: Points, softness: float = 0.0, grid: int = GRID) -> Plane:
    """Soft mask of a smooth outline over the bird's frame; ``softness`` in frame units."""
    mask = fill(smooth_outline(points) * grid, frame_size(grid))
    return blurred(mask, softness * grid) if softness else mask


def sample(field: Plane, points: npt.NDArray[np.floating], grid: int = GRID) -> Plane:
    """Values of a field at points (n, 2) of the bird's frame; (n,) or (n, k)."""
    x, y = (points * grid - 0.5).astype(np.float32).T[:, None]
    planes = [field] if field.ndim == 2 else [field[..., k] for k in range(field.shape[2])]
    border = cv2.BORDER_REPLICATE
    rows = [
        cv2.remap(np.ascontiguousarray(p), x, y, cv2.INTER_LINEAR, borderMode=border)
        for p in planes
    ]
    return np.stack([np.asarray(r[0]) for r in rows], axis=-1).reshape(-1, *field.shape[2:])


def roundness(outline: Points, depth: float = 1.0, grid: int = 120) -> Plane:
    """Height of a plump body over its outline (0 outside), in frame units.

    The square root of the solution of Poisson's equation inside the outline: for a circle this is
    exactly the half ball.
    """
    mask = area_mask(outline, grid=grid) > 0.5
    rows, columns = np.nonzero(mask)
    index = np.full(mask.shape, -1)
    index[rows, columns] = np.arange(rows.size)
    height, width = mask.shape

    def second(n: int) -> object:
        return diags([1.0, -2.0, 1.0], [-1, 0, 1], shape=(n, n))

    laplacian = (
        kron(second(height), identity(width)) + kron(identity(height), second(width))
    ).tocsr()
    inside = np.flatnonzero(mask.ravel())
    solution = np.zeros(mask.size)
    solution[inside] = spsolve(laplacian[inside][:, inside].tocsc(), np.full(inside.size, -4.0))
    ball = np.sqrt(np.clip(solution, 0, None)).reshape(mask.shape) / grid * depth
    up = cv2.resize(ball.astype(np.float32), frame_size()[::-1], interpolation=cv2.INTER_CUBIC)
    return np.clip(up, 0, None)


def light_on(height: Plane, smooth: float = 0.012) -> Plane:
    """Light on a height field relative to light on a flat card that faces the viewer.

    Parameters
    ----------
    height : (h, w) array
        In frame units, over the bird's frame.
    smooth : float
        Blur of the height before slopes are taken, in frame units: feathers are soft.

    Returns
    -------
    (h, w) float32 array, 1 where the surface is lit like the card. Two parts: soft light from all
    round (more from above) and one key light with a soft terminator.
    """
    z = blurred(height, smooth * GRID)
    dy, dx = np.gradient(z.astype(np.float64) * GRID)
    scale = np.sqrt(1 + dx**2 + dy**2)
    normal = np.stack([-dx / scale, -dy / scale, 1 / scale], axis=-1)
    key_direction = LIGHT / np.linalg.norm(LIGHT)

    def light(n: Array) -> Array:
        key = np.clip((n @ key_direction + 0.25) / 1.25, 0, None)
        around = 0.66 + 0.34 * n[..., 2] - 0.20 * n[..., 1]
        return np.asarray(0.60 * around + 0.40 * key)

    return (light(normal) / light(np.array([0.0, 0.0, 1.0]))).astype(np.float32)


@dataclass(frozen=True)
class Flow:
    """The lie of the feathers: directions known at some places, smooth in between."""

    places: Array
    directions: Array

    @classmethod
    def through(cls, table: Sequence[tuple[float, float, float, float]]) -> Flow:
        """From rows (x, y, dx, dy)."""
        rows = np.asarray(table, dtype=float)
        unit = rows[:, 2:] / np.linalg.norm(rows[:, 2:], axis=1, keepdims=True)
        return cls(rows[:, :2], unit)

    def at(self, points: npt.NDArray[np.floating]) -> Array:
        """Unit directions at points; (n, 2)."""
        spline = RBFInterpolator(self.places, self.directions, kernel="thin_plate_spline")
        d = spline(np.asarray(points, dtype=float))
        return np.asarray(d / np.maximum(np.linalg.norm(d, axis=1, keepdims=True), 1e-6))


@dataclass(frozen=True)
class Pose:
    """Where the bird's frame lies in the picture.

    Parameters
    ----------
    scale : float
        Pixels per unit of the frame.
    origin : (x, y)
        Picture pixel of the frame's (0, 0).
    turn : float
        Degrees, clockwise on screen.
    mirrored : bool
        Facing right instead of left.
    """

    scale: float
    origin: tuple[float, float]
    turn: float = 0.0
    mirrored: bool = False

    @property
    def linear(self) -> Array:
        """(2, 2) matrix from frame to picture vectors."""
        a = np.radians(self.turn)
        rotation = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        flip = np.diag([-1.0 if self.mirrored else 1.0, 1.0])
        return np.asarray(self.scale * flip @ rotation)

    def to_picture(self, points: npt.ArrayLike) -> Array:
        """Frame points (n, 2) to picture pixels."""
        return np.asarray(np.asarray(points, dtype=float) @ self.linear.T + self.origin)

    def window(self, low: tuple[float, float], high: tuple[float, float]) -> tuple[Corner, Array]:
        """A window of the picture round a box of the frame.

        Returns
        -------
        corner : (x, y) of int
            Picture pixel of the window's top left pixel.
        xy : (h, w, 2) array
            Frame coordinates of the pixel centres.
        """
        box = self.to_picture([(x, y) for x in (low[0], high[0]) for y in (low[1], high[1])])
        first = np.floor(box.min(axis=0)).astype(int) - 2
        last = np.ceil(box.max(axis=0)).astype(int) + 2
        px, py = np.meshgrid(np.arange(first[0], last[0]) + 0.5, np.arange(first[1], last[1]) + 0.5)
        xy = (np.stack([px, py], axis=-1) - self.origin) @ np.linalg.inv(self.linear).T
        return (int(first[0]), int(first[1])), xy

    def spread(self, field: Plane, size: tuple[int, int], grid: int = GRID) -> Plane:
        """A field over the frame, resampled onto a picture of (height, width) = ``size``."""
        matrix = np.column_stack([self.linear / grid, self.origin])
        moved = cv2.warpAffine(
            field, matrix, size[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(moved)


def scattered(
    mask: Plane, spacing: Plane, rng: np.random.Generator, grid: int = GRID
) -> npt.NDArray[np.float64]:
    """Even but irregular places inside a mask.

    Parameters
    ----------
    mask : (h, w) array
        Places lie where it exceeds one half.
    spacing : (h, w) array
        Wanted distance to the next place, in frame units.

    Returns
    -------
    (n, 2) array in frame units, in no particular order.
    """
    rows, columns = np.nonzero(mask > 0.5)
    weight = 1 / spacing[rows, columns].astype(np.float64) ** 2
    wanted = int(4.0 * weight.sum() / grid**2)
    pick = rng.choice(rows.size, size=wanted, p=weight / weight.sum())
    points = np.column_stack([columns[pick], rows[pick]]) + rng.random((wanted, 2))
    points /= grid
    gap = 0.8 * spacing[rows[pick], columns[pick]]
    cell = float(gap.max())
    kept: dict[tuple[int, int], list[tuple[float, float]]] = {}
    out = []
    for (x, y), g in zip(points.tolist(), gap.tolist(), strict=True):
        i, j = int(x / cell), int(y / cell)
        near = (q for a in (-1, 0, 1) for b in (-1, 0, 1) for q in kept.get((i + a, j + b), ()))
        if all((x - q[0]) ** 2 + (y - q[1]) ** 2 > g * g for q in near):
            kept.setdefault((i, j), []).append((x, y))
            out.append((x, y))
    return np.array(out).reshape(-1, 2)
