"""Uncertainty: the named parts that make up the budget of a reading.

Every part is a standard uncertainty (k = 1) along lightness, chroma and hue, so that parts with
different causes add as squares (JCGM 100:2008, 5.1). A relative error r of the light moves a
colour along the line to black: CIELAB goes with the cube root of the light, so L* changes by
(L* + 16) / 3 times r and C* by C* / 3 times r (CIE 15, derivative of the CIELAB formulae). What a
reading may truly be is drawn from its budget (JCGM 101: propagation by random draws).
"""

import math
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from fieldmarks.measure.calibration import (
    CARD_TOLERANCE,
    DEFAULT_REFLECTANCE,
    WARN_CAST,
    Calibration,
)
from fieldmarks.measure.colour import (
    difference,
    lab_to_linear,
    lab_to_polar,
    lightness_to_reflectance,
    linear_to_lab,
)
from fieldmarks.measure.correction import hull_distance
from fieldmarks.measure.quantities import (
    Lab,
    Reading,
    UncertaintyPart,
    axes_at,
    difference_weights,
    triple,
)
from fieldmarks.measure.scatter import Patchwork, error_of_middle, medians

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class CameraPart:
    """What is left of a camera's rendering after one grey card: standard uncertainties.

    Args:
        lightness, colour: Along L*; along and across C*, for any colour.
        tone: Of the exponent of a power about the card's light: ln(Y / Y of the card) times it is a
            relative error of the light.
        saturation, hue: Along and across C*, as shares of C*.
    """

    lightness: float
    colour: float
    tone: float
    saturation: float
    hue: float


# Sized on 19 real chart photos by eight devices (nine of ten by phones), each patch read after one
# card of neutral 5 and one of neutral 6.5: benchmarks/real_photos.py, which also leaves each device
# out. Within what is about as likely, those numbers by which 93 to 97 % lie inside for either card.
# Phones draw black darker (L* 3 to 18 where it is 21), white brighter and colours up to 1.4
# times too vivid; a few draw them duller, so this is doubt, and nothing is corrected for it.
PHONE = CameraPart(4.1, 2.0, 0.14, 0.18, 0.08)
# Camera raw, where only lamp and sensor speak: simulated charts under six lamps, two cameras
# (phone rendering 0 of benchmarks/chart.py). No real raw file was measured.
RAW = CameraPart(1.0, 0.8, 0.03, 0.10, 0.09)
# At an end of its range a camera bends colours more: a stored channel above this share of white, or
# a colour brighter than a perfect white or with a channel near nothing in calibrated linear light.
# The same real charts: such patches are off by 1.3 times as much.
BRIGHT_END, MOST_LIGHT, LEAST_LIGHT, END_FACTOR = 0.92, 1.0, 0.005, 1.3
# Without a card: relative standard uncertainty of the exposure, and of a* and b* of a white. The
# same charts as the cameras wrote them.
EXPOSURE, CAST = 0.33, 5.4
# A strong cast leaves more behind: on two real photos under a warm lamp (C* of the card above 30)
# 86 % of the patches kept to the budget without this, on two by a window 98 % (no phones).
CAST_FACTOR = 1.3
# Light that the lens scatters over the picture, as a share of a perfect white: the black patch of
# four real photos by straight cameras read 0.003 to 0.011 too bright, root mean square 0.007. On
# phones the tone curve hides it. A smeared phone lens scatters more.
VEILING_GLARE = 0.007
FOOT = 6 / 29  # of the cube root in CIELAB (CIE 15), where its straight foot ends
# Feathers do not face the light as the card does. Sized on rendered birds with shaded bodies
# (benchmarks/bird_scenes.py); no real bird was measured for it.
LIGHT_DEFAULT = 0.06
# Share of the slope across a card that the light goes on with: planes fitted over 43 real charts
# (given with ../shared/photos). An edge of shadow between card and bird is not seen by it.
SLOPE_SHARE = 0.28
REACH = 3.0  # card sizes over which a slope is carried on; further out it says no more
# Share of the chroma and hue terms that stays once neutral steps have straightened the tone curve
# (a bent tone curve also bends saturation); benchmarks/colour_correction.py.
STEPS_SHARE = 0.8
# A colour outside the patches' hull is extrapolated: added per CIELAB unit of distance.
EXTRAPOLATION = 0.05
# Regions of one mark that differ in L* by more than this, and in colour by no more than a change of
# brightness makes, lie on a sun side and a shade side.
SIDES_LIGHTNESS, SIDES_COLOUR = 8.0, 4.0
CAMERA, SPREAD, GLARE = "camera", "spread", "veiling glare"  # names of parts
SOURCES = {
    "card": "grain of the card region, and 3 % that bought cards keep to (from memory)",
    "spread": "scatter within the region over its effective sample size (spatial correlation)",
    "sides": "regions that differ in brightness but not in colour: a sun side and a shade side",
    "light": "6 % assumed between card and bird; with distance more, where the card is uneven",
    "veiling glare": "light the lens scatters over the photo: black in four real photos of a chart",
    "camera": "real photos of charts after one grey card: tone, saturation, hue",
    "no card": "exposure and cast unknown: real photos of charts as the cameras wrote them",
    "raw": "camera raw, no rendering: simulated charts under six lamps after one grey patch",
}


def light_part(lab: Lab, relative: float, name: str, source: str) -> UncertaintyPart:
    """A relative uncertainty of the light as a part of the budget of a colour."""
    light, chroma = (lab[0] + 16) / 3 * relative, math.hypot(lab[1], lab[2]) / 3 * relative
    return UncertaintyPart(name, light, chroma, 0.0, source)


def card_part(lab: Lab, linear: npt.NDArray, calibration: Calibration) -> UncertaintyPart:
    """Noise of the card's channels and the card's own tolerance.

    The noise is carried to CIELAB at a calibrated ``linear`` colour (3,) near ``lab``.
    """
    relative = math.hypot(*(p.noise for p in calibration.patches)) / len(calibration.patches)
    # One channel at a time, and last the colour itself: in mixed feathers the median of the light
    # is not quite that of the colour, and only the noise may count.
    bent = linear_to_lab(np.asarray(linear, float) * (1 + relative * np.eye(4, 3)))
    delta = bent[:3] - bent[3]
    whole = light_part(lab, CARD_TOLERANCE / math.sqrt(len(calibration.patches)), "card", "")
    light, away, across = (delta @ axes_at(lab)).T
    return UncertaintyPart(
        "card",
        math.hypot(whole.lightness, *light),
        math.hypot(whole.chroma, *away),
        math.hypot(*across),
        SOURCES["card"],
    )


def glare_part(lab: Lab, anchors: Sequence[float]) -> UncertaintyPart:
    """Light that the lens scatters over the whole picture (ISO 9358 calls it veiling glare).

    It adds the same to every channel of every part, and of the cards, which then count as brighter
    than they are: a colour moves by s (1 - Y m), where m is the mean of 1 / Y over the cards of L*
    ``anchors``, weighted as :func:`~fieldmarks.measure.calibration.calibrate` weights them; a mid
    grey where there is none.
    """
    # On X, Y and Z over those of white, as a veil is as white as white: CIE 15, without arrays.
    middle, pull = (lab[0] + 16) / 116, _mean_inverse(tuple(anchors))
    roots = (middle + lab[1] / 500, middle, middle - lab[2] / 200)
    lights = (light + VEILING_GLARE * (1 - light * pull) for light in map(_cube, roots))
    x, y, z = (_cube_root(light) - root for light, root in zip(lights, roots, strict=True))
    moved = np.array([116 * y, 500 * (x - y), 200 * (y - z)])
    light, away, across = (abs(float(d)) for d in moved @ axes_at(lab))
    return UncertaintyPart(GLARE, light, away, across, SOURCES[GLARE])


@lru_cache(maxsize=64)
def _mean_inverse(anchors: tuple[float, ...]) -> float:
    """Mean of 1 / Y over cards of known L*, weighted by Y^(2/3)."""
    known = [lightness_to_reflectance(light) for light in anchors] or [DEFAULT_REFLECTANCE]
    return float(np.average([1 / y for y in known], weights=[y ** (2 / 3) for y in known]))


def _cube_root(light: float) -> float:
    """The f of CIELAB (CIE 15): a cube root with a straight foot."""
    return light ** (1 / 3) if light > FOOT**3 else light / (3 * FOOT**2) + 4 / 29


def _cube(root: float) -> float:
    """Inverse of :func:`_cube_root`."""
    return root**3 if root > FOOT else 3 * FOOT**2 * (root - 4 / 29)


def spread_part(lab: Lab, works: Sequence[Patchwork]) -> tuple[UncertaintyPart, float]:
    """Uncertainty of a mark's median from its own texture, and the number of looks behind it.

    That is the effective number of independent values, see :mod:`fieldmarks.measure.scatter`;
    ``works`` are the CIELAB values (n, 3) of each region of the mark on its grid of blocks.
    """
    turn = axes_at(lab)
    turned = [Patchwork(w.values @ turn.astype(w.values.dtype), w.row, w.column) for w in works]
    error, number = error_of_middle(turned)
    light, chroma, hue = (float(e) for e in error)
    sides = len(works) > 1 and two_sides([medians(w.values) for w in works])
    source = SOURCES["sides" if sides else "spread"]
    return UncertaintyPart(SPREAD, light, chroma, hue, source), number


def two_sides(middles: Sequence[npt.NDArray]) -> bool:
    """Whether CIELAB colours of like parts differ as a sun side and a shade side do.

    Less light moves a colour towards (L*, a*, b*) = (-16, 0, 0) along a straight line (CIE 15,
    CIELAB formulae).
    """
    order = sorted(middles, key=lambda lab: float(lab[0]))
    dark, bright = order[0], order[-1]
    if bright[0] - dark[0] <= SIDES_LIGHTNESS:
        return False
    dimmed = bright[1:] * (dark[0] + 16) / (bright[0] + 16)
    return math.hypot(*(dimmed - dark[1:])) <= SIDES_COLOUR


def unevenness(calibration: Calibration, at: tuple[float, float]) -> float:
    """Relative standard uncertainty of the light at a place, given where the cards lie."""
    if not calibration.patches or calibration.plane != (0.0, 0.0):
        return LIGHT_DEFAULT
    nearest = min(calibration.patches, key=lambda p: math.dist(p.at, at))
    away = min(math.dist(nearest.at, at), REACH * nearest.size)
    return math.hypot(LIGHT_DEFAULT, SLOPE_SHARE * math.hypot(*nearest.slope) * away)


def camera_terms(
    lab: Lab, anchors: Sequence[float], rendering: CameraPart = PHONE
) -> tuple[float, float, float]:
    """Standard uncertainties along L*, C* and H* after grey cards of the L* ``anchors`` alone."""
    own = max(_cube((lab[0] + 16) / 116), LEAST_LIGHT / 2)
    away = min(abs(math.log(own / _cube((anchor + 16) / 116))) for anchor in anchors)
    tone = light_part(lab, rendering.tone * away, "", "")
    chroma = math.hypot(lab[1], lab[2])
    return (
        math.hypot(rendering.lightness, tone.lightness),
        math.hypot(rendering.colour, rendering.saturation * chroma, tone.chroma),
        math.hypot(rendering.colour, rendering.hue * chroma),
    )


def no_card_part(lab: Lab) -> UncertaintyPart:
    """Exposure and cast, unknown without a card; a cast moves a*, b* as :func:`cast_share` says."""
    light, cast = light_part(lab, EXPOSURE, "", ""), CAST * cast_share(lab[0])
    chroma = math.hypot(light.chroma, cast)
    return UncertaintyPart("no card", light.lightness, chroma, cast, SOURCES["no card"])


def cast_share(lightness: float) -> float:
    """What a cast does to a*, b* at an L*, over what it does to those of a white.

    It changes the cube roots of the channels by a common amount per unit of L* + 16 (CIE 15).
    """
    return (lightness + 16) / 116


def at_end(lab: Lab, brightest: float) -> bool:
    """Whether a colour lies at an end of what a camera can write or a surface can reflect."""
    linear = lab_to_linear(lab)
    out = linear.max() > MOST_LIGHT or linear.min() < LEAST_LIGHT
    return brightest > BRIGHT_END or bool(out)


def camera_part(lab: Lab, brightest: float, calibration: Calibration) -> UncertaintyPart:
    """What the camera does to tone, saturation and hue and the calibration cannot undo.

    With grey cards it is :func:`camera_terms`. With a fitted correction it is what the patches,
    each left out in turn, were missed by (Student's factor for their number).

    Args:
        brightest: Largest channel of the region as stored in the file, 0..1.
        calibration: Several grey steps measure part of the tone error: their misfit is added.
    """
    factor, rendering, source = 1.0, PHONE, SOURCES[CAMERA]
    if calibration.straight:
        rendering, source = RAW, SOURCES["raw"]
    elif at_end(lab, brightest):
        factor = END_FACTOR
    tone, *colour = camera_terms(lab, calibration.anchors, rendering)
    strong = CAST_FACTOR if calibration.cast > WARN_CAST else 1.0
    plain = [
        factor * math.hypot(tone, calibration.misfit),
        *(factor * strong * c for c in colour),
    ]
    correction = calibration.correction
    if correction is None:
        return UncertaintyPart(CAMERA, *triple(plain), source)
    # Three directions of every patch say how far the radius is off.
    student = float(stdtrit(max(3 * len(correction.known) - 3, 1), 0.975)) / 1.96
    scale = difference_weights(lab)
    seen = [student * r * s for r, s in zip(correction.residual, scale, strict=True)]
    if correction.coefficients:
        beyond = EXTRAPOLATION * hull_distance(correction.known, lab)
        # Never below what was seen on the patches; far outside, no better than grey cards.
        plain = [
            factor * max(s, min(math.hypot(s, beyond), p / factor))
            for s, p in zip(seen, plain, strict=True)
        ]
        source = f"{correction.source}; more outside their colours"
    else:
        lights = [k[0] for k in correction.known]
        beyond = EXTRAPOLATION * max(min(lights) - lab[0], lab[0] - max(lights), 0.0)
        plain = [factor * math.hypot(seen[0], beyond), *(STEPS_SHARE * p for p in plain[1:])]
        source = f"lightness: {correction.source}; chroma and hue: {source}"
    return UncertaintyPart(CAMERA, *triple(plain), source)


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
        squares += (part.along * grown) ** 2
    return triple(np.sqrt(squares))


def _around(lab: Lab, sigma: tuple[float, float, float], normal: Array) -> Array:
    """Colours about ``lab``, from standard normal numbers along L*, C* and Delta H*."""
    angle = math.atan2(lab[2], lab[1])
    away, across = normal[:, 1] * sigma[1], normal[:, 2] * sigma[2]
    light = np.clip(lab[0] + normal[:, 0] * sigma[0], 0, 100)
    a = lab[1] + away * math.cos(angle) - across * math.sin(angle)
    b = lab[2] + away * math.sin(angle) + across * math.cos(angle)
    return np.column_stack([light, a, b])
