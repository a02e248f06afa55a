"""Colour profiles: from the code values in a file to linear light.

An ICC profile says how a file's numbers are meant. Phones write Display P3; reading that as sRGB
makes every saturated feather too dull. The profile is evaluated by Little CMS (through imagecodecs)
to the connection space XYZ (D50), adapted to D65 with the Bradford matrix that ICC.1:2022 annex E
uses, and expressed on the sRGB primaries without clipping.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np
import numpy.typing as npt
from PIL import ImageCms

from fieldmarks._util.sanitize import one_line
from fieldmarks.measure.colour import XYZ_TO_RGB, decode_srgb, encode_srgb

# Bradford adaptation D50 -> D65 of the ICC connection space (ICC.1:2022, annex E).
D50_TO_D65 = np.array(
    [
        [0.9555766, -0.0230393, 0.0631636],
        [-0.0282895, 1.0099416, 0.0210077],
        [0.0122982, -0.0204830, 1.3299098],
    ]
)
_ADDITIVE = 2e-3  # largest misfit at which a profile counts as curves and a matrix
_SCREEN_STEPS = 65_535  # steps of linear light for showing, far finer than a screen's


@dataclass(frozen=True, eq=False)
class Profile:
    """How code values become linear light.

    Parameters
    ----------
    name : str
        For the reader: "sRGB (assumed)", "Display P3" ...
    curves : (3, n) float32 array
        Linear light of each channel for every code value; n is 256 or 65 536.
    matrix : (3, 3) array
        From the profile's own linear channels to linear light on the sRGB primaries.
    table : bytes
        The ICC profile itself when it is not curves and a matrix and has to be evaluated pixel by
        pixel; otherwise empty.
    """

    name: str
    curves: npt.NDArray[np.float32]
    matrix: npt.NDArray[np.float64]
    table: bytes = b""

    @cached_property
    def _lookup(self) -> npt.NDArray[np.float32]:
        """The curves as OpenCV wants them: (1, n, 3)."""
        return np.ascontiguousarray(self.curves.T[None])

    @cached_property
    def _is_srgb_light(self) -> bool:
        return bool(np.array_equal(self.matrix, np.eye(3)))

    def to_linear(self, codes: npt.NDArray[np.integer]) -> npt.NDArray[np.float32]:
        """Code values (..., 3) to linear RGB (..., 3), white at 1, not clipped."""
        if self.table:
            return _evaluate(self.table, codes).astype(np.float32)
        if codes.dtype == np.uint8 and codes.ndim == 3 and codes.size:
            linear: npt.NDArray = cv2.LUT(np.ascontiguousarray(codes), self._lookup)
        else:
            linear = np.stack([self.curves[i][codes[..., i]] for i in range(3)], axis=-1)
        if self._is_srgb_light:
            return linear
        return linear @ self.matrix.T.astype(np.float32)

    def to_srgb8(self, codes: npt.NDArray[np.integer]) -> npt.NDArray[np.uint8]:
        """Code values (h, w, 3) to 8-bit sRGB for showing on a screen, clipped to its gamut."""
        if self._is_srgb_light and not self.table and codes.dtype == np.uint8:
            shown = np.round(encode_srgb(self._lookup) * 255).astype(np.uint8)
            return np.asarray(cv2.LUT(np.ascontiguousarray(codes), shown))
        steps = np.clip(self.to_linear(codes), 0, 1)
        steps *= _SCREEN_STEPS
        steps += 0.5
        return _screen_codes()[steps.astype(np.uint16)]


@lru_cache(maxsize=1)
def _screen_codes() -> npt.NDArray[np.uint8]:
    """8-bit sRGB code of every step of linear light."""
    light = np.arange(_SCREEN_STEPS + 1) / _SCREEN_STEPS
    return np.round(encode_srgb(light) * 255).astype(np.uint8)


@lru_cache(maxsize=2)
def srgb_profile(bits: int = 8, name: str = "sRGB (assumed)") -> Profile:
    """The profile of a file that carries none: sRGB (IEC 61966-2-1)."""
    levels = 2**bits
    curve = decode_srgb(np.arange(levels) / (levels - 1)).astype(np.float32)
    return Profile(name, np.stack([curve] * 3), np.eye(3))


def read_profile(icc: bytes, bits: int = 8) -> Profile:
    """Read an embedded RGB profile.

    Parameters
    ----------
    icc : bytes
        The profile as embedded in the photo.
    bits : {8, 16}
        Depth of the photo's code values.

    Raises
    ------
    ValueError
        The profile is damaged or is not an RGB profile.
    """
    try:
        header = ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile
        name = one_line(header.profile_description or "").strip()[:120] or "unnamed profile"
        if header.xcolor_space.strip() != "RGB":
            raise ValueError("it is not a profile for RGB photos")
        levels = 2**bits
        ramp = np.zeros((3, levels, 3), dtype=np.uint8 if bits == 8 else np.uint16)
        for channel in range(3):
            ramp[channel, :, channel] = np.arange(levels)
        single = _evaluate(icc, ramp)
        probe = np.random.default_rng(0).integers(0, levels, (1, 64, 3)).astype(ramp.dtype)
        mixed = _evaluate(icc, probe)[0]
    except (ImageCms.PyCMSError, OSError, RuntimeError, TypeError) as error:
        raise ValueError("it is damaged") from error
    black = single[:, :1]
    rise = single - black
    full = rise[:, -1]
    curves = np.einsum("cnx,cx->cn", rise, full) / np.maximum(
        (full**2).sum(1, keepdims=True), 1e-12
    )
    index = probe[0]
    rebuilt = black[0] + sum(curves[c][index[:, c], None] * full[c] for c in range(3))
    if not np.isfinite(single).all():
        raise ValueError("it is damaged")
    if np.abs(rebuilt - mixed).max() > _ADDITIVE:
        return Profile(name, curves.astype(np.float32), np.eye(3), table=icc)
    return Profile(name, curves.astype(np.float32), full.T)


def _evaluate(icc: bytes, codes: npt.NDArray[np.integer]) -> npt.NDArray[np.float64]:
    """Linear light on the sRGB primaries (D65) of code values, through Little CMS."""
    import imagecodecs

    flat = np.ascontiguousarray(codes).reshape(-1, codes.shape[-2], 3)
    xyz = imagecodecs.cms_transform(
        flat,
        icc,
        imagecodecs.cms_profile("xyz"),
        colorspace="rgb",
        outcolorspace="xyz",
        outdtype="float32",
        intent=1,  # relative colorimetric: white stays white
    )
    linear = xyz.astype(float) @ D50_TO_D65.T @ XYZ_TO_RGB.T
    return linear.reshape(codes.shape)
