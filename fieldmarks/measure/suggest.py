"""An outline proposed from the colour under the finger.

The region is grown from the tapped place in CIELAB at a row of tolerances. A mark with an edge
gives nearly the same region over several of them, and then suddenly leaks; the tolerance at which
the region grows least is taken. This is the idea of maximally stable extremal regions (Matas, Chum,
Urban & Pajdla 2002) on the colour difference to the seed instead of on grey level.
"""

import cv2
import numpy as np
import numpy.typing as npt
import shapely

from fieldmarks._util.errors import RegionError
from fieldmarks.measure.outlines.axes import LIGHTNESS_WEIGHT, Bytes, Floats, disc, piece
from fieldmarks.measure.region import Point, Polygon

MIN_PIXELS = 30
MAX_SHARE = 0.4
MAX_POINTS = 40
WINDOW = 288  # px; side of the first look, doubled at half the resolution as long as needed
STEPS = 14
GROWTH = 1.16  # ratio between neighbouring tolerances
DRAW_IT = "Draw round the mark instead"


def suggest_outline(
    picture: npt.NDArray[np.uint8],
    point: Point,
    *,
    scale: float = 1.0,
    reach: float | None = None,
) -> Polygon:
    """Outline the patch of like colour round a point.

    Args:
        picture ((height, width, 3) uint8 array): sRGB, upright; the photo or a reduced copy of it.
        point ((x, y)): Where it was tapped, in photo pixels.
        scale: Photo pixels per picture pixel.
        reach: How far from the point the outline may go, in photo pixels. The same green may cover
            belly, wing and back; what was meant is near the finger.

    Returns:
        In photo pixels, valid, drawn a little inside the edge so that no neighbouring colour mixes
        in.

    Raises:
        RegionError: The point is not on the photo, or the patch is too small, too large or has no
            edge.
    """
    height, width = picture.shape[:2]
    x, y = point[0] / scale, point[1] / scale
    if not (0 <= x < width and 0 <= y < height):
        raise RegionError("the tap was outside the photo", where="photo", mend="Tap on the mark")
    seed = (int(x), int(y))
    far = max(width, height) * 2.0 if reach is None else max(reach / scale, 4.0)
    patch, (left, top), step = _patch(picture, seed, far)
    pixels = cv2.countNonZero(patch) * step * step
    if pixels < MIN_PIXELS:
        raise RegionError("no patch of one colour here", where="photo", mend=DRAW_IT)
    if pixels > MAX_SHARE * width * height:
        raise RegionError("the colour here runs over the whole photo", where="photo", mend=DRAW_IT)
    # Contours run through pixel centres.
    outline = ((_outline(patch) + 0.5) * step + [left, top]) * scale
    outline = np.clip(outline, 0, [width * scale, height * scale])
    return Polygon(np.round(outline, 2).tolist())


def _patch(
    picture: npt.NDArray[np.uint8], seed: tuple[int, int], far: float
) -> tuple[Bytes, tuple[int, int], int]:
    """Mask of the patch, the place of its top left corner and picture pixels per mask pixel."""
    height, width = picture.shape[:2]
    step = 1
    while True:
        half = min(WINDOW * step // 2, int(far) + 3 * step)
        x0, y0 = max(seed[0] - half, 0), max(seed[1] - half, 0)
        x1, y1 = min(seed[0] + half, width), min(seed[1] + half, height)
        piece: Bytes = np.ascontiguousarray(picture[y0:y1, x0:x1])
        if step > 1:
            size = (max((x1 - x0) // step, 1), max((y1 - y0) // step, 1))
            piece = cv2.resize(piece, size, interpolation=cv2.INTER_AREA)
        rows, columns = piece.shape[:2]
        at = (min((seed[0] - x0) // step, columns - 1), min((seed[1] - y0) // step, rows - 1))
        patch = _grown(_lab(piece), at, far / step)
        # Cut off by the window rather than by the photo: look again from farther away.
        cut = (x0 > 0 and patch[:, 0].any()) or (x1 < width and patch[:, -1].any())
        cut = cut or (y0 > 0 and patch[0].any()) or (y1 < height and patch[-1].any())
        if not cut:
            return _tidied(patch, at), (x0, y0), step
        step *= 2


def _lab(rgb: npt.NDArray[np.uint8]) -> Floats:
    """Smoothed CIELAB (D65), float32. A median keeps edges that a mean would blur."""
    smooth = cv2.medianBlur(rgb, 5) if min(rgb.shape[:2]) >= 5 else rgb
    smooth = cv2.GaussianBlur(smooth, (0, 0), 0.8)
    return cv2.cvtColor(smooth.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)


def _grown(lab: Floats, at: tuple[int, int], far: float) -> Bytes:
    """The most stable of the patches that hold a pixel, over a row of tolerances."""
    x, y = at
    near = lab[max(y - 2, 0) : y + 3, max(x - 2, 0) : x + 3].reshape(-1, 3)
    colour = np.median(near, axis=0)
    around = lab[max(y - 6, 0) : y + 7, max(x - 6, 0) : x + 7].reshape(-1, 3)
    weights = np.array([LIGHTNESS_WEIGHT, 1, 1], dtype=np.float32)
    distance = np.sqrt((((lab - colour) * weights) ** 2).sum(axis=2))
    rows, columns = np.ogrid[: lab.shape[0], : lab.shape[1]]
    away = np.hypot(rows - y, columns - x)
    distance[away > far] = np.inf
    distance[y, x] = 0  # what was tapped belongs to it
    rim = (away > far - 3) & (away <= far)
    # Texture near the finger says how much this surface varies of itself.
    texture = float(np.median(np.sqrt((((around - colour) * weights) ** 2).sum(axis=1))))
    first = min(max(1.6 * texture, 3.0), 9.0)
    tolerances = first * GROWTH ** np.arange(STEPS)
    patches = [piece((distance < t).astype(np.uint8), (y, x)) for t in tolerances]
    areas = np.array([cv2.countNonZero(p) for p in patches], dtype=float)
    growth = areas[2:] / np.maximum(areas[:-2], 1)
    growth[areas[:-2] < MIN_PIXELS] = np.inf
    if not np.isfinite(growth).any():
        return patches[int(np.argmax(areas))]
    # A few pixels may be stable too, inside one feather: more is a little better. A patch that
    # leaked grows no more once it fills all that is in reach: less of the rim is better.
    on_rim = np.array([cv2.countNonZero(p[rim]) for p in patches[1:-1]]) / max(rim.sum(), 1)
    return patches[int(np.argmin(growth - 0.02 * np.log(areas[1:-1]) + 0.3 * on_rim)) + 1]


def _tidied(patch: Bytes, at: tuple[int, int]) -> Bytes:
    """Holes filled, thin arms cut off, and drawn back a little from the edge."""
    padded = cv2.copyMakeBorder(patch, 2, 2, 2, 2, cv2.BORDER_CONSTANT, value=0)
    outside, _ = cv2.findContours(padded, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    full = np.zeros_like(padded)
    cv2.drawContours(full, outside, -1, 1, cv2.FILLED)
    size = float(np.sqrt(cv2.countNonZero(full)))
    opened = cv2.morphologyEx(full, cv2.MORPH_OPEN, disc(max(1, round(0.04 * size))))
    opened = opened if opened.any() else full
    kept = cv2.erode(opened, disc(max(1, round(0.015 * size))), borderValue=0)
    kept = kept if kept.any() else opened
    seed = (at[1] + 2, at[0] + 2)
    return piece(kept, seed if kept[seed] else ...)[2:-2, 2:-2]


def _outline(patch: Bytes) -> npt.NDArray[np.float64]:
    """Outer contour of a patch with few corners: (n, 2) in mask pixels."""
    contours, _ = cv2.findContours(patch, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    if len(contour) < 4:
        raise RegionError("no patch of one colour here", where="photo", mend=DRAW_IT)
    # A large patch needs no fine outline, and few corners are easier to reshape.
    tolerance = 0.7 + 0.004 * float(np.sqrt(cv2.contourArea(contour)))
    while tolerance < 100:
        points = cv2.approxPolyDP(contour, tolerance, True).reshape(-1, 2).astype(float)
        # The corner at which the contour happens to begin often has a twin.
        gaps = np.hypot(*(points - np.roll(points, 1, axis=0)).T)
        points = points[gaps > 2 * tolerance] if (gaps > 2 * tolerance).sum() >= 3 else points
        if len(points) < 3:
            break
        if len(points) <= MAX_POINTS and shapely.Polygon(points).is_valid:
            return points
        tolerance *= 1.25
    raise RegionError("the edge here is too ragged to follow", where="photo", mend=DRAW_IT)
