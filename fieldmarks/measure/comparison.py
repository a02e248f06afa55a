"""Relation: comparisons inside one photo, which hold without a card.

Marks in the same photo share the lamp, the camera and the card; most of what is doubtful about one
colour is the same for its neighbour and drops out of the comparison.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fieldmarks.measure.calibration import Calibration
from fieldmarks.measure.colour import (
    difference,
    faded,
    lab_to_linear,
    lightness_to_reflectance,
    linear_to_lab,
)
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.quantities import COVERAGE_FACTOR, Budget, Reading, Relation
from fieldmarks.measure.region import CORE, Line, Region, RegionSet, area, centre, vertices
from fieldmarks.measure.scatter import medians
from fieldmarks.measure.uncertainty import light_part

NEIGHBOUR_LIGHT = 0.06  # light on two marks of one bird, relative (judgement)
# A camera that bends saturation by up to 30 % bends a difference as much (see uncertainty).
CAMERA_SHARE = 0.15
UNCALIBRATED_SHARE = 0.20
OUTLINE_PIXELS, OUTLINE_SHARE = 1.5, 0.02  # how well an edge is drawn (judgement)
RING_CONTRAST = 6.0  # CIEDE2000 to what lies around; less is no bare ring that can be seen
# What is marked as the ring may be white skin itself, in whatever light, when it is this many times
# brighter than the eye, and no more colourful than this share of its L*: among white feathers it is
# then not told from no ring. Wider without a card (our own choice).
SKIN_BRIGHTER, SKIN_COLOUR, SKIN_COLOUR_UNCALIBRATED = 3.0, 0.35, 0.7
UNTOLD = {
    "ring": "what is marked as the ring is as white as what lies around it, so this photo cannot "
    "tell how wide the bare ring is. Look at the living bird, or ask an avian vet."
}
SIZE_HOLDS = (
    "Holds only if bird and scale are equally far from the camera and the bird is side-on; a "
    "turned or crouching bird reads too short."
)
LINE_END_PIXELS = 3.0
DISTANCE_SHARE = 0.03  # bird and scale not equally far from the camera (judgement)
STEPS = 8


def read_relations(
    photo: Photo,
    regions: RegionSet,
    readings: Mapping[str, Reading],
    calibration: Calibration,
    rows: Mapping[str, Any],
) -> tuple[Relation, ...]:
    """Measure every relation whose marks have been drawn, in checked regions.

    ``rows``: key -> row with ``kind`` (same, fade, dark, ring or size) and the ``marks`` compared.
    """
    found: list[Relation | None] = []
    for key, row in rows.items():
        drawn = [regions.of(mark) for mark in row.marks]
        if not all(drawn):
            continue
        if row.kind == "size":
            found.append(body_size(key, drawn[0], regions.of("scale")))
        elif row.kind == "ring":
            if drawn[0][0].note != CORE:
                found.append(bare_ring(key, photo, drawn[0][0], drawn[1][0], calibration))
        elif all(mark in readings for mark in row.marks):
            pair = (readings[row.marks[0]], readings[row.marks[1]])
            if row.kind == "dark":
                found.append(darkened(key, *pair, readings[row.marks[2]]))
            elif row.kind == "same":
                found.append(same_as(key, *pair))
            else:
                found.append(fade(key, photo, *pair, drawn[0][0], drawn[1][0], calibration))
    return tuple(relation for relation in found if relation)


def untold(
    regions: RegionSet, found: Sequence[Relation], rows: Mapping[str, Any]
) -> dict[str, str]:
    """Why relations whose marks are drawn could not be told; key -> sentence."""
    told = {relation.key for relation in found}
    return {
        key: UNTOLD[row.kind]
        for key, row in rows.items()
        if row.kind in UNTOLD and key not in told and all(regions.of(m) for m in row.marks)
    }


def same_as(key: str, one: Reading, other: Reading) -> Relation:
    """CIEDE2000 between two marks.

    Its uncertainty is the spread of both, a difference in light between their places, and the share
    of the difference itself that the camera may have bent.
    """
    apart = float(difference(one.lab, other.lab))
    parts = []
    for reading in (one, other):
        spread = [p for p in reading.budget.parts if p.name == "spread"]
        light = light_part(reading.lab, NEIGHBOUR_LIGHT / math.sqrt(2), "light", "")
        parts.append(Budget((*spread, light)).radius(reading.lab))
    bent = (CAMERA_SHARE if one.calibrated else UNCALIBRATED_SHARE) * apart
    return Relation(
        key=key,
        kind="same",
        value=apart,
        expanded=COVERAGE_FACTOR * math.hypot(*parts, bent),
        regions=one.regions + other.regions,
        note=f"CIEDE2000 {apart:.1f} between {one.mark} and {other.mark}.",
    )


def darkened(key: str, edge: Reading, one: Reading, other: Reading) -> Relation:
    """Share of an edge's light that neither neighbour explains, 0 to 1: how much black is in it.

    An edge too thin for the photo is a blend of what it is and of both neighbours, in linear light.
    Its light is fitted as shares, none below 0, of theirs; what is missing to 1 is black. Its
    uncertainty is that of the edge's lightness and of a difference in light between the places,
    both as shares of the light.
    """
    from scipy.optimize import nnls  # takes long to import

    neighbours = lab_to_linear(np.array([one.lab, other.lab]))
    shares, _ = nnls(neighbours.T, lab_to_linear(np.array(edge.lab)))
    light = float(shares.sum())
    spread = [p.lightness for p in edge.budget.parts if p.name == "spread"]
    # L* is a cube root: a share of the light is three times that of L* + 16 (CIE 15).
    relative = math.hypot(NEIGHBOUR_LIGHT, *(3 * part / (edge.lab[0] + 16) for part in spread))
    return Relation(
        key=key,
        kind="dark",
        value=min(max(1 - light, 0.0), 1.0),
        expanded=COVERAGE_FACTOR * relative * min(light, 1.0),
        regions=edge.regions + one.regions + other.regions,
        note=f"{edge.mark} is {light:.0%} as light as a blend of {one.mark} and {other.mark}.",
    )


def fade(
    key: str,
    photo: Photo,
    base: Reading,
    tip: Reading,
    base_region: Region,
    tip_region: Region,
    calibration: Calibration,
) -> Relation:
    """How much paler the beak is at its base than at its tip, and whether it changes gradually.

    The value leaves out how much light lies on each, see :func:`fieldmarks.measure.colour.faded`.
    The change is followed along the straight axis from one region's centre to the other's.
    """
    same = same_as(key, base, tip)
    value = float(faded(base.lab, tip.lab))
    steps = _along_axis(photo, base_region, tip_region, calibration)
    note = "Too few pixels between base and tip to follow the change."
    if len(steps) >= 4:
        change = difference(steps[:-1], steps[1:])
        total = float(difference(steps[0], steps[-1]))
        sudden = total > 0 and float(change.max()) > 0.7 * total
        note = (
            f"From base to tip L* {steps[0, 0]:.0f} to {steps[-1, 0]:.0f}, C* "
            f"{math.hypot(*steps[0, 1:]):.0f} to {math.hypot(*steps[-1, 1:]):.0f}; the change is "
            f"{'sudden, as at an edge or a shadow' if sudden else 'gradual'}."
        )
    return Relation(key, "fade", value, same.expanded, same.regions, note)


def bare_ring(
    key: str, photo: Photo, ring: Region, iris: Region, calibration: Calibration
) -> Relation | None:
    """Width of the bare eye ring over the eye's diameter; 0 when feathers reach the eye.

    Diameters are those of circles of the same area. A ring stands out when its colour differs from
    that of a band just outside it by at least RING_CONTRAST CIEDE2000. Where none does and all is
    white, nothing is known: white skin among white feathers looks the same.
    """
    outer, eye = (math.sqrt(4 * area(r.shape) / math.pi) for r in (ring, iris))
    inside = _band(photo, ring, iris, calibration, 1.0, 1.0)
    around = _band(photo, ring, ring, calibration, 1.35, 1.08)
    contrast = 0.0
    if len(inside) and len(around):
        contrast = float(difference(np.median(inside, axis=0), np.median(around, axis=0)))
    width = (outer - eye) / 2 / eye
    shown = width if contrast >= RING_CONTRAST and width > 0 else 0.0
    if not shown and width > 0:
        dark = _band(photo, iris, iris, calibration, 1.0, 0.0)
        if _may_be_skin(inside, dark, calibration.calibrated):
            return None
    edges = (math.hypot(OUTLINE_PIXELS / across, OUTLINE_SHARE) for across in (outer, eye))
    # width = (outer / eye - 1) / 2, so a relative error r of each edge moves it by outer/eye r/2.
    expanded = COVERAGE_FACTOR * outer / eye / 2 * math.hypot(*edges)
    note = (
        f"Ring {outer:.0f} px and eye {eye:.0f} px across; the ring differs from what lies around "
        f"it by CIEDE2000 {contrast:.1f}"
        f"{'' if shown else ', too little to be a bare ring'}."
    )
    return Relation(key, "ring", shown, expanded, (ring.id, iris.id), note)


def _may_be_skin(inside: npt.NDArray, eye: npt.NDArray, calibrated: bool) -> bool:
    """Whether CIELAB colours (n, 3) beside an eye (m, 3) may be white skin, lit or in shade."""
    if not len(inside) or not len(eye):
        return False
    light, a, b = (float(v) for v in medians(inside))
    bright, dark = (lightness_to_reflectance(v) for v in (light, float(medians(eye)[0])))
    most = SKIN_COLOUR if calibrated else SKIN_COLOUR_UNCALIBRATED
    return bright >= SKIN_BRIGHTER * dark and math.hypot(a, b) <= most * light


def body_size(key: str, lengths: Sequence[Region], scales: Sequence[Region]) -> Relation | None:
    """Body length in millimetres from a scale of known length in the photo."""
    rulers = {
        r.id: (r.shape.length, r.value) for r in scales if r.value and isinstance(r.shape, Line)
    }
    lines = {r.id: r.shape.length for r in lengths if isinstance(r.shape, Line)}
    if not rulers or not lines:
        return None
    pixels = float(np.mean([*lines.values()]))
    ruler = float(np.mean([length for length, _ in rulers.values()]))
    per_mm = float(np.mean([length / mm for length, mm in rulers.values()]))
    value = pixels / per_mm
    ends = LINE_END_PIXELS * math.sqrt(2)
    relative = math.hypot(ends / pixels, ends / ruler, DISTANCE_SHARE)
    return Relation(
        key=key,
        kind="size",
        value=value,
        expanded=COVERAGE_FACTOR * relative * value,
        regions=(*lines, *rulers),
        note=SIZE_HOLDS,
    )


def _pixels(
    photo: Photo, low: npt.NDArray, high: npt.NDArray, calibration: Calibration
) -> tuple[npt.NDArray, npt.NDArray, npt.NDArray]:
    """A box as far as the photo goes: x and y (h, w), and linear light calibrated (h, w, 3)."""
    x0, y0 = np.maximum(np.floor(low).astype(int), 0).tolist()
    x1, y1 = np.minimum(np.ceil(high).astype(int), [photo.width, photo.height]).tolist()
    x, y = np.meshgrid(np.arange(x0, x1) + 0.5, np.arange(y0, y1) + 0.5)
    return x, y, calibration.apply(photo.linear((x0, y0, x1, y1)), x, y)


def _along_axis(photo: Photo, base: Region, tip: Region, calibration: Calibration) -> npt.NDArray:
    """Median CIELAB of STEPS slices of a strip from base to tip; (n, 3)."""
    start, end = np.array(centre(base.shape)), np.array(centre(tip.shape))
    axis = end - start
    length = float(np.hypot(*axis))
    half = 0.15 * math.sqrt(min(area(base.shape), area(tip.shape)))
    if length < STEPS:
        return np.zeros((0, 3))
    low, high = np.minimum(start, end) - half, np.maximum(start, end) + half
    x, y, true = _pixels(photo, low, high, calibration)
    along = ((x - start[0]) * axis[0] + (y - start[1]) * axis[1]) / length**2
    across = np.abs((x - start[0]) * axis[1] - (y - start[1]) * axis[0]) / length
    on = (along >= 0) & (along < 1) & (across <= half)
    step = (along * STEPS).astype(int)
    slices: Iterable[npt.NDArray] = (true[on & (step == k)] for k in range(STEPS))
    middles = [medians(s) for s in slices if len(s)]
    return linear_to_lab(np.array(middles)) if middles else np.zeros((0, 3))


def _band(
    photo: Photo,
    outer: Region,
    inner: Region,
    calibration: Calibration,
    grow_outer: float,
    grow_inner: float,
) -> npt.NDArray:
    """CIELAB of the pixels between two outlines, each grown about its own centre; (n, 3)."""
    big, small = (
        (vertices(r.shape) - centre(r.shape)) * grow + centre(r.shape)
        for r, grow in ((outer, grow_outer), (inner, grow_inner))
    )
    x, y, true = _pixels(photo, big.min(axis=0), big.max(axis=0) + 1, calibration)
    canvas, corner = np.zeros(x.shape, np.uint8), [x[0, 0] - 0.5, y[0, 0] - 0.5]
    for points, value in ((big, 1), (small, 0)):
        cv2.fillPoly(canvas, [np.round(points - corner).astype(np.int32)], value)
    return linear_to_lab(true[canvas > 0])
