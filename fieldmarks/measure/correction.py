"""Correction: what a camera did to tone and colour, undone by a few numbers.

A photo's linear light passes three steps, in the order in which a camera applied them last to
first: a tone curve shared by the channels, one gain per channel, and a colour model (gains alone,
a 3 x 3 matrix, or a root-polynomial of degree 2).
:mod:`fieldmarks.measure.fitting` finds the numbers from patches of known colour; this module
applies them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, QhullError

from fieldmarks.measure.quantities import Lab

Array = npt.NDArray[np.floating]
Triple = tuple[float, float, float]
Basis = Literal["gains", "matrix", "root-polynomial"]
TERMS: dict[str, int] = {"gains": 1, "matrix": 3, "root-polynomial": 6}
INSIDE = 1.0  # CIELAB units; a colour this little outside the patches' hull counts as inside


@dataclass(frozen=True)
class Correction:
    """A fitted model of one camera's rendering.

    Parameters
    ----------
    basis : "gains", "matrix" or "root-polynomial"
    tone : (float, float)
        Bend and contrast of the tone curve, see :func:`straighten`.
    gains : (float, float, float)
        Factor per linear channel after the tone curve.
    coefficients : tuple of three tuples
        Red, green and blue rows of the colour model; empty for gains alone.
    known : tuple of Lab
        CIELAB of the patches behind the fit: inside their hull the model interpolates.
    residual : (float, float, float)
        Root mean square of the left-out patches' errors along L*, C* and H*, each divided by
        CIEDE2000's S_L, S_C, S_H.
    held_out : (float, float)
        Mean and 95th percentile CIEDE2000 of patches predicted by a fit without them.
    source : str
        Where the patches come from, in words.
    """

    basis: Basis = "gains"
    tone: tuple[float, float] = (0.0, 0.0)
    gains: Triple = (1.0, 1.0, 1.0)
    coefficients: tuple[tuple[float, ...], ...] = ()
    known: tuple[Lab, ...] = ()
    residual: Triple = (0.0, 0.0, 0.0)
    held_out: tuple[float, float] = (0.0, 0.0)
    source: str = ""

    @property
    def name(self) -> str:
        """The model in words."""
        parts = ["tone curve"] if self.tone != (0.0, 0.0) else []
        parts.append({"gains": "gains", "matrix": "3 x 3 matrix"}.get(self.basis, self.basis))
        return " + ".join(parts)

    def apply(self, linear: npt.ArrayLike, light: npt.ArrayLike = 1.0) -> Array:
        """Correct linear light.

        Parameters
        ----------
        linear : (..., 3) array
            Linear RGB of the photo, the file's white at 1.
        light : (...) array or float
            Factor that evens out the light over the photo; it belongs between tone and colour.

        Returns
        -------
        (..., 3) array of linear RGB as under D65, a perfect white at 1.
        """
        linear = np.asarray(linear)
        even = straighten(linear, self.tone) * np.asarray(self.gains, dtype=linear.dtype)
        even = even * np.asarray(light, dtype=linear.dtype)[..., None]
        if not self.coefficients:
            return even
        return terms(even, self.basis) @ np.asarray(self.coefficients, dtype=even.dtype).T

    def with_gains(self, rgb: npt.ArrayLike, reflectance: float) -> Correction:
        """The same camera under another light: gains taken anew from one grey card."""
        card = straighten(np.asarray(rgb, dtype=float), self.tone)
        red, green, blue = reflectance / np.maximum(card, 1e-6)
        return replace(self, gains=(float(red), float(green), float(blue)))

    def outside(self, lab: Lab) -> float:
        """How far a colour lies outside the patches' colours, in CIELAB units; 0 inside."""
        return hull_distance(self.known, lab)


def straighten(linear: Array, tone: tuple[float, float]) -> Array:
    """Undo a tone curve.

    On v = cube root of the light (close to lightness), v becomes
    v + v (1 - v) (bend + contrast (1 - 2 v)): black and the file's white stay where they are.
    The bend is what a gamma does, the contrast is what an S-curve does. Outside 0..1 nothing
    changes, so that colours beyond the sRGB gamut pass through.
    """
    if tone == (0.0, 0.0):
        return linear
    bend, contrast = tone
    v = np.cbrt(linear)
    within = np.clip(v, 0, 1)
    return np.asarray((v + within * (1 - within) * (bend + contrast * (1 - 2 * within))) ** 3)


def is_monotone(tone: tuple[float, float]) -> bool:
    """Whether the tone curve rises everywhere, by a margin that keeps noise from blowing up."""
    v = np.linspace(0, 1, 41)
    bend, contrast = tone
    slope = 1 + bend * (1 - 2 * v) + contrast * (1 - 6 * v + 6 * v**2)
    return bool(slope.min() > 0.25)


def terms(rgb: Array, basis: str) -> Array:
    """Terms of a colour model, (..., 3) -> (..., 3 or 6).

    The root-polynomial of degree 2 adds the roots of the products of two channels, so that the
    model does not change with exposure (Finlayson, Mackiewicz & Hurlbert 2015, eq. 8).
    """
    if basis != "root-polynomial":
        return rgb
    red, green, blue = np.moveaxis(np.maximum(rgb, 0), -1, 0)
    roots = np.sqrt(np.stack([red * green, green * blue, red * blue], axis=-1))
    return np.concatenate([rgb, roots], axis=-1)


def hull_distance(known: tuple[Lab, ...], lab: Lab) -> float:
    """Distance of a colour to the convex hull of others (a lower bound near its corners)."""
    faces = _faces(known)
    if faces is None:
        # No body: every colour but the known ones themselves is an extrapolation.
        if not known:
            return float("inf")
        return float(np.linalg.norm(np.asarray(known) - np.asarray(lab), axis=1).min())
    far = float((faces[:, :3] @ np.asarray(lab) + faces[:, 3]).max())
    return far if far > INSIDE else 0.0


@lru_cache(maxsize=32)
def _faces(known: tuple[Lab, ...]) -> Array | None:
    try:
        return np.asarray(ConvexHull(np.asarray(known)).equations)
    except (QhullError, ValueError, IndexError):
        return None
