"""Draws of what a reading may truly be (JCGM 101: propagation by random draws)."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fieldmarks.measure.colour import difference, lab_to_polar
from fieldmarks.measure.quantities import (
    Lab,
    Reading,
    UncertaintyPart,
    difference_weights,
    triple,
)
from fieldmarks.measure.uncertainty import camera_terms, glare_part, no_card_part

Array = npt.NDArray[np.float64]
CAMERA, SPREAD, GLARE = "camera", "spread", "veiling glare"
# Parts that follow from the colour alone.
ANEW: dict[str, Callable[[Lab, Sequence[float]], UncertaintyPart]] = {
    GLARE: glare_part,
    "no card": lambda lab, _anchors: no_card_part(lab),
}


@dataclass(frozen=True, eq=False)
class ColourDraws:
    """Draws of one reading.

    Args:
        median ((n, 3) array): Draws of its median, CIELAB D65.
        populations ((p, n, 3) array): Draws of each of its colour populations: the same errors,
            carried to their colours.
        fractions ((p,) array): Share of the area of each population.
    """

    reading: Reading
    median: Array
    populations: Array
    fractions: Array

    @cached_property
    def polar(self) -> Array:
        """L*, C* and hue angle of the populations' draws; (3, p, n)."""
        return lab_to_polar(self.populations)

    @cached_property
    def polar_read(self) -> Array:
        """L*, C* and hue angle of the populations as they were read; (3, p, 1)."""
        return lab_to_polar([[p.lab] for p in self.reading.populations])

    @cached_property
    def wander(self) -> float:
        """How far from their middle 95 % of the draws of the median lie, CIEDE2000."""
        middle = np.median(self.median, axis=0)
        return float(np.quantile(difference(self.median, middle), 0.95))


def draw_colours(reading: Reading, count: int, seed: int = 0) -> ColourDraws:
    """Draw possible true colours of a reading and of its populations.

    The errors of one photo strike every colour of a mark together, so all share the same random
    numbers. These depend on the mark and the seed alone: the order of readings does not matter.
    """
    rng = np.random.default_rng([seed, zlib.crc32(reading.mark.encode())])
    normal = rng.standard_normal((count, 3))
    colours = [reading.lab, *(p.lab for p in reading.populations)]
    drawn = np.stack([_around(lab, deviations(reading, lab), normal) for lab in colours])
    fractions = np.array([p.fraction for p in reading.populations])
    return ColourDraws(reading, drawn[0], drawn[1:], fractions)


def deviations(reading: Reading, lab: Lab) -> tuple[float, float, float]:
    """Standard deviations along L*, C* and Delta H* at a colour found in a reading.

    The budget holds at the median. The camera's part is carried to another colour as it grows with
    chroma and away from the cards' lightness, veiling glare and what a missing card leaves unknown
    are worked out anew; all other parts are taken to be equally large there in CIEDE2000 units.
    Where a mark has several colours, its spread tells how far the median may wander between them,
    not how far each colour is off: that part stays behind.
    """
    if lab == reading.lab:
        return reading.budget.combined
    ratio = np.array(difference_weights(lab)) / difference_weights(reading.lab)
    camera = ratio
    if reading.anchors and not reading.tone_known:
        there, here = (camera_terms(c, reading.anchors) for c in (lab, reading.lab))
        camera = np.array(there) / here
    squares = np.zeros(3)
    for part in reading.budget.parts:
        if part.name == SPREAD and len(reading.populations) > 1:
            continue
        if part.name in ANEW:
            part, grown = ANEW[part.name](lab, reading.anchors), np.ones(3)
        else:
            grown = camera if part.name == CAMERA else ratio
        squares += (np.array([part.lightness, part.chroma, part.hue]) * grown) ** 2
    return triple(np.sqrt(squares))


def _around(lab: Lab, sigma: tuple[float, float, float], normal: Array) -> Array:
    """Colours about ``lab``, from standard normal numbers along L*, C* and Delta H*."""
    angle = math.atan2(lab[2], lab[1])
    away, across = normal[:, 1] * sigma[1], normal[:, 2] * sigma[2]
    light = np.clip(lab[0] + normal[:, 0] * sigma[0], 0, 100)
    a = lab[1] + away * math.cos(angle) - across * math.sin(angle)
    b = lab[2] + away * math.sin(angle) + across * math.cos(angle)
    return np.column_stack([light, a, b])
