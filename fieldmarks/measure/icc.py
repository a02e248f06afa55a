"""Colour profiles: from the code values in a file to linear light.

An ICC profile says how a file's numbers are meant. Phones write Display P3; reading that as sRGB
makes every saturated feather too dull. Curves and a matrix (ICC.1:2022, 8.3.3) lead to the
connection space XYZ (D50), which is adapted to D65 with the Bradford matrix of annex E and
expressed on the sRGB primaries without clipping. A profile made of tables needs Little CMS
(imagecodecs, an extra); we know of no phone that writes one.
"""

import io
import struct
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
_SCREEN_STEPS = 65_535  # steps of linear light for showing, far finer than a screen's


@dataclass(frozen=True, eq=False)
class Profile:
    """How code values become linear light.

    Args:
        name: For the reader: "sRGB (assumed)", "Display P3" ...
        curves ((3, n) float32 array): Linear light of each channel for every code value; n is 256
            or 65 536.
        matrix ((3, 3) array): From the profile's own linear channels to linear light on the sRGB
            primaries.
        table: The ICC profile itself when it is made of tables and has to be evaluated pixel by
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
def srgb_profile(bits: int = 8) -> Profile:
    """The profile of a file that carries none: sRGB (IEC 61966-2-1)."""
    levels = 2**bits
    curve = decode_srgb(np.arange(levels) / (levels - 1)).astype(np.float32)
    return Profile("sRGB (assumed)", np.stack([curve] * 3), np.eye(3))


def read_profile(icc: bytes, bits: int = 8) -> Profile:
    """Read an embedded RGB profile, for code values of 8 or 16 bits.

    Raises:
        ValueError: The profile is damaged, is not an RGB profile, or is made of tables and
            imagecodecs is not installed.
    """
    try:
        header = ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile
        name = one_line(header.profile_description or "").strip()[:120] or "unnamed profile"
        if header.xcolor_space.strip() != "RGB":
            raise ValueError("it is not a profile for RGB photos")
        tags = _tags(icc)
        if any(kind in tags for kind in (b"A2B0", b"A2B1")):
            return _of_tables(name, icc, bits)
        primaries = np.array([_numbers(tags[c + b"XYZ"][8:20], ">i4") for c in (b"r", b"g", b"b")])
        steps = np.linspace(0, 1, 2**bits)
        with np.errstate(all="ignore"):  # what is not finite is refused below
            curves = np.array([_curve(tags[c + b"TRC"], steps) for c in (b"r", b"g", b"b")])
    except (ImageCms.PyCMSError, OSError, LookupError, RuntimeError, TypeError, struct.error):
        raise ValueError("it is damaged") from None
    matrix = XYZ_TO_RGB @ D50_TO_D65 @ (primaries.T / 65536)
    if not np.isfinite(curves).all():
        raise ValueError("it is damaged")
    return Profile(name, curves.astype(np.float32), matrix)


def _tags(icc: bytes) -> dict[bytes, bytes]:
    """Signature -> content of each tag (ICC.1:2022, 7.3)."""
    (count,) = struct.unpack_from(">I", icc, 128)
    rows = (struct.unpack_from(">4sII", icc, 132 + 12 * n) for n in range(min(count, 200)))
    return {kind: icc[start : start + size] for kind, start, size in rows}


def _numbers(content: bytes, kind: str) -> npt.NDArray[np.float64]:
    """Numbers of a tag; LookupError when it is cut short."""
    if not content or len(content) % np.dtype(kind).itemsize:
        raise LookupError("cut short")
    return np.frombuffer(content, kind).astype(float)


def _curve(tag: bytes, x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Linear light 0..1 of code values 0..1 (curveType and parametricCurveType, 10.6 and 10.18)."""
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return x
        values = _numbers(tag[12 : 12 + 2 * count], ">u2")
        if count == 1:
            return x ** (values[0] / 256)
        return np.interp(x, np.linspace(0, 1, len(values)), values / 65535)
    if tag[:4] != b"para":
        raise LookupError("no curve")
    (form,) = struct.unpack_from(">H", tag, 8)
    g, *more = _numbers(tag[12 : 12 + 4 * (1, 3, 4, 5, 7)[form]], ">i4") / 65536
    a, b, c, d, e, f = {
        0: lambda: (1, 0, 0, 0, 0, 0),
        1: lambda: (*more, 0, -more[1] / more[0], 0, 0),
        2: lambda: (*more[:2], 0, -more[1] / more[0], more[2], more[2]),
        3: lambda: (*more, 0, 0),
        4: lambda: tuple(more),
    }[form]()
    return np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, c * x + f)


def _of_tables(name: str, icc: bytes, bits: int) -> Profile:
    """A profile that Little CMS evaluates pixel by pixel."""
    try:
        _evaluate(icc, np.zeros((1, 1, 3), np.uint8 if bits == 8 else np.uint16))
    except ImportError:
        raise ValueError("it is made of tables, which needs: pip install imagecodecs") from None
    return Profile(name, srgb_profile(bits).curves, np.eye(3), table=icc)


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
