"""Colour conversions: linear light to CIELAB and back, CIEDE2000.

Everything is for the CIE 1931 2 degree observer and illuminant D65. "Linear RGB" is linear light
on the sRGB primaries (IEC 61966-2-1), *not* clipped to the sRGB gamut: saturated feathers
photographed in a wider colour space have components below 0 or above 1.

Single precision in gives single precision out, in half the time: good to 0.0002 in L*, a*, b*.
"""

import numpy as np
import numpy.typing as npt
from skimage.color import deltaE_ciede2000, lab2xyz, xyz2lab

Array = npt.NDArray[np.floating]

# IEC 61966-2-1:1999, linear sRGB to XYZ (white Y = 1).
RGB_TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
XYZ_TO_RGB = np.linalg.inv(RGB_TO_XYZ)
# scikit-image takes D65 as (0.95047, 1, 1.08883); the matrix above sums to the same white.


def linear_to_lab(rgb: npt.ArrayLike) -> Array:
    """Linear RGB (..., 3), white at 1, to CIELAB (D65, 2 degrees); it may lie outside 0..1."""
    (rgb,) = _floats(rgb)
    return xyz2lab(rgb @ RGB_TO_XYZ.T.astype(rgb.dtype), illuminant="D65", observer="2")


def neutral_lab(reflectance: npt.ArrayLike) -> Array:
    """CIELAB (D65, 2 degrees) of neutrals of these reflectances Y; (...) to (..., 3)."""
    return linear_to_lab(np.repeat(np.asarray(reflectance)[..., None], 3, axis=-1))


def lab_to_linear(lab: npt.ArrayLike) -> Array:
    """CIELAB (D65, 2 degrees) to linear RGB, unclipped. Inverse of :func:`linear_to_lab`."""
    return lab2xyz(np.asarray(lab, dtype=float), illuminant="D65", observer="2") @ XYZ_TO_RGB.T


def lab_to_polar(lab: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """L*, C* and hue angle in degrees (0 to 360) of CIELAB colours; (..., 3) to (3, ...)."""
    light, a, b = np.moveaxis(np.asarray(lab, float), -1, 0)
    return np.stack([light, np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360])


def encode_srgb(linear: npt.ArrayLike) -> Array:
    """Linear light to sRGB code values 0..1 (IEC 61966-2-1), clipped to the gamut."""
    x = np.clip(linear, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(x, 1 / 2.4) - 0.055)


def decode_srgb(code: npt.ArrayLike) -> Array:
    """Decode sRGB code values 0..1 to linear light (IEC 61966-2-1)."""
    x = np.asarray(code, dtype=float)
    return np.where(x <= 0.04045, x / 12.92, np.power((x + 0.055) / 1.055, 2.4))


def lab_to_srgb8(lab: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """CIELAB to 8-bit sRGB for showing a colour on a screen; clipped to what a screen can show."""
    return np.round(encode_srgb(lab_to_linear(lab)) * 255).astype(np.uint8)


def difference(one: npt.ArrayLike, other: npt.ArrayLike) -> Array:
    """CIEDE2000 between CIELAB colours (Sharma, Wu & Dalal 2005), broadcast over leading axes."""
    return deltaE_ciede2000(*np.broadcast_arrays(*_floats(one, other)))


def faded(base: npt.ArrayLike, tip: npt.ArrayLike) -> Array:
    """CIEDE2000 by which one part (..., 3) has less colour than another, whatever light lies there.

    Less light moves a colour towards (L*, a*, b*) = (-16, 0, 0) along a straight line (CIE 15), so
    the second part is first carried to the lightness of the first. Negative where the first part is
    the more colourful.
    """
    first, second = np.broadcast_arrays(*_floats(base, tip))
    lit = np.array(second)
    lit[..., 0] = first[..., 0]
    lit[..., 1:] *= (first[..., :1] + 16) / np.maximum(second[..., :1] + 16, 1.0)
    less = np.hypot(lit[..., 1], lit[..., 2]) - np.hypot(first[..., 1], first[..., 2])
    return np.copysign(difference(first, lit), less)


def _floats(*values: npt.ArrayLike) -> list[Array]:
    """Arrays of one precision: single when all are single, else double."""
    arrays = [np.asarray(v) for v in values]
    kind = np.float32 if all(a.dtype == np.float32 for a in arrays) else np.float64
    return [a.astype(kind, copy=False) for a in arrays]


def lightness_to_reflectance(lightness: float) -> float:
    """CIE L* of a neutral to its luminous reflectance Y in 0..1 (CIE 15)."""
    return float(lab2xyz(np.array([lightness, 0.0, 0.0]))[1])
