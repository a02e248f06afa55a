"""Scatter within a region: how well its middle is known in spite of feathers and grain.

Neighbouring pixels share feathers, demosaicing and JPEG blocks. A region of 3000 blocks may have an
effective sample size of 40, which follows from the spatial correlation.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.special import stdtrit

Array = npt.NDArray[np.floating]
# Variance of the median of independent normal values over that of their mean. Between places the
# covariance of a median is that of the mean, to first order (arcsine law), so only the part that
# places do not share gets the extra.
MEDIAN_OVER_MEAN = math.pi / 2
UNRELATED = 0.05  # correlation below which two places count as unrelated
OUTLIER = 4.0  # robust standard deviations; a lone dark barb shall not pass for texture
CELLS = 700  # cells that the places of a region are summed into
SAMPLE = 600
LEAST_FREEDOM = 2.0
LEAST = 1.5  # no region is held for a single value


def medians(values: npt.NDArray) -> npt.NDArray:
    """Median of each column of an (n, k) array: numpy's own to the last bit, in half the time.

    On columns that lie in one piece a partition is vectorised, and one is enough.
    """
    columns = values.T.copy()
    half = columns.shape[1] // 2
    columns.partition(half, axis=1)
    upper = columns[:, half]
    if columns.shape[1] % 2:
        return upper
    return (columns[:, :half].max(axis=1) + upper) / 2


def trimmed_mean(values: npt.NDArray) -> npt.NDArray:
    """Mean of each column of an (n, k) array without its lowest and highest tenth.

    ``scipy.stats.trim_mean`` to the last bit, without the half second its import takes.
    """
    cut = len(values) // 10
    ordered = np.partition(values, (cut, len(values) - cut - 1), axis=0)
    return ordered[cut : len(values) - cut].mean(axis=0)


@dataclass(frozen=True, eq=False)
class Patchwork:
    """Values of one region on its grid of blocks.

    Args:
        values: (n, k) array.
        row, column ((n,) arrays of int): Where each value lies on the grid.
    """

    values: Array
    row: npt.NDArray[np.intp]
    column: npt.NDArray[np.intp]


def effective_size(work: Patchwork, middle: Array, robust: Array) -> tuple[Array, Array]:
    """Standard deviation and effective number of independent values of each component.

    The variance of a mean over N places is the mean of the autocovariance over all their pairs
    (Bayley & Hammersley 1946), taken up to the distance at which it first falls to nothing; the
    effective number is the variance of one place over it. Places are summed into coarser cells
    first: that changes no sum over pairs and saves time. ``middle`` and ``robust`` (k,) are the
    median of the values and a standard deviation that outliers move little; (k,) each.
    """
    off = np.array(work.values.T, order="C")  # each component in one piece: far quicker
    off -= middle[:, None]
    limit = OUTLIER * robust[:, None]
    np.clip(off, -limit, limit, out=off)
    off -= off.mean(axis=1, keepdims=True)
    parts, count = off.shape
    coarse = math.ceil(math.sqrt(count / CELLS))
    row, column = work.row // coarse, work.column // coarse
    height, width = int(row.max()) + 1, int(column.max()) + 1
    shape = (fft.next_fast_len(2 * height), fft.next_fast_len(2 * width))
    cell = row * shape[1] + column
    size = shape[0] * shape[1]
    grid = np.stack([np.bincount(cell, one, size) for one in (*off, np.ones(count))])
    wave = fft.rfft2(grid.reshape(-1, *shape).astype(np.float32))
    summed = fft.irfft2(wave.real**2 + wave.imag**2, shape).reshape(parts + 1, size)
    ring, rings = _rings(shape)
    covariance = np.stack([np.bincount(ring, one, rings) for one in summed])
    pairs = np.maximum(covariance[parts], 1e-3)
    variance = np.einsum("kn,kn->k", off, off) / count
    number = np.full(parts, float(count))
    for k in np.nonzero(variance > 0)[0]:
        own = covariance[k]
        level = own / pairs
        low = np.nonzero((level[1:] <= UNRELATED * level[0]) | (pairs[1:] < 0.5))[0]
        reach = int(low[0]) + 1 if low.size else rings
        number[k] = variance[k] * count**2 / max(float(own[:reach].sum()), 1e-12)
    return np.sqrt(variance), np.clip(number, LEAST, max(count, LEAST))


@lru_cache(maxsize=64)
def _rings(shape: tuple[int, int]) -> tuple[npt.NDArray[np.intp], int]:
    """Whole-number distance from no shift, for every shift of a periodic grid."""
    y, x = (np.minimum(np.arange(n), n - np.arange(n)) for n in shape)
    ring = np.round(np.hypot(y[:, None], x[None])).astype(np.intp).ravel()
    return ring, int(ring.max()) + 1


def error_of_middle(works: Sequence[Patchwork]) -> tuple[Array, float]:
    """Standard uncertainty (k,) of the pooled median of regions, and their effective sample size.

    The sample variance misses the part that moves the region's own mean, hence n - 1. Where
    regions of one mark differ by more than that, the scatter of their medians takes its place. The
    size is summed over the regions, of each that of its least component.
    """
    total = sum(len(w.values) for w in works)
    variance = np.zeros(works[0].values.shape[1])
    number = 0.0
    for work in works:
        some = work.values[:: max(len(work.values) // SAMPLE, 1)]  # enough for a limit
        middle = medians(some)
        # The mean distance, not the median one: that is 0 where two colours share a region.
        robust = 1.2533 * np.abs(some - middle).mean(axis=0)
        deviation, n = effective_size(work, middle, robust)
        own = len(work.values)
        # Few values say little about their own scatter: Student's factor (JCGM 100:2008, G.3).
        student = stdtrit(np.maximum(n - 1, LEAST_FREEDOM), 0.975) / 1.96
        each = student**2 / (n - 1) + (MEDIAN_OVER_MEAN - 1) / own
        variance += (own / total) ** 2 * deviation**2 * each
        number += float(n.min())
    if len(works) > 1:
        middles = np.array([medians(w.values) for w in works])
        variance = np.maximum(variance, middles.var(axis=0, ddof=1) / len(works))
    return np.sqrt(variance), number
