"""Uncertainty: the named parts that make up the budget of a reading.

Every part is a standard uncertainty (k = 1) along lightness, chroma and hue, so that parts with
different causes add as squares (JCGM 100:2008, 5.1). A relative error r of the light moves a
colour along the line to black: CIELAB goes with the cube root of the light, so L* changes by
(L* + 16) / 3 times r and C* by C* / 3 times r (CIE 15, derivative of the CIELAB formulae).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from fieldmarks.measure.calibration import Calibration
from fieldmarks.measure.card_patch import CARD_TOLERANCE, DEFAULT_REFLECTANCE, WARN_CAST
from fieldmarks.measure.colour import lightness_to_reflectance, linear_to_lab
from fieldmarks.measure.quantities import Lab, UncertaintyPart, axes_at, difference_weights
from fieldmarks.measure.robust import medians
from fieldmarks.measure.scatter import Patchwork, error_of_middle

# What one grey card cannot take out of an ordinary phone's JPEG: tone curve (grows with the
# distance in L* from the card), saturation and hue bending (grow with C*). Sized so that the
# k = 2 interval holds 95 % of the patches of a *simulated* 24-patch chart on a moderate phone
# rendering, six lamps, two cameras (benchmarks/chart.py), and is on average no smaller than the 8.4
# CIEDE2000 that 95 % of a real phone's chart kept to after one grey patch (from memory). On four
# real photos of a straight camera 98 % of the patches kept to the whole budget
# (benchmarks/results/real_photos.md), on one that was cut off and perhaps worked on 83 %
# (benchmarks/results/real_chart_under_leaf.md).
# The slope of the lightness term is steeper than those charts ask: a strong rendering moves the
# pale and dark marks of rendered birds (eye ring, flights) by 7 to 11 in L*. Sized on 120 scenes of
# their own; on those of benchmarks/bird_scenes.py 94 and 97 % of these marks keep to it. Our
# simulated tone curve leaves black where it is: below NEAR_BLACK in L* the slope fades out. What
# lifts black is STRAY_LIGHT.
CAMERA_LIGHTNESS = (1.5, 0.10)
NEAR_BLACK = 18.0
CAMERA_CHROMA = (0.8, 0.14)
CAMERA_HUE = (0.8, 0.10)
# The same for camera raw, where only lamp and sensor speak (phone rendering 0 of the same trials).
RAW_LIGHTNESS = (1.0, 0.02)
RAW_CHROMA = (0.8, 0.10)
RAW_HUE = (0.8, 0.09)
# Without a card nothing is known of exposure and cast: standard uncertainties added along L*, C*
# and H* (simulated charts and birds as the camera wrote them, benchmarks/colour_correction.py).
NO_CARD = (3.0, 2.0, 2.0)
# Near the top of its range a camera bends colours more: on a real chart photo the patches with a
# channel above this share of white were off by 2 to 3 times as much as the others.
SHOULDER, SHOULDER_FACTOR = 0.92, 1.5
# A strong cast leaves more behind: on two real photos under a warm lamp (C* of the card above 30)
# 86 % of the patches kept to the budget without this, on two by a window 98 %
# (benchmarks/real_photos.py).
CAST_FACTOR = 1.3
# Light that the lens scatters over the picture, as a share of a perfect white: the black patch of
# four real photos of a chart read 0.003 to 0.011 too bright, root mean square 0.007
# (benchmarks/real_photos.py). A smeared phone lens scatters more.
STRAY_LIGHT = 0.007
FOOT = 6 / 29  # of the cube root in CIELAB (CIE 15), where its straight foot ends
# Feathers do not face the light as the card does. Sized on rendered birds with shaded bodies
# (benchmarks/bird_scenes.py); no real bird was measured for it.
LIGHT_DEFAULT = 0.06
# A soft shadow that begins on the card is steeper further in: its slope on the card, carried on to
# the bird, counts this many times. On the same birds a card with an even face has hardly any slope.
SHADOW_FACTOR = 4.0
REACH = 3.0  # card sizes over which a slope is carried on; further out it says no more
LIGHT_LIMIT = 0.30
# Share of the chroma and hue terms that stays once neutral steps have straightened the tone curve
# (a bent tone curve also bends saturation); benchmarks/colour_correction.py.
STEPS_SHARE = 0.8
# A colour outside the patches' hull is extrapolated: added per CIELAB unit of distance.
EXTRAPOLATION = 0.25
# Regions of one mark that differ in L* by more than this, and in colour by no more than a change of
# brightness makes, lie on a sun side and a shade side.
SIDES_LIGHTNESS, SIDES_COLOUR = 8.0, 4.0
SOURCES = {
    "card": "grain of the card region, and 3 % that bought cards keep to (from memory)",
    "spread": "scatter inside the region over its independent looks (spatial correlation)",
    "sides": "regions that differ in brightness but not in colour: a sun side and a shade side",
    "light": "6 % assumed between card and bird; with distance more, where the card is uneven",
    "stray light": "light the lens scatters over the photo: black in four real photos of a chart",
    "camera": "simulated charts on a moderate phone after one grey patch: tone, saturation, hue",
    "no card": "no card: exposure and cast unknown; simulated charts as the camera wrote them",
    "raw": "camera raw, no rendering: simulated charts under six lamps after one grey patch",
}


def light_part(lab: Lab, relative: float, name: str, source: str) -> UncertaintyPart:
    """A relative uncertainty of the light as a part of the budget of a colour."""
    light, chroma = (lab[0] + 16) / 3 * relative, math.hypot(lab[1], lab[2]) / 3 * relative
    return UncertaintyPart(name, light, chroma, 0.0, source)


def card_part(lab: Lab, linear: npt.NDArray, calibration: Calibration) -> UncertaintyPart:
    """Noise of the card's channels and the card's own tolerance.

    Parameters
    ----------
    lab : (L*, a*, b*)
    linear : (3,) array
        A calibrated linear colour near ``lab``, at which the noise is carried to CIELAB.
    calibration : Calibration
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


def stray_part(lab: Lab, anchors: Sequence[float]) -> UncertaintyPart:
    """Light that the lens scatters over the whole picture (ISO 9358 calls it veiling glare).

    It adds the same to every channel of every part, and of the cards, which then count as brighter
    than they are: a colour moves by s (1 - Y m), where m is the mean of 1 / Y over the cards.

    Parameters
    ----------
    lab : (L*, a*, b*)
    anchors : sequence of float
        L* of the cards, weighted as :func:`~fieldmarks.measure.calibration.calibrate` weights them;
        a mid grey where there is none.
    """
    # On X, Y and Z over those of white, as a veil is as white as white: CIE 15, without arrays.
    middle, pull = (lab[0] + 16) / 116, _mean_inverse(tuple(anchors))
    x, y, z = (
        _cube_root(_veiled(_cube(root), pull)) - root
        for root in (middle + lab[1] / 500, middle, middle - lab[2] / 200)
    )
    moved = np.array([116 * y, 500 * (x - y), 200 * (y - z)])
    light, away, across = (abs(float(d)) for d in moved @ axes_at(lab))
    return UncertaintyPart("stray light", light, away, across, SOURCES["stray light"])


def _veiled(light: float, pull: float) -> float:
    return light + STRAY_LIGHT * (1 - light * pull)


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
    """Uncertainty of the region's median from its own texture, and the number of looks behind it.

    Parameters
    ----------
    lab : (L*, a*, b*)
    works : sequence of Patchwork
        CIELAB values (n, 3) of each region of the mark on its grid of blocks.

    Returns
    -------
    part : UncertaintyPart
    looks : float
        Effective number of independent values, see :mod:`fieldmarks.measure.scatter`.
    """
    turn = axes_at(lab)
    turned = [Patchwork(w.values @ turn.astype(w.values.dtype), w.row, w.column) for w in works]
    error, number = error_of_middle(turned)
    light, chroma, hue = (float(e) for e in error)
    sides = len(works) > 1 and two_sides([medians(w.values) for w in works])
    source = SOURCES["sides" if sides else "spread"]
    return UncertaintyPart("spread", light, chroma, hue, source), number


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
    drift = SHADOW_FACTOR * math.hypot(*nearest.slope) * away
    return math.hypot(LIGHT_DEFAULT, min(drift, LIGHT_LIMIT))


def tone_error(
    lightness: float, anchors: Sequence[float], terms: tuple[float, float] = CAMERA_LIGHTNESS
) -> float:
    """Standard uncertainty of L* from a bent tone curve, given the L* at which cards hold it."""
    away = min(abs(anchor - lightness) for anchor in anchors)
    return terms[0] + terms[1] * away * min(max(lightness, 0.0) / NEAR_BLACK, 1.0)


def camera_part(lab: Lab, brightest: float, calibration: Calibration) -> UncertaintyPart:
    """What the camera does to tone, saturation and hue and the calibration cannot undo.

    With one grey card it is the table at the head of this module. With a fitted correction it is
    what the patches, each left out in turn, were missed by (Student's factor for their number).

    Parameters
    ----------
    lab : (L*, a*, b*)
    brightest : float
        Largest channel of the region's median as stored in the file, 0..1.
    calibration : Calibration
        Several grey steps measure part of the tone error: their misfit is added.
    """
    chroma = math.hypot(lab[1], lab[2])
    factor = SHOULDER_FACTOR if brightest > SHOULDER else 1.0
    rows = (CAMERA_LIGHTNESS, CAMERA_CHROMA, CAMERA_HUE)
    source = SOURCES["camera"]
    if calibration.straight:
        rows, factor, source = (RAW_LIGHTNESS, RAW_CHROMA, RAW_HUE), 1.0, SOURCES["raw"]
    tone = tone_error(lab[0], calibration.anchors, rows[0])
    plain = (
        factor * math.hypot(tone, calibration.misfit),
        factor * (rows[1][0] + rows[1][1] * chroma),
        factor * (rows[2][0] + rows[2][1] * chroma),
    )
    if calibration.cast > WARN_CAST:
        plain = (plain[0], CAST_FACTOR * plain[1], CAST_FACTOR * plain[2])
    if not calibration.calibrated:
        light, chroma_u, hue = (math.hypot(p, n) for p, n in zip(plain, NO_CARD, strict=True))
        plain = (light, chroma_u, hue)
        source = SOURCES["no card"]
    correction = calibration.correction
    if correction is None:
        return UncertaintyPart("camera", *plain, source)
    count = len(correction.known)
    student = float(stdtrit(max(count - 1, 1), 0.975)) / 1.96
    scale = difference_weights(lab)
    if correction.coefficients:
        beyond = EXTRAPOLATION * correction.outside(lab)
        fitted = [
            # Never below what was seen on the patches; far outside, no better than one grey card.
            max(
                factor * student * r * s,
                min(factor * math.hypot(student * r * s, beyond), p),
            )
            for r, s, p in zip(correction.residual, scale, plain, strict=True)
        ]
        source = f"{correction.source}; more outside their colours"
    else:
        lights = [k[0] for k in correction.known]
        beyond = EXTRAPOLATION * max(min(lights) - lab[0], lab[0] - max(lights), 0.0)
        fitted = [
            factor * math.hypot(student * correction.residual[0] * scale[0], beyond),
            STEPS_SHARE * plain[1],
            STEPS_SHARE * plain[2],
        ]
        source = f"lightness: {correction.source}; chroma and hue: {source}"
    return UncertaintyPart("camera", fitted[0], fitted[1], fitted[2], source)
