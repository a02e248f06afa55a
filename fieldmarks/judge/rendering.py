"""Rendering: what one photo does to every colour in it, as a few numbers shared by all its marks.

A photo multiplies the light (exposure and cast), adds a veil of scattered light, bends the tone and
changes the saturation. All of that strikes every mark alike, so it is one unknown of the photo and
not a doubt of each mark by itself.
"""

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from fieldmarks.measure.colour import RGB_TO_XYZ, XYZ_TO_RGB

Array = npt.NDArray[np.float64]

# What each number of a rendering is, in the order of every array here.
TERMS = ("exposure", "red cast", "blue cast", "contrast", "saturation", "veil")
GREY = 0.18  # linear light that a change of contrast leaves where it is
VEIL = 0.01  # unit of the veil, in light relative to white
FLOOR = 0.004  # linear light below which no power is taken
KNEE = 0.03  # softness of the cut at the top, in linear light
WHITE = np.array([0.95047, 1.0, 1.08883])  # XYZ of D65, white Y = 1
TO_XYZ = RGB_TO_XYZ / WHITE[:, None]  # linear light to X / Xn, Y / Yn, Z / Zn
LAB_OF_ROOTS = np.array([[0.0, 116, 0], [500, -500, 0], [0, 200, -200]])
LAB_BY_LIGHT = (LAB_OF_ROOTS.T[:, :, None] * TO_XYZ[:, None]).reshape(3, 9)
FOOT = 6 / 29  # cube root of the light where the straight foot of CIELAB ends (CIE 15)


def render(light: Array, terms: Array, top: float | None = None) -> tuple[Array, Array]:
    """Colours as a photo shows them, and how they move with each term.

    Args:
        light ((..., 3) array): True colours, as linear light on the sRGB primaries.
        terms ((..., 6) array): Rendering, in the order of ``TERMS``: natural logarithms of
            exposure, of the red and the blue channel over the green one, of contrast (a power about
            mid grey) and of saturation; the veil in units of 1 % of white. Broadcast against
            ``light``.
        top: Linear light near which the photo is cut off; None where it is not.

    Returns:
        (..., 3) array: CIELAB. Linear light x on each primary becomes GREY ((x + veil) gain /
        GREY)^contrast, and a* and b* are stretched by the saturation.
        (..., 3, 6) array: The slopes of that, term by term.
    """
    exposure, red, blue, contrast, saturation, veil = np.moveaxis(terms, -1, 0)
    gain = np.exp(exposure[..., None] + np.stack([red, 0 * red, blue], axis=-1))
    power = np.exp(contrast)[..., None]
    before = (light + VEIL * veil[..., None]) * gain
    size = np.log(np.maximum(np.abs(before), FLOOR) / GREY)
    bend = np.exp(size * (power - 1))
    out = before * bend
    # How the rendered light moves with the light before its tone was bent, and with ln(power).
    along = bend * np.where(np.abs(before) > FLOOR, power, 1.0)
    by_power = out * size * power
    if top is not None:
        over = (out - top) / KNEE
        out = out - KNEE * np.logaddexp(0, over)
        kept = expit(-over)
        along, by_power = along * kept, by_power * kept
    stretch = np.exp(saturation)
    lab = _linear_to_lab(out, stretch)
    xyz = out @ TO_XYZ.T
    root = np.where(xyz > FOOT**3, np.cbrt(np.maximum(xyz, FOOT**3)) ** -2, 1 / FOOT**2) / 3
    by_light = (root @ LAB_BY_LIGHT).reshape(*root.shape, 3)  # (..., 3 of L* a* b*, 3 of light)
    by_light[..., 1:, :] *= stretch[..., None, None]
    with_gain = by_light * (along * before)[..., None, :]
    moves = np.empty((*lab.shape, len(TERMS)))
    moves[..., 0] = with_gain.sum(axis=-1)
    moves[..., 1] = with_gain[..., 0]
    moves[..., 2] = with_gain[..., 2]
    moves[..., 3] = np.einsum("...ij,...j->...i", by_light, by_power)
    moves[..., 4] = lab * (0, 1, 1)
    moves[..., 5] = VEIL * np.einsum("...ij,...j->...i", by_light, along * gain)
    return lab, moves


def undo(lab: npt.ArrayLike, terms: npt.ArrayLike, top: float | None = None) -> Array:
    """True colours of what a photo shows, both CIELAB: the inverse of :func:`render`.

    What lies at or above the cut is taken for just below it.
    """
    lab, terms = np.array(lab, float), np.asarray(terms, float)
    exposure, red, blue, contrast, saturation, veil = np.moveaxis(terms, -1, 0)
    lab[..., 1:] *= np.exp(-saturation)[..., None]
    light = lab_to_linear(lab)
    if top is not None:
        below = np.maximum((top - light) / KNEE, 1e-3)
        light = top - KNEE * np.log(np.expm1(below))
    power = np.exp(contrast)[..., None]
    foot = FLOOR * (FLOOR / GREY) ** (power - 1)
    size = np.abs(light)
    curved = GREY * (np.maximum(size, foot) / GREY) ** (1 / power)
    light = np.where(size > foot, np.sign(light) * curved, light * FLOOR / foot)
    gain = np.exp(exposure[..., None] + np.stack([red, 0 * red, blue], axis=-1))
    return _linear_to_lab(light / gain - VEIL * veil[..., None])


def lab_to_linear(lab: npt.ArrayLike) -> Array:
    """CIELAB to linear light on the sRGB primaries, below black too (CIE 15, straight foot)."""
    lab = np.asarray(lab, float)
    middle = (lab[..., 0] + 16) / 116
    root = np.stack([middle + lab[..., 1] / 500, middle, middle - lab[..., 2] / 200], axis=-1)
    xyz = np.where(root > FOOT, root**3, 3 * FOOT**2 * (root - 4 / 29))
    return np.asarray((xyz * WHITE) @ XYZ_TO_RGB.T)


def _linear_to_lab(light: Array, stretch: npt.ArrayLike = 1.0) -> Array:
    """Linear light (..., 3) to CIELAB, a* and b* stretched by (...) factors."""
    xyz = light @ TO_XYZ.T
    root = np.where(xyz > FOOT**3, np.cbrt(xyz), xyz / (3 * FOOT**2) + 4 / 29)
    lab = root @ LAB_OF_ROOTS.T
    lab[..., 0] -= 16
    lab[..., 1:] *= np.asarray(stretch)[..., None]
    return np.asarray(lab)
