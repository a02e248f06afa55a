"""Card places: parts of a photo that could be a grey card, for the keeper to accept or refuse.

Looked for are our printed frame and four-cornered, smooth, nearly neutral patches. Nothing found
here is used unasked.
"""

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fieldmarks.measure.card_frame import find_frame
from fieldmarks.measure.colour import linear_to_lab
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.region import Polygon, Region, area, overlap

LONGEST = 640  # pixels at which the photo is looked at
SHARE = (0.002, 0.25)  # of the picture's area
CAST = 30.0  # C* that a grey may have before it is calibrated, at the lightness of an 18 % card
GRAIN = 0.10  # relative brightness spread inside
RECTANGULAR = 0.75  # of the area of the smallest box round it
INSET = 0.12  # of the outline, to keep off the edge
MOST = 3
SAME = 0.4  # overlap beyond which two patches are one
ALIKE = 0.6  # area of one patch over another's from which the two may be a pattern: tiles, a chart
LEAST = 0.3  # score below which one patch alone is not worth a question
WHITE = 0.5  # mean linear light from which a patch may be a white card rather than a grey one


@dataclass(frozen=True)
class CardPlace:
    """A patch that could be a card: where, how sure (0..1), and its linear light."""

    shape: Polygon
    score: float
    level: float


@dataclass(frozen=True)
class FoundCard:
    """A card that the photo itself shows, for the keeper to accept or refuse.

    Args:
        regions: The card; with our printed frame also the scale.
        certainty: 0..1.
        white: Whether it is so bright that it may be a white card: ask for its reflectance.
    """

    regions: tuple[Region, ...]
    certainty: float
    white: bool = False


def find_card(photo: Photo) -> FoundCard | None:
    """The grey or white card in a photo, or None.

    Our printed frame is looked for first. A plain card must be the only patch of its size that
    could be one: several are tiles of a wall or the patches of a chart, whose reflectance is not
    that of a card.
    """
    frame = find_frame(photo)
    if frame is not None:
        return FoundCard(frame.regions(), 0.7 + 0.1 * (len(frame.markers) - 1))
    found = propose_cards(photo)
    if not found:
        return None
    first, *others = found
    size = area(first.shape)
    sizes = [area(other.shape) for other in others]
    if first.score < LEAST or any(min(size, s) > ALIKE * max(size, s) for s in sizes):
        return None
    region = Region("found card", "card", first.shape, None, "found in the photo")
    return FoundCard((region,), round(first.score, 2), first.level > WHITE)


def propose_cards(photo: Photo) -> tuple[CardPlace, ...]:
    """Up to three patches that could be a grey card, the most likely first."""
    step = max(photo.width / LONGEST, photo.height / LONGEST, 1.0)
    small = photo.codes8()
    if step > 1:
        size = (round(photo.width / step), round(photo.height / step))
        small = np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_AREA), np.uint8)
    levels = small if photo.white == 255 else small.astype(np.uint16) * 257
    linear = photo.profile.to_linear(levels)
    judged = (_judge(outline, linear, step) for outline in _outlines(small))
    found = [place for place in judged if place is not None]
    kept: list[CardPlace] = []
    for place in sorted(found, key=lambda p: -p.score):
        if all(overlap(place.shape, other.shape) <= SAME for other in kept):
            kept.append(place)
    return tuple(kept[:MOST])


def _outlines(codes: npt.NDArray[np.uint8]) -> list[npt.NDArray[np.float64]]:
    """Four-cornered outlines of smooth patches, by edges and by levels; (4, 2) each."""
    area = codes.shape[0] * codes.shape[1]
    smooth = cv2.bilateralFilter(codes, 7, 30, 5)
    out = []
    for low in (12, 25, 50):
        edges = np.max([cv2.Canny(smooth[..., c], low, 3 * low) for c in range(3)], axis=0)
        mask = 255 - cv2.dilate(edges, np.ones((3, 3), np.uint8))
        count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
        for k in range(1, count):
            x, y, width, height, size = stats[k]
            if not SHARE[0] * area < size < SHARE[1] * area:
                continue
            part = (labels[y : y + height, x : x + width] == k).astype(np.uint8)
            contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            contour = cv2.convexHull(max(contours, key=len))
            corners = cv2.boxPoints(cv2.minAreaRect(contour))
            filled = size / max(float(cv2.contourArea(corners)), 1.0)
            if filled > RECTANGULAR:
                out.append(corners.astype(float) + np.array([x + 0.5, y + 0.5]))
    return out


def _judge(
    corners: npt.NDArray[np.float64], linear: npt.NDArray[np.float32], step: float
) -> CardPlace | None:
    middle = corners.mean(axis=0)
    inner = middle + (corners - middle) * (1 - INSET)
    inside = np.zeros(linear.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.round(inner - 0.5).astype(np.int32)], 1)
    pixels = linear[inside > 0]
    if len(pixels) < 30:
        return None
    rgb = np.median(pixels, axis=0)
    level = float(rgb.mean())
    if level <= 0.01 or level > 0.9 or rgb.min() <= 0:
        return None
    bright = pixels.mean(axis=1)
    low, high = np.percentile(bright, [5, 95])
    grain = float(high - low) / level / 3.3  # 5 to 95 % spans 3.3 standard deviations
    chroma = math.hypot(*linear_to_lab(rgb * 0.18 / level)[1:])
    if grain > GRAIN or chroma > CAST:
        return None
    score = (1 - grain / GRAIN) * (1 - chroma / CAST)
    # A card of 18 % lies near the middle of a normally exposed photo.
    score *= math.exp(-0.5 * (math.log2(level / 0.18) / 1.5) ** 2)
    size = abs(float(cv2.contourArea(corners.astype(np.float32)))) / linear[..., 0].size
    score *= min(size / 0.01, 1.0) ** 0.5
    return CardPlace(Polygon((inner * step).tolist()), float(score), level)
