"""What a measurement is made of: readings, relations and their uncertainty budgets.

All colours are CIELAB for the CIE 1931 2 degree observer and illuminant D65 (the light the photo
was taken in has been calibrated away). Uncertainties are standard uncertainties (k = 1) unless a
name says "expanded", which holds with 95 %.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

Lab = tuple[float, float, float]
Triple = Lab  # any three numbers
COVERAGE = 0.95  # of an expanded uncertainty
COVERAGE_FACTOR = 2.0  # of one number: 95 % of a normal distribution lie so many deviations out


def triple(values: Iterable[float]) -> Triple:
    """Three plain floats."""
    one, two, three = (float(v) for v in values)
    return one, two, three


@dataclass(frozen=True)
class UncertaintyPart:
    """One named cause of uncertainty, as standard uncertainties along three directions.

    Args:
        name: What causes it: "card", "spread", "light", "camera" ...
        lightness, chroma: Along L*; along C*, that is away from or towards grey.
        hue: Across C*, that is along Delta H*, in the units of a* and b*.
        source: Where the number comes from.
    """

    name: str
    lightness: float
    chroma: float
    hue: float
    source: str

    @property
    def along(self) -> npt.NDArray[np.float64]:
        """Along L*, C* and Delta H*; (3,)."""
        return np.array([self.lightness, self.chroma, self.hue])


@dataclass(frozen=True)
class Budget:
    """All parts of the uncertainty of one colour; parts are taken as independent (JCGM 100)."""

    parts: tuple[UncertaintyPart, ...] = ()

    @cached_property
    def combined(self) -> tuple[float, float, float]:
        """Root sum of squares over the parts: lightness, chroma, hue (k = 1)."""
        table = np.array([part.along for part in self.parts]).reshape(-1, 3)
        return triple(np.sqrt((table**2).sum(axis=0)))

    def covariance(self, lab: Lab) -> npt.NDArray[np.float64]:
        """Covariance of (L*, a*, b*) at a colour; a (3, 3) array."""
        light, chroma, hue = self.combined
        turn = axes_at(lab)
        return turn @ np.diag([light**2, chroma**2, hue**2]) @ turn.T

    def radius(self, lab: Lab) -> float:
        """Standard uncertainty of a colour as one distance: root mean square of CIEDE2000.

        The CIEDE2000 weights S_L, S_C, S_H (Sharma, Wu & Dalal 2005, eqs 15-17; the rotation term
        is left out) turn each direction into difference units before the root sum of squares.
        """
        return float(np.linalg.norm(np.divide(self.combined, difference_weights(lab))))

    def expanded(self, lab: Lab) -> float:
        """Radius that holds 95 % of what a colour may truly be, see :func:`coverage_radius`."""
        return float(coverage_radius(np.divide(self.combined, difference_weights(lab))))


def coverage_radius(deviations: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Distance (...) within which 95 % lie of what is off by independent normal deviations.

    Their standard deviations (..., 3) are in three directions and in one unit. The square of the
    distance is taken for a chi-square of the same mean and variance (Satterthwaite 1946, as JCGM
    100:2008, G.4): 1.96 times the root sum of squares where one direction is all, 1.61 times where
    three are alike.
    """
    squares = np.asarray(deviations, float) ** 2
    whole = squares.sum(axis=-1)
    freedom = whole**2 / np.maximum((squares**2).sum(axis=-1), np.finfo(float).tiny)
    freedom = np.maximum(freedom, 1.0)  # nothing off at all
    return np.asarray(np.sqrt(whole * chdtri(freedom, 1 - COVERAGE) / freedom))


def axes_along(hue: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Directions of L*, C* and Delta H* at hues (radians), the columns of (..., 3, 3) arrays."""
    axes = np.zeros((*np.shape(hue), 3, 3))
    axes[..., 0, 0] = 1
    axes[..., 1, 1] = axes[..., 2, 2] = np.cos(hue)
    axes[..., 2, 1] = np.sin(hue)
    axes[..., 1, 2] = -axes[..., 2, 1]
    return axes


def axes_at(lab: Lab) -> npt.NDArray[np.float64]:
    """Directions of L*, C* and Delta H* at a colour, as the columns of a (3, 3) array.

    Small differences (n, 3) of L*, a*, b* times it are those along L*, C* and Delta H*.
    """
    return axes_along(math.atan2(lab[2], lab[1]))


def weights_along(
    light: npt.ArrayLike, chroma: npt.ArrayLike, hue: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """S_L, S_C and S_H of CIEDE2000 (Sharma, Wu & Dalal 2005, eqs 15-17); (...) to (..., 3).

    L*, C* and hue (radians) are the mean of the two colours compared.
    """
    off, chroma, hue = np.asarray(light) - 50, np.asarray(chroma), np.asarray(hue)
    t = (
        1
        - 0.17 * np.cos(hue - math.radians(30))
        + 0.24 * np.cos(2 * hue)
        + 0.32 * np.cos(3 * hue + math.radians(6))
        - 0.20 * np.cos(4 * hue - math.radians(63))
    )
    s_l = 1 + 0.015 * off**2 / np.sqrt(20 + off**2)
    return np.stack([s_l, 1 + 0.045 * chroma, 1 + 0.015 * chroma * t], axis=-1)


def difference_weights(lab: Lab) -> tuple[float, float, float]:
    """S_L, S_C and S_H of CIEDE2000 at a colour."""
    light, a, b = lab
    return triple(weights_along(light, math.hypot(a, b), math.atan2(b, a)))


@dataclass(frozen=True)
class Population:
    """One colour found inside a region and the share of its used pixels."""

    lab: Lab
    fraction: float


@dataclass(frozen=True)
class PixelCount:
    """Pixels of a region: all, those left out and why, and those used."""

    total: int
    clipped: int
    glare: int
    dark: int
    used: int


@dataclass(frozen=True)
class Reading:
    """The measured colour of one mark.

    Args:
        mark, regions: Its key, and the ids of the regions pooled.
        lab ((L*, a*, b*)): Median, D65, 2 degrees.
        spread ((float, float, float)): Robust standard deviation of the pixels along L*, a*, b*.
        populations: Colours found, largest share first.
        calibrated: False when the photo had no usable card: the colour is as the camera wrote it.
        warnings: Plain sentences a keeper can act on.
        looks: Effective number of independent values behind the median; 0 when it is not known.
        anchors: L* of the cards the light was fitted on.
        tone_known: The tone was fitted or is straight: lightness is not less certain away from the
            cards.
    """

    mark: str
    regions: tuple[str, ...]
    lab: Lab
    spread: tuple[float, float, float]
    populations: tuple[Population, ...]
    budget: Budget
    pixels: PixelCount
    calibrated: bool
    warnings: tuple[str, ...] = ()
    looks: float = 0.0
    anchors: tuple[float, ...] = ()
    tone_known: bool = False

    @property
    def chroma(self) -> float:
        """C*, the distance from grey."""
        return math.hypot(self.lab[1], self.lab[2])

    @property
    def hue(self) -> float:
        """Hue angle h in degrees, 0 to 360."""
        return math.degrees(math.atan2(self.lab[2], self.lab[1])) % 360

    @property
    def expanded(self) -> float:
        """Uncertainty, 95 %, in CIEDE2000 units."""
        return self.budget.expanded(self.lab)


@dataclass(frozen=True)
class Relation:
    """A comparison inside one photo, which needs no card.

    Args:
        key: Key of a row in ``data/relations.toml``, such as "rump_as_back".
        kind: "same": CIEDE2000 between two marks. "fade": CIEDE2000 by which the first mark has
            less colour than the second in the same light (negative when it has more). "dark": share
            of a thin edge's light that its two neighbours do not explain. "ring": ring width over
            eye diameter, 0 when no bare ring stands out. "size": millimetres.
        expanded: Uncertainty of ``value``, 95 %, in the same units.
        regions: Ids of the regions used.
        note: How the number came about, in one sentence.
    """

    key: str
    kind: str
    value: float
    expanded: float
    regions: tuple[str, ...]
    note: str = ""
