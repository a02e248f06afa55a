"""Reading: the colour of a marked region, with everything that is known about its doubt.

Only the region's window is touched. Pixels are averaged in small blocks in linear light (which is
what the eye and a lens do, and takes out noise before the non-linear step to CIELAB), then
calibrated and converted. Colours are CIELAB, D65, 2 degrees.
"""

import functools
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import astuple, dataclass

import cv2
import numpy as np
import numpy.typing as npt
from threadpoolctl import ThreadpoolController

from fieldmarks.measure.calibration import Calibration
from fieldmarks.measure.colour import difference, linear_to_lab
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.quantities import Budget, PixelCount, Population, Reading, triple
from fieldmarks.measure.region import Region, Shape, centre, mask, window
from fieldmarks.measure.scatter import Patchwork, medians
from fieldmarks.measure.uncertainty import (
    BRIGHT_END,
    SOURCES,
    camera_part,
    card_part,
    glare_part,
    light_part,
    no_card_part,
    spread_part,
    unevenness,
)

BLOCKS_WANTED = 1500  # blocks per region; more adds time, not knowledge
MAX_BLOCK = 6
MIN_BLOCKS = 12
CLUSTERS = 4
CLUSTER_SAMPLE = 800
SAME_COLOUR = 7.0  # CIEDE2000 below which two clusters count as one colour
ONE_COLOUR = 0.995  # share of pixels that near their median at which no clusters are sought
GLARE_TIMES = 3.0  # times brighter than the region's median
GLARE_LEVEL = 0.6  # of the photo's white, linear
# On a coloured part: brighter than the median by this factor, greyer by this part of the way to a
# full grey, and no more than this share of the region (more is a second colour, not a shine).
PALE_TIMES, PALE_STEP, PALE_SHARE = 1.8, 0.3, 0.08
WARN_LOST = 0.25


@dataclass(frozen=True, eq=False)
class _Samples:
    """Block averages of one region: linear light, place, and how bright it was stored."""

    linear: npt.NDArray[np.float32]  # (n, 3), as photographed
    xy: npt.NDArray[np.float64]  # (n, 2), photo pixels
    row: npt.NDArray[np.intp]  # (n,), place on the grid of blocks
    column: npt.NDArray[np.intp]
    brightest: float  # median of the largest stored channel, 0..1


def read_mark(
    photo: Photo,
    mark: str,
    regions: Sequence[Region],
    calibration: Calibration,
    without: Sequence[Shape] = (),
) -> Reading | None:
    """Measure one mark; None when no usable pixels are left.

    Args:
        regions: Checked regions of this mark; their pixels are pooled.
        without: Areas that belong to other marks and are cut out.
    """
    sampled = [_sample(photo, region.shape, without) for region in regions]
    counted = np.sum([astuple(count) for count, _ in sampled], axis=0)
    pixels = PixelCount(*counted.tolist())
    parts = [part for _, part in sampled if part]
    if sum(len(part.row) for part in parts) < MIN_BLOCKS:
        return None
    linear = np.concatenate([part.linear for part in parts])
    xy = np.concatenate([part.xy for part in parts])
    works = [
        Patchwork(linear_to_lab(calibration.apply(p.linear, *p.xy.T)), p.row, p.column)
        for p in parts
        if len(p.row)
    ]
    values = np.concatenate([work.values for work in works])
    middle = medians(values)
    lab = triple(middle)
    spread = triple(1.4826 * medians(np.abs(values - middle)))
    stored = medians(linear)
    brightest = max(part.brightest for part in parts)
    spread_u, number = spread_part(lab, works)
    doubts = [spread_u]
    if calibration.calibrated:
        relative = max(unevenness(calibration, centre(region.shape)) for region in regions)
        light_u = light_part(lab, relative, "light", SOURCES["light"])
        near = calibration.apply(stored[None], *xy.mean(axis=0)[:, None])[0]
        doubts = [card_part(lab, near, calibration), spread_u, light_u]
    if not (calibration.correction and calibration.correction.coefficients):
        # Patches of a chart are veiled as well: what they were missed by holds it.
        doubts.append(glare_part(lab, calibration.anchors))
    doubts.append(camera_part(lab, brightest, calibration))
    if not calibration.calibrated:
        doubts.append(no_card_part(lab))
    return Reading(
        mark=mark,
        regions=tuple(r.id for r in regions),
        lab=lab,
        spread=spread,
        populations=find_populations(values),
        budget=Budget(tuple(doubts)),
        pixels=pixels,
        calibrated=calibration.calibrated,
        warnings=_warnings(pixels, brightest),
        looks=number,
        anchors=calibration.anchors,
        tone_known=calibration.correction is not None or calibration.straight,
    )


def find_populations(values: npt.NDArray, seed: int = 0) -> tuple[Population, ...]:
    """Colours that make up a region of CIELAB ``values`` (n, 3), largest share first.

    k-means (OpenCV, started by k-means++) on CIELAB; clusters nearer than ``SAME_COLOUR``
    CIEDE2000 are merged, so that shading inside one colour is not taken for two colours. Their
    fractions add up to 1.
    """
    take = min(len(values), CLUSTER_SAMPLE)
    sample = values[(_places(take, seed) * (len(values) / take)).astype(int)]
    middle = medians(sample)
    near = _difference_at_most(sample, middle) < SAME_COLOUR  # mostly settles it
    if near.mean() <= ONE_COLOUR:
        near = difference(sample, middle) < SAME_COLOUR
    if near.mean() > ONE_COLOUR:
        return (Population(triple(middle), 1.0),)
    cv2.setRNGSeed(seed)
    stop = (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 50, 0.01)
    points = np.asarray(sample, np.float32)
    count = min(CLUSTERS, take)
    labels = cv2.kmeans(points, count, None, stop, 1, cv2.KMEANS_PP_CENTERS)[1].ravel()  # type: ignore[call-overload]
    groups = [sample[labels == k] for k in range(count) if (labels == k).any()]
    groups = _merge(groups)
    found = [Population(triple(medians(g)), len(g) / take) for g in groups]
    return tuple(sorted(found, key=lambda p: -p.fraction))


@functools.lru_cache(maxsize=8)
def _places(count: int, seed: int) -> npt.NDArray[np.float64]:
    """One place at random in each of ``count`` stretches: an even step could fall in with bars."""
    return np.arange(count) + np.random.default_rng(seed).random(count)


@functools.lru_cache(maxsize=1)
def _thread_pools() -> ThreadpoolController:
    """Finding the thread pools takes longer than limiting them, so it is done once."""
    return ThreadpoolController()


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep OpenCV and the array libraries to one thread, where photos share out the cores."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        with _thread_pools().limit(limits=1):
            yield
    finally:
        cv2.setNumThreads(before)


def _difference_at_most(one: npt.NDArray, other: npt.NDArray) -> npt.NDArray:
    """A bound that CIEDE2000 never exceeds, at a tenth of its cost; (..., 3) each, broadcast.

    Its weights S are at least 1, it stretches a* by at most 1.5, and its rotation term is at most
    the sum of the squares of the chroma and hue terms (Sharma, Wu & Dalal 2005, equations 7 to 22).
    """
    apart = (one - other) ** 2
    return np.asarray(np.sqrt(apart @ np.array([1.0, 2 * 1.5**2, 2.0])))


def _merge(groups: list[npt.NDArray]) -> list[npt.NDArray]:
    """Join the two nearest groups until all are at least SAME_COLOUR apart."""
    measure = _difference_at_most  # joins what is surely alike; CIEDE2000 decides the rest
    while len(groups) > 1:
        centres = np.array([medians(g) for g in groups])
        apart = measure(centres[:, None], centres[None])
        apart[np.tril_indices(len(groups))] = np.inf
        i, j = np.unravel_index(int(apart.argmin()), apart.shape)
        if apart[i, j] < SAME_COLOUR:
            joined = np.concatenate([groups[i], groups[j]])
            groups = [g for k, g in enumerate(groups) if k not in (i, j)] + [joined]
        elif measure is difference:
            break
        else:
            measure = difference
    return groups


def _sample(
    photo: Photo, shape: Shape, without: Sequence[Shape]
) -> tuple[PixelCount, _Samples | None]:
    """Pixels of a region, counted, and its block averages where any are left."""
    win = window(shape, photo.width, photo.height)
    inside = mask(shape, win, without)
    if not inside.any():
        return PixelCount(0, 0, 0, 0, 0), None
    codes = np.ascontiguousarray(photo.codes(win))
    linear = photo.profile.to_linear(codes)
    peak = _largest(codes)
    clipped = inside & (peak >= photo.white - photo.white // 255)
    dark = inside & (peak <= 2 * (photo.white // 255))
    glare = _glare(linear, inside, clipped)
    used = inside & ~clipped & ~glare
    # Mostly black: what lies at the noise floor *is* the colour, to within that floor.
    if _count(dark) <= _count(inside) / 2:
        used &= ~dark
    pixels = PixelCount(*map(_count, (inside, clipped, glare, dark, used)))
    block = int(np.clip(math.sqrt(pixels.used / BLOCKS_WANTED), 1, MAX_BLOCK))
    height, width = used.shape
    rows, columns = height // block, width // block
    if not pixels.used or not rows or not columns:
        return pixels, None
    flags = used[: rows * block, : columns * block].view(np.uint8)
    kept = cv2.copyTo(linear[: rows * block, : columns * block], flags)  # the others are 0
    size = (columns, rows)
    share = cv2.resize(flags.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(kept, size, interpolation=cv2.INTER_AREA)
    full = np.flatnonzero(share >= 0.75)
    row, column = np.divmod(full, columns)
    xy = np.column_stack([win[0] + (column + 0.5) * block, win[1] + (row + 0.5) * block])
    return pixels, _Samples(
        np.asarray(total.reshape(-1, 3)[full] / share.reshape(-1, 1)[full], np.float32),
        xy,
        row,
        column,
        float(np.median(peak[used][:: max(pixels.used // 1000, 1)])) / photo.white,
    )


def _count(flags: npt.NDArray[np.bool_]) -> int:
    return int(np.count_nonzero(flags))


def _glare(
    linear: npt.NDArray, inside: npt.NDArray[np.bool_], clipped: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Shine: the rim of clipped spots, and pixels that are both brighter and greyer than the rest.

    A gloss adds the lamp's own colour to the body's (Shafer 1985). On a coloured part it shows as
    light that is brighter *and* paler; on a grey one only by being very bright.
    """
    brightness = cv2.extractChannel(linear, 1)  # green carries most of the light
    within = brightness[inside]
    some = within[:: max(len(within) // 1000, 1)]
    level = float(medians(some[:, None])[0]) if len(within) else 0.0
    shine = inside & (brightness > max(GLARE_LEVEL, GLARE_TIMES * level))
    if shine.any():
        bright = linear[shine]
        shine[shine] = bright.min(axis=1) > 0.6 * bright.max(axis=1)
    pale = inside & (brightness > PALE_TIMES * level) & ~clipped
    if 0 < _count(pale) <= PALE_SHARE * len(within):
        usual = _greyness(medians(linear[inside])[None])[0]
        bright = linear[pale]
        pale[pale] = _greyness(bright) > usual + PALE_STEP * (1 - usual)
        shine |= pale
    if clipped.any():
        rim = cv2.dilate(clipped.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
        shine |= rim & (brightness > 1.5 * level)
    return inside & ~clipped & shine


def _greyness(linear: npt.NDArray) -> npt.NDArray:
    """Least over largest channel: 0 for a pure colour, 1 for a grey; (n, 3) -> (n,)."""
    return np.asarray(linear.min(axis=1) / np.maximum(linear.max(axis=1), 1e-6))


def _largest(codes: npt.NDArray[np.integer]) -> npt.NDArray[np.integer]:
    """Largest of three channels; many times faster than ``max(axis=2)`` on so short an axis."""
    red, green, blue = cv2.split(codes)
    return np.asarray(cv2.max(cv2.max(red, green), blue))


def _warnings(pixels: PixelCount, brightest: float) -> tuple[str, ...]:
    out = []
    total = max(pixels.total, 1)
    for name, lost, mend in (
        ("too bright (clipped)", pixels.clipped, "Lower the exposure"),
        ("shine", pixels.glare, "Turn the bird or the lamp"),
        ("too dark to tell from black", pixels.dark, "Give more light"),
    ):
        if lost / total > WARN_LOST:
            out.append(f"{lost / total:.0%} of the region is {name}. {mend}.")
    if brightest > BRIGHT_END:
        out.append("It lies near the bright end, where cameras bend colours. Lower the exposure.")
    return tuple(out)
