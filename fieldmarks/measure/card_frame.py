"""Frame: a printed frame with corner markers that finds the card, the scale and the shadow for us.

The frame is a sheet of our own (:mod:`fieldmarks.report.frame_sheet`): four square markers round
a window in which the keeper puts a bought grey card. Its markers are of a general dictionary of
square codes (Garrido-Jurado et al. 2014) that OpenCV reads. From the markers follow the plane of
the frame in the photo, the place of the card, millimetres per pixel, and how evenly the white
border is lit.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ExifTags

from fieldmarks.measure.calibration import DEFAULT_REFLECTANCE
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.region import Line, Polygon, Region, mask, window

Array = npt.NDArray[np.floating]

# The sheet, in millimetres from its upper left corner.
WIDTH, HEIGHT = 120.0, 100.0
MARKER = 30.0
EDGE = 4.0  # white round each marker
MARKERS = {
    3: (EDGE, EDGE),
    12: (WIDTH - EDGE - MARKER, EDGE),
    27: (WIDTH - EDGE - MARKER, HEIGHT - EDGE - MARKER),
    41: (EDGE, HEIGHT - EDGE - MARKER),
}
WINDOW = (39.0, 13.0, 42.0, 74.0)  # x, y, width, height
CARD_INSET = 5.0  # of the window; its edge throws a shadow
# White paper of the border between the markers, where the light is compared.
WHITES = {
    "at its left": (6.0, 40.0, 26.0, 20.0),
    "at its right": (88.0, 40.0, 26.0, 20.0),
    "at its top": (42.0, 4.0, 36.0, 6.0),
    "at its foot": (42.0, 90.0, 36.0, 6.0),
}
SCALE = ((EDGE, HEIGHT / 2), (WIDTH - EDGE, HEIGHT / 2))
FAMILY = cv2.aruco.DICT_4X4_50
SIZES = (1000, 2000, 4000)  # longest side at which a photo is searched, small first
ENLARGED = 1600  # smaller photos are also searched enlarged
FIT = 0.12  # of a marker's side; a larger misfit is not our frame
CORNER_ERROR = 0.35  # pixels at the size searched; corners found on rendered frames
WARN_SHADE, BAD_SHADE = 0.12, 0.35
WARN_TILT = 1.25  # nearer edge over farther edge
SMALL_FRAME = 120.0  # pixels along its longer edge
# Lengths from two markers missed by this much more than their corners tell (benchmarks/frames.py).
TWO_MARKERS = 1.8
FULL_FRAME = 36.0  # mm, the width that a 35 mm equivalent focal length refers to


@dataclass(frozen=True)
class PrintedFrame:
    """A frame found in a photo.

    Args:
        plane ((3, 3) tuple of tuples): From millimetres on the sheet to photo pixels (a
            homography).
        markers: Which markers were read.
        mm_per_pixel: At the middle of the sheet, in its own plane.
        scale_error: Relative standard uncertainty of ``mm_per_pixel``.
        tilt: Longer over shorter of the sheet's opposite edges as photographed; 1 is square on.
        shade: Relative range of light over the white border.
        distance: Millimetres from the camera, when the file names its focal length; else 0.
    """

    plane: tuple[tuple[float, float, float], ...]
    markers: tuple[int, ...]
    mm_per_pixel: float
    scale_error: float
    tilt: float
    shade: float
    distance: float
    warnings: tuple[str, ...]

    def to_photo(self, points: npt.ArrayLike) -> Array:
        """Millimetres on the sheet (n, 2) to photo pixels (n, 2)."""
        return _through(np.array(self.plane), points)

    def regions(self, reflectance: float = DEFAULT_REFLECTANCE) -> tuple[Region, ...]:
        """The card in the window, and a scale across the sheet, as regions of the photo."""
        x, y, width, height = WINDOW
        card = Polygon(self.to_photo(_box(x, y, width, height, CARD_INSET)).tolist())
        line = Line(*(tuple(end) for end in self.to_photo(SCALE).tolist()))
        length = SCALE[1][0] - SCALE[0][0]
        return (
            Region("frame card", "card", card, reflectance, "found in the printed frame"),
            Region("frame scale", "scale", line, length, "found in the printed frame"),
        )

    @property
    def distance_note(self) -> str:
        """The caution on sizes, with the error for this photo where it can be told."""
        text = "Sizes hold only if bird and frame are equally far from the camera."
        if self.distance:
            per_cm = 10 / self.distance
            text += f" Here each centimetre nearer or farther makes {per_cm:.1%} of error."
        return text


def find_frame(photo: Photo) -> PrintedFrame | None:
    """Find our printed frame; None when fewer than two of its markers agree on a plane."""
    for grey, scale in _greys(photo):
        found = _markers(grey)
        fitted = _plane(found) if len(found) >= 2 else None
        if fitted is not None:
            plane, misfit = fitted
            to_photo = np.diag([1 / scale, 1 / scale, 1.0]) @ plane
            return _frame(photo, to_photo, tuple(sorted(found)), misfit / scale, 1 / scale)
    return None


def _greys(photo: Photo) -> Iterator[tuple[npt.NDArray[np.uint8], float]]:
    """Grey pictures of the photo at growing size, with their scale."""
    full = cv2.cvtColor(np.ascontiguousarray(photo.codes8()), cv2.COLOR_RGB2GRAY)
    longest = max(photo.width, photo.height)
    scales = [size / longest for size in SIZES if size < longest]
    if longest <= SIZES[-1]:
        scales.append(1.0)
    if longest <= ENLARGED:
        scales.append(2.0)
    for scale in scales:
        way = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
        grey = cv2.resize(full, None, fx=scale, fy=scale, interpolation=way)
        yield np.asarray(grey, np.uint8), scale


@lru_cache(maxsize=1)
def _detector() -> Any:
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.cornerRefinementWinSize = 3
    settings.minMarkerPerimeterRate = 0.02
    settings.adaptiveThreshWinSizeMin = 5
    settings.adaptiveThreshWinSizeMax = 45
    settings.adaptiveThreshWinSizeStep = 10
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(FAMILY), settings)


def _markers(grey: npt.NDArray[np.uint8]) -> dict[int, Array]:
    """Corners (4, 2) of our markers; a number that is seen twice is no proof and is dropped."""
    corners, ids, _ = _detector().detectMarkers(grey)
    if ids is None:
        return {}
    numbers = [int(i) for i in np.ravel(ids)]
    return {
        number: np.asarray(c).reshape(4, 2)
        for number, c in zip(numbers, corners, strict=True)
        if number in MARKERS and numbers.count(number) == 1
    }


def _plane(found: dict[int, Array]) -> tuple[Array, float] | None:
    """Homography from the sheet to the picture and its misfit in pixels, if the markers agree."""
    own = np.concatenate([_box(*MARKERS[i], MARKER, MARKER) for i in found])
    seen = np.concatenate(list(found.values()))
    plane, _ = cv2.findHomography(own, seen, 0)
    if plane is None:
        return None
    back = _through(np.asarray(plane, float), own)
    misfit = float(np.sqrt(np.mean(np.sum((back - seen) ** 2, axis=1))))
    sides = [np.linalg.norm(np.roll(c, -1, axis=0) - c, axis=1) for c in found.values()]
    if misfit > FIT * float(np.mean(sides)):
        return None
    return np.asarray(plane), misfit


def _frame(
    photo: Photo, plane: Array, markers: tuple[int, ...], misfit: float, pixel: float
) -> PrintedFrame:
    # Two crossed lines of 10 mm at the middle of the sheet: millimetres per pixel along its axes.
    x, y = WIDTH / 2, HEIGHT / 2
    middle = _through(plane, [[x - 5, y], [x + 5, y], [x, y - 5], [x, y + 5]])
    across, down = (float(np.linalg.norm(middle[i] - middle[i + 1])) / 10 for i in (0, 2))
    per_mm = (across + down) / 2
    corners = _through(plane, _box(0, 0, WIDTH, HEIGHT))
    edges = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
    opposite = edges.reshape(2, 2)
    tilt = float((opposite.max(axis=0) / opposite.min(axis=0)).max())
    error = math.hypot(misfit, CORNER_ERROR * pixel) / float(edges.mean())
    # A sheet that is turned away is shorter along one axis: neither length is the bird's.
    error = math.hypot(error, abs(across - down) / (across + down) / math.sqrt(3))
    if len(markers) < 3:
        error *= TWO_MARKERS
    warnings = []
    if edges.max() < SMALL_FRAME:
        # In trials 23 % of lengths from frames this small missed what would be stated otherwise.
        error *= 2
        warnings.append("The frame is small in the picture. Go closer for a surer size.")
    shade, dark = _shade(photo, plane)
    if shade > WARN_SHADE:
        kind = "A shadow lies" if shade > BAD_SHADE else "The light is uneven"
        warnings.append(
            f"{kind} on the frame: its border is {shade:.0%} darker {dark}. "
            "Turn the frame, or step aside."
        )
    if tilt > WARN_TILT:
        warnings.append("The frame is strongly tilted. Hold it flat towards the camera.")
    return PrintedFrame(
        plane=tuple((float(a), float(b), float(c)) for a, b, c in plane),
        markers=markers,
        mm_per_pixel=1 / per_mm,
        scale_error=error,
        tilt=tilt,
        shade=shade,
        distance=_distance(photo, 1 / per_mm),
        warnings=tuple(warnings),
    )


def _shade(photo: Photo, plane: Array) -> tuple[float, str]:
    """Relative range of light over the white border, and where it is darkest."""
    levels = {}
    for name, box in WHITES.items():
        shape = Polygon(_through(plane, _box(*box, 1.5)).tolist())
        win = window(shape, photo.width, photo.height)
        if win[2] <= win[0] or win[3] <= win[1]:
            continue
        inside = mask(shape, win)
        if inside.sum() >= 4:
            levels[name] = float(np.median(photo.linear(win)[inside].mean(axis=1)))
    if len(levels) < 2:
        return 0.0, ""
    darkest = min(levels, key=levels.__getitem__)
    return 1 - levels[darkest] / max(levels.values()), darkest


def _distance(photo: Photo, mm_per_pixel: float) -> float:
    """Millimetres from camera to frame, from the 35 mm equivalent focal length in the file."""
    if photo.header is None:
        return 0.0
    focal = photo.header.getexif().get_ifd(ExifTags.IFD.Exif).get(0xA405, 0)
    try:
        focal = float(focal)
    except (TypeError, ValueError):
        return 0.0
    if not 8 <= focal <= 1000:
        return 0.0
    return focal / FULL_FRAME * max(photo.width, photo.height) * mm_per_pixel


def _box(x: float, y: float, width: float, height: float, inset: float = 0.0) -> Array:
    """Corners of an upright box, clockwise from the upper left; (4, 2)."""
    x0, y0, x1, y1 = x + inset, y + inset, x + width - inset, y + height - inset
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])


def _through(plane: Array, points: npt.ArrayLike) -> Array:
    """Points of the sheet (n, 2) as a plane shows them, (n, 2)."""
    own = np.asarray(points, dtype=float).reshape(-1, 1, 2)
    return np.asarray(cv2.perspectiveTransform(own, plane)[:, 0])
