"""Eye: the dark disc of pupil and iris near a tap, and the pale ring of bare skin round it.

The disc is sought with the integral over circles of the rise in lightness (Daugman 1993). Both
borders are then closed paths of the steepest step over the angle, found by dynamic programming. A
second plain rise between them means a light eye: the disc was its pupil.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from fieldmarks.measure.outlines.axes import Crop, Floats

UNIT = 96.0  # pixels from eye to beak tip at which eyes are looked at
ANGLES = 48
_TURN = np.linspace(0, 2 * np.pi, ANGLES, endpoint=False)
CIRCLE = np.stack([np.cos(_TURN), np.sin(_TURN)], axis=1)
# All lengths are in units of the axes: from the eye to the tip of the beak.
SMALLEST, LARGEST = 0.05, 0.20  # radius of the dark disc
STEP = 0.01
RADII = np.arange(0.02, 0.42, STEP) * UNIT  # pixels
BLUR = 0.012
RING = 0.20  # widest bare skin outside the iris
SHARP = 12.0  # step in lightness round a border that is plain to see
PUPIL = 0.03  # least width of an iris
BEND = 0.6  # cost of a path's step to the next radius, as of lightness


@dataclass(frozen=True, eq=False)
class Eye:
    """An eye found in a crop, in its pixels.

    Args:
        middle: (2,) array.
        iris, ring ((ANGLES, 2) arrays): The outer borders of the iris and of the bare skin round
            it.
        iris_step: Step at the iris's border that four fifths of the circle reach, in units of L*.
        pupil ((ANGLES, 2) array, optional): Of a light eye. In a dark one it hardly differs from
            the iris.
    """

    middle: Floats
    iris: Floats
    ring: Floats
    iris_step: float
    pupil: Floats | None = None


def find_eye(crop: Crop, tap: Floats, reach: float = 0.25) -> Eye | None:
    """The eye near a tap; None when nothing dark and round with a lighter border is near.

    Args:
        crop: In which it is roughly UNIT pixels from eye to beak tip.
        tap ((2,) array): In photo pixels.
        reach: How far from the tap it may be, in units.
    """
    light = cv2.GaussianBlur(np.ascontiguousarray(crop.lab[..., 0]), (0, 0), 0.018 * UNIT)
    found = _disc(light, crop.into(tap), reach * UNIT)
    if found is None:
        return None
    smooth = cv2.GaussianBlur(crop.lab, (0, 0), BLUR * UNIT)
    middle, radius = found
    for _ in range(2):
        meant = _meant(0.5 * radius, max(1.9 * radius, 0.13 * UNIT))
        iris, iris_step, _ = _border(_polar(smooth, middle)[..., 0], meant, middle)
        middle = iris.mean(axis=0)
        radius = mean_radius(iris, middle)
    eye = Eye(middle, iris, _ring(smooth, middle, iris), iris_step)
    return _told_from_pupil(eye, smooth)


def mean_radius(border: Floats, middle: Floats) -> float:
    """Mean distance of a closed path (n, 2) from its middle."""
    return float(np.hypot(*(border - middle).T).mean())


def _meant(low: Floats | float, high: Floats | float) -> Floats:
    """Where a border may run: between two radii at each angle, or at all; (radii, angles or 1)."""
    radii = RADII[:, None]
    return (radii > low) & (radii < high)


def _border(polar: Floats, meant: Floats, middle: Floats) -> tuple[Floats, float, bool]:
    """The closed path of the steepest rise outwards, (ANGLES, 2).

    And the rise that four fifths of it reach, and whether it kept to where it is ``meant`` to run.
    ``polar`` (radii, angles) is what lies round the middle.
    """
    rise = np.zeros_like(polar)
    rise[1:-1] = polar[2:] - polar[:-2]
    path = _closed_path(np.where(meant, np.clip(rise, -5, 25), -50))
    on_path = np.s_[path, np.arange(ANGLES)]
    kept = np.broadcast_to(meant, rise.shape)[on_path].all()
    step = float(np.percentile(rise[on_path], 20))
    return middle + RADII[path][:, None] * CIRCLE, step, bool(kept)


def _told_from_pupil(eye: Eye, smooth: Floats) -> Eye:
    """The eye, a light one when a second rise all round says that its dark disc is the pupil."""
    inner, outer = (_radii(points, eye.middle) for points in (eye.iris, eye.ring))
    meant = _meant(inner + PUPIL * UNIT, outer - 0.02 * UNIT)
    if not meant.any(axis=0).all():
        return eye
    iris, step, kept = _border(_polar(smooth, eye.middle)[..., 0], meant, eye.middle)
    light_eye = Eye(eye.middle, iris, eye.ring, step, pupil=eye.iris)
    return light_eye if kept and step >= SHARP else eye


def _radii(points: Floats, middle: Floats) -> Floats:
    """How far a closed path lies from its middle at each angle."""
    away = points - middle
    turn = np.arctan2(away[:, 1], away[:, 0])
    return np.asarray(np.interp(_TURN, turn, np.hypot(*away.T), period=2 * np.pi))


def _disc(light: Floats, tap: Floats, reach: float) -> tuple[Floats, float] | None:
    """Middle and radius of the dark disc with the steadiest rise of lightness at its rim."""
    radii = np.arange(SMALLEST, LARGEST, STEP) * UNIT
    step = 0.02 * UNIT
    count = int(reach / step)
    offsets = np.mgrid[-count : count + 1, -count : count + 1].reshape(2, -1).T * step
    offsets = offsets[np.hypot(*offsets.T) <= reach]
    height, width = light.shape
    middles = tap + offsets
    middles = middles[((middles > 0) & (middles < [width, height])).all(axis=1)]
    if not len(middles):
        return None
    # (radius, middle, angle): every circle about every middle at once.
    seen = _sampled(light, middles[:, None] + radii[:, None, None, None] * CIRCLE[::2])
    rise = np.sort(np.clip(seen[2:] - seen[:-2], -10, 25), axis=2)
    steady = rise[..., int(0.3 * rise.shape[2])] + 0.5 * rise.mean(axis=2)
    inside = seen.mean(axis=2).cumsum(axis=0)[1:-1] / np.arange(2, len(radii))[:, None]
    away = np.hypot(*(middles - tap).T) / reach
    score = steady - 0.25 * np.maximum(0, inside - 15) - 4 * away**2
    best_radius, best = np.unravel_index(int(score.argmax()), score.shape)
    if steady[best_radius, best] <= 0:
        return None
    return middles[best], float(radii[1 + best_radius])


def _ring(smooth: Floats, middle: Floats, iris: Floats) -> Floats:
    """Outer border of the pale skin: where it turns darker or more colourful."""
    inner = _radii(iris, middle)
    polar = _polar(smooth, middle)
    pale = polar[..., 0] - 0.7 * np.hypot(polar[..., 1], polar[..., 2])
    return _border(-pale, _meant(inner + 0.02 * UNIT, inner.mean() + RING * UNIT), middle)[0]


def _polar(picture: Floats, middle: Floats) -> Floats:
    """A picture along rays from a place: (radius, angle) or (radius, angle, channel)."""
    return _sampled(picture, middle + RADII[:, None, None] * CIRCLE)


def _sampled(picture: Floats, places: Floats) -> Floats:
    """A picture at places (..., 2) in pixels: (...) or (..., channel)."""
    where: Floats = (places - 0.5).astype(np.float32).reshape(len(places), -1, 2)
    across, down = np.ascontiguousarray(np.moveaxis(where, -1, 0))
    seen = cv2.remap(picture, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return seen.reshape(*places.shape[:-1], *picture.shape[2:])


def _closed_path(gain: Floats) -> npt.NDArray[np.intp]:
    """The closed path over all angles with the largest sum; it moves one radius at a time.

    From gains (radii, angles) to the number of the radius at each angle, (angles,).
    """
    count, angles = gain.shape
    total = gain[:, 0].astype(float)
    came = np.zeros((3 * angles, count), np.intp)
    rows = np.arange(count)
    # Three rounds: the middle one begins and ends as the others make it.
    for step in range(1, 3 * angles):
        low = np.concatenate([[-np.inf], total[:-1] - BEND])
        high = np.concatenate([total[1:] - BEND, [-np.inf]])
        choice = np.stack([low, total, high])
        pick = choice.argmax(axis=0)
        came[step] = rows + pick - 1
        total = choice[pick, rows] + gain[:, step % angles]
    path = np.zeros(3 * angles, np.intp)
    path[-1] = int(total.argmax())
    for step in range(3 * angles - 1, 0, -1):
        path[step - 1] = came[step, path[step]]
    return path[angles : 2 * angles]
