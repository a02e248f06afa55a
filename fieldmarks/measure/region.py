"""Regions: the outlines a keeper draws on a photo, in upright photo pixels.

Coordinates are (x, y) in pixels of the photo after its EXIF orientation has been applied, the
origin at the top left corner of the top left pixel. Shapes are immutable; checks live in
:func:`check_regions` so that a region file can be read, shown and mended before it is valid.
"""

from __future__ import annotations

import difflib
import itertools
import math
import string
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from fieldmarks._util.errors import RegionError

Point = tuple[float, float]
Window = tuple[int, int, int, int]  # x0, y0, x1, y1; x1 and y1 are one past the end

MIN_AREA = 9.0  # px; below this a median means nothing
ELLIPSE_POINTS = 72
OWN_MARK = "A mark of your own needs its tables: --more-tables FOLDER, in Python rules=FOLDER"


@dataclass(frozen=True)
class Polygon:
    """A closed outline. ``points``: at least three (x, y) pairs, not repeated at the end."""

    points: tuple[Point, ...]

    def __post_init__(self) -> None:
        # A notebook gives a list, or an array; an outline is a key of what was read before.
        if not isinstance(self.points, tuple):
            object.__setattr__(self, "points", tuple((float(x), float(y)) for x, y in self.points))


@dataclass(frozen=True)
class Ellipse:
    """An ellipse: centre, half axes in pixels, and turn in degrees (clockwise on screen)."""

    cx: float
    cy: float
    rx: float
    ry: float
    angle: float = 0.0


@dataclass(frozen=True)
class Rectangle:
    """An upright rectangle: left, top, width and height in pixels."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Line:
    """A straight line from ``start`` to ``end``, for lengths only."""

    start: Point
    end: Point

    @property
    def length(self) -> float:
        """Length in pixels."""
        return math.dist(self.start, self.end)


Shape = Polygon | Ellipse | Rectangle | Line


CORE = "clean core of the mark"
"""Note of an outline that leaves out the border of its mark: its colour is read, no width is."""


@dataclass(frozen=True)
class Region:
    """One outline with the mark it shows.

    Args:
        id: Unique within the photo; used in every message about this region.
        mark: Key of a mark in ``data/marks.toml``.
        value: Known quantity of the thing outlined: luminous reflectance Y in 0..1 for a card
            (default 0.18), length in millimetres for a scale.
        note: The keeper's own words.
    """

    id: str
    mark: str
    shape: Shape
    value: float | None = None
    note: str = ""


@dataclass(frozen=True)
class RegionSet:
    """All regions of one photo, with what is needed to find that photo again.

    Args:
        photo: File name of the photo, without folders.
        width, height: Size of the upright photo in pixels.
        sha256: Fingerprint of the photo file, or empty.
    """

    photo: str
    width: int
    height: int
    regions: tuple[Region, ...] = ()
    sha256: str = ""

    def of(self, mark: str) -> tuple[Region, ...]:
        """Regions of one mark, in the order drawn."""
        return tuple(r for r in self.regions if r.mark == mark)

    def with_regions(self, regions: Iterable[Region]) -> RegionSet:
        """The same photo with other regions."""
        return replace(self, regions=tuple(regions))


def letters(regions: Iterable[Region]) -> dict[str, str]:
    """The letter each region is shown with, by region id.

    A region whose id is already one or two capital letters keeps it, so that B stays B when A is
    deleted. Others take the first free letter in order.
    """
    ids = [region.id for region in regions]
    taken = {i for i in ids if 0 < len(i) <= 2 and all(c in string.ascii_uppercase for c in i)}
    singles = string.ascii_uppercase
    alphabet = (*singles, *map("".join, itertools.product(singles, repeat=2)))
    free = (letter for letter in alphabet if letter not in taken)
    return {i: i if i in taken else next(free) for i in ids}


@lru_cache(maxsize=512)
def vertices(shape: Shape) -> npt.NDArray[np.float64]:
    """Corner points (n, 2) of a shape in photo pixels, not to be written to.

    An ellipse becomes a 72-gon of the same area.
    """
    match shape:
        case Polygon(outline):
            points = np.array(outline, dtype=float).reshape(-1, 2)
        case Rectangle(x, y, width, height):
            right, bottom = x + width, y + height
            points = np.array([[x, y], [right, y], [right, bottom], [x, bottom]], dtype=float)
        case Line(start, end):
            points = np.array([start, end], dtype=float)
        case Ellipse(cx, cy, rx, ry, angle):
            step = 2 * np.pi / ELLIPSE_POINTS
            t = step * np.arange(ELLIPSE_POINTS)
            # A regular n-gon inscribed in a circle is smaller than it by sin(2 pi/n) n / (2 pi).
            grow = math.sqrt(step / math.sin(step))
            u, v = rx * grow * np.cos(t), ry * grow * np.sin(t)
            a = math.radians(angle)
            points = np.column_stack(
                [cx + u * math.cos(a) - v * math.sin(a), cy + u * math.sin(a) + v * math.cos(a)]
            )
    points.flags.writeable = False
    return points


@lru_cache(maxsize=512)
def _outline(shape: Shape) -> shapely.Polygon:
    return shapely.Polygon(vertices(shape))


def area(shape: Shape) -> float:
    """Area in square pixels (0 for a line)."""
    return 0.0 if isinstance(shape, Line) else float(_outline(shape).area)


@lru_cache(maxsize=512)
def centre(shape: Shape) -> Point:
    """Centroid of a shape in photo pixels."""
    points = vertices(shape)
    if isinstance(shape, Line) or len(points) < 3:
        x, y = points.mean(axis=0)
        return float(x), float(y)
    c = _outline(shape).centroid
    return float(c.x), float(c.y)


def overlap(a: Shape, b: Shape) -> float:
    """Shared area of two valid shapes over their joint area (intersection over union, 0..1)."""
    if isinstance(a, Line) or isinstance(b, Line):
        return 0.0
    pa, pb = _outline(a), _outline(b)
    union = pa.union(pb).area
    return float(pa.intersection(pb).area / union) if union else 0.0


def window(shape: Shape, width: int, height: int) -> Window:
    """Smallest pixel window that holds a shape, cut to a photo of ``width`` x ``height``."""
    points = vertices(shape)
    x0, y0 = np.floor(points.min(axis=0)).astype(int)
    x1, y1 = np.ceil(points.max(axis=0)).astype(int)
    left, top = int(max(x0, 0)), int(max(y0, 0))
    return left, top, int(min(max(x1, x0 + 1), width)), int(min(max(y1, y0 + 1), height))


def mask(shape: Shape, win: Window, without: Sequence[Shape] = ()) -> npt.NDArray[np.bool_]:
    """Pixels of a window that lie inside a shape and outside others, (y1 - y0, x1 - x0)."""
    inside = _fill(vertices(shape), win)
    for cut in without:
        inside &= ~_fill(vertices(cut), win)
    return inside


def _fill(points: npt.NDArray[np.float64], win: Window) -> npt.NDArray[np.bool_]:
    """Pixels whose centre lies inside a polygon (even-odd rule).

    The usual library fills either count every pixel the outline touches or are a hundred times
    slower; a rectangle on pixel edges must give exactly its pixels.
    """
    x0, y0, x1, y1 = win
    height, width = max(y1 - y0, 0), max(x1 - x0, 0)
    start = points - [x0, y0]
    end = np.concatenate([start[1:], start[:1]])
    y = np.arange(height)[:, None] + 0.5
    crossings = np.flatnonzero((start[:, 1] <= y) != (end[:, 1] <= y))
    row, edge = np.divmod(crossings, len(points))
    (ax, ay), (bx, by) = start[edge].T, end[edge].T
    x = ax + (row + 0.5 - ay) / (by - ay) * (bx - ax)
    column = np.clip(np.ceil(x - 0.5), 0, width).astype(int)
    flips = np.zeros((height, width), np.uint8)  # only odd or even counts: a byte may run over
    seen = column < width
    np.add.at(flips.reshape(-1), row[seen] * width + column[seen], np.uint8(1))
    # Crossings up to each pixel of its row: one row of the table of sums less the row above it.
    table = cv2.integral(flips)[:, 1:].astype(np.uint8)
    return ((table[1:] ^ table[:-1]) & 1).view(bool)


def check_regions(regions: RegionSet, known_marks: dict[str, str]) -> None:
    """Refuse regions that cannot be measured.

    Args:
        known_marks: Mark key -> "area" or "line".

    Raises:
        RegionError: Names the first region that is empty, self-crossing, off the photo, of an
            unknown mark or of the wrong sort of shape, or whose id is used twice.
    """
    seen: set[str] = set()
    for region in regions.regions:
        for problem, mend in _faults(region, regions, seen, known_marks):
            where = f"{regions.photo}, region {region.id!r} ({region.mark})"
            raise RegionError(problem, where=where, mend=mend)
        seen.add(region.id)


def _faults(
    region: Region, regions: RegionSet, seen: set[str], known_marks: dict[str, str]
) -> Iterator[tuple[str, str]]:
    """What is wrong with a region and how to mend it. The first one counts."""
    kind, shape = known_marks.get(region.mark), region.shape
    if region.id in seen:
        yield "this id is used twice", "Give each its own id"
    if kind is None:
        near = difflib.get_close_matches(region.mark, known_marks, n=1)
        mend = f"Did you mean {near[0]!r}?" if near else "See 'fieldmarks marks' for the names."
        yield "there is no such mark", f"{mend} {OWN_MARK}"
    if kind == "line" and not isinstance(shape, Line):
        yield "this mark is a length", "Draw it as a line"
    if kind == "area" and isinstance(shape, Line):
        yield "this mark is an area", "Draw an outline, not a line"
    value = 1.0 if region.value is None else region.value
    if not (math.isfinite(value) and value > 0):
        yield "its value must be above zero", "Correct the value"
    if region.mark == "card" and value > 1:
        mend = "Give its reflectance as a share, 0.18 for an 18 % card"
        yield "a card cannot reflect more than 100 %", mend
    points = vertices(shape)
    if not np.isfinite(points).all():
        yield "a coordinate is not a number", "Draw it again"
    if isinstance(shape, Line):
        if shape.length < 2:
            yield "the line has no length", "Draw it again"
    elif len(points) < 3:
        yield f"an outline needs at least 3 corners; it has {len(points)}", "Draw it again"
    elif _outline(shape).convex_hull.area < MIN_AREA:
        yield f"it covers less than {MIN_AREA:.0f} pixels", "Draw it larger"
    elif not _outline(shape).is_valid:
        yield "its outline crosses itself", "Draw one plain loop round the mark"
    beyond = points.max(axis=0) > np.array([regions.width, regions.height]) + 0.5
    if beyond.any() or (points < -0.5).any():
        yield (
            f"it reaches outside the photo ({regions.width} x {regions.height} pixels)",
            "Draw it inside, or check that the region file belongs to this photo",
        )
