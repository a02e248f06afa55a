"""Outlines to ask a keeper about: those proposed by the program, and those that look unlike."""

import numpy as np
import numpy.typing as npt
from skimage.draw import polygon

from fieldmarks.app.marker.wire import Offer
from fieldmarks.measure.colour import decode_srgb, difference, linear_to_lab
from fieldmarks.measure.outlines import ProposedMark
from fieldmarks.measure.region import CORE, RegionSet, vertices
from fieldmarks.rules.schema import Mark

# How sure a proposed outline is (benchmarks/results/taps.md). Less than likely is asked about.
SURE, LIKELY = 0.75, 0.6
UNLIKE = 20.0  # CIEDE2000 from all others at which an outline is asked about (our judgement)


def offer(found: ProposedMark) -> Offer:
    """A proposed outline with how sure it is, in words."""
    sure = found.certainty
    said = "sure" if sure >= SURE else "fairly sure" if sure >= LIKELY else "unsure"
    said, note = ("all of it?", "") if found.whole else (said, CORE)
    return Offer(found.mark, found.shape, said, sure >= LIKELY, note)


def look_unlike(pixels: npt.NDArray[np.uint8], regions: RegionSet, mark: Mark) -> bool:
    """Whether the last outline of a mark differs so much that it may be of another mark.

    Args:
        pixels: The photo made small, sRGB, of shape (rows, columns, 3).
    """
    shown = [region.shape for region in regions.of(mark.key)]
    if len(shown) < 2 or mark.shape == "line":
        return False
    colours = []
    for shape in shown:
        x, y = (vertices(shape) * pixels.shape[1] / regions.width).T
        inside = pixels[polygon(y, x, pixels.shape[:2])]
        if not len(inside):
            return False
        colours.append(linear_to_lab(decode_srgb(np.median(inside, axis=0) / 255)))
    return bool(difference(colours[-1], np.array(colours[:-1])).min() > UNLIKE)
