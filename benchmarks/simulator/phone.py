"""How a phone turns a linear picture into the one it saves.

``strength`` 0 is the plain sRGB encoding (IEC 61966-2-1); 1 is a lively phone. The curves are our
own, in the spirit of what phones do: an S-shaped tone curve, colours made livelier by an amount
that depends on the hue, local gain, sharpening. No maker's rendering is copied.
"""

import io

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

Array = npt.NDArray[np.float64]
Image32 = npt.NDArray[np.float32]

TONE_CONTRAST = 0.28  # slope added at the pivot of the tone curve, strength 1
TONE_PIVOT = 0.46  # sRGB value that the tone curve leaves alone, about an 18 % grey
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
# Saturation gain at hue angles (degrees in the Cb, Cr plane of the encoded picture): blues and
# greens are lifted most, orange and skin least.
_HUES = (0.0, 60.0, 110.0, 140.0, 180.0, 225.0, 300.0, 360.0)
_GAINS = (1.30, 1.22, 1.20, 1.10, 1.16, 1.35, 1.35, 1.30)


def encode_srgb(linear: npt.ArrayLike) -> Array:
    """sRGB encoding (IEC 61966-2-1) of linear values, clipped to 0..1."""
    x = np.clip(np.asarray(linear), 0, 1)
    return np.where(
        x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055
    )


def tone_curve(encoded: npt.ArrayLike, strength: float = 1.0) -> Array:
    """S-shaped curve on encoded values: keeps 0, 1 and the pivot; steeper in between."""
    x = np.clip(np.asarray(encoded), 0, 1)
    g = 1 + TONE_CONTRAST * strength
    k = (TONE_PIVOT / (1 - TONE_PIVOT)) ** (g - 1)
    return np.asarray(x**g / (x**g + k * (1 - x) ** g))


def saturation_gain(encoded: npt.ArrayLike, strength: float = 1.0) -> Array:
    """Gain on the distance from grey, by hue; (..., 3) -> (...). 1.10 to 1.35 at strength 1."""
    rgb = np.asarray(encoded)
    luma = rgb @ LUMA.astype(rgb.dtype)
    hue = np.degrees(np.arctan2(rgb[..., 0] - luma, rgb[..., 2] - luma)) % 360
    return 1 + strength * (np.interp(hue, _HUES, _GAINS) - 1)


def render(linear: npt.ArrayLike, strength: float = 1.0) -> Array:
    """The part of a phone's rendering that looks at one pixel at a time.

    Parameters
    ----------
    linear : (..., 3) array_like
        Linear sRGB.
    strength : float
        0 is the plain sRGB encoding.

    Returns
    -------
    (..., 3) array
        Encoded sRGB in 0..1.
    """
    encoded = encode_srgb(linear)
    if strength == 0:
        return encoded
    toned = tone_curve(encoded, strength)
    luma = (toned @ LUMA.astype(toned.dtype))[..., None]
    gain = saturation_gain(toned, strength)[..., None].astype(toned.dtype)
    return np.clip(luma + gain * (toned - luma), 0, 1)


def render_picture(
    linear: npt.ArrayLike,
    strength: float = 1.0,
    local_gain: float = 0.0,
    sharpening: float = 0.35,
) -> Image32:
    """A phone's whole rendering of a picture.

    Parameters
    ----------
    linear : (h, w, 3) array_like
        Linear sRGB.
    strength : float
        Scales everything; 0 is the plain sRGB encoding.
    local_gain : float
        Evens out large bright and dark areas, as phones do in hard light: the exponent on the
        ratio of mean to local luminance. 0 leaves it out.
    sharpening : float
        Share of the fine detail (1.2 pixel blur removed) added again.

    Returns
    -------
    (h, w, 3) float32 array
        Encoded sRGB in 0..1.
    """
    image = np.asarray(linear, dtype=np.float32)
    if strength and local_gain:
        luminance = np.maximum(image @ LUMA.astype(np.float32), 1e-3)
        low = cv2.resize(luminance, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
        low = cv2.GaussianBlur(np.log(low), (0, 0), 0.04 * max(low.shape))
        low = np.exp(strength * local_gain * (low.mean() - low))
        gain = cv2.resize(low, image.shape[1::-1], interpolation=cv2.INTER_LINEAR)
        image = image * gain[..., None]
    encoded = np.asarray(render(image, strength), dtype=np.float32)
    if strength and sharpening:
        luma = encoded @ LUMA.astype(np.float32)
        detail = luma - cv2.GaussianBlur(luma, (0, 0), 1.2)
        encoded = np.clip(encoded + (strength * sharpening) * detail[..., None], 0, 1)
    return encoded


def add_noise(
    linear: npt.ArrayLike, seed: int, shot: float = 1.2e-4, read: float = 1.2e-3
) -> Image32:
    """Sensor noise on a linear picture: variance = ``shot`` * signal + ``read`` squared.

    Parameters
    ----------
    linear : (h, w, 3) array_like
    seed : int
    shot : float
        1 / (electrons at linear 1); the default gives a signal-to-noise ratio of 38 on 18 % grey.
    read : float
        Standard deviation in the dark, linear.
    """
    image = np.asarray(linear, dtype=np.float32)
    rng = np.random.default_rng(seed)
    deviation = np.sqrt(shot * np.maximum(image, 0) + np.float32(read**2))
    return np.asarray(image + deviation * rng.standard_normal(image.shape, dtype=np.float32))


def to_8bit(encoded: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """Encoded sRGB 0..1 to whole numbers 0..255."""
    return np.round(np.clip(np.asarray(encoded), 0, 1) * 255).astype(np.uint8)


def jpeg_bytes(rgb8: npt.NDArray[np.uint8], quality: int = 88, description: str = "") -> bytes:
    """A JPEG file with 4:2:0 chroma, marked as sRGB in its EXIF.

    Parameters
    ----------
    rgb8 : (h, w, 3) uint8 array
    quality : int
        1 to 95.
    description : str
        Goes into the EXIF image description (ASCII).
    """
    exif = Image.Exif()
    if description:
        exif[0x010E] = description
    exif.get_ifd(0x8769)[0xA001] = 1  # EXIF ColorSpace: sRGB
    buffer = io.BytesIO()
    Image.fromarray(rgb8).save(
        buffer, "JPEG", quality=quality, subsampling="4:2:0", optimize=True, exif=exif
    )
    return buffer.getvalue()
