"""Flat test scenes of known CIELAB (D65, 2 degrees), for tests of the measuring chain."""

import functools
import io

import numpy as np
from PIL import Image

from fieldmarks.measure.colour import encode_srgb, lab_to_linear
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.region import Ellipse, Rectangle, Region, mask

GREY_18 = (49.496, 0.0, 0.0)  # L* of reflectance 0.18 (CIE 15)
BACKGROUND = (45.0, -8.0, 10.0)


def linear_scene(
    patches: list[tuple[Rectangle | Ellipse, tuple[float, float, float]]],
    size: tuple[int, int] = (600, 400),
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0),
    noise: float = 0.0,
    seed: int = 0,
) -> np.ndarray:
    """Linear RGB of patches on a plain background under a light that needs correcting."""
    width, height = size
    scene = np.empty((height, width, 3))
    scene[:] = lab_to_linear(BACKGROUND)
    for shape, lab in patches:
        scene[mask(shape, (0, 0, width, height))] = lab_to_linear(lab)
    scene = scene * np.array(cast)
    if noise:
        scene = scene + noise * _grain(scene.shape, seed) * np.sqrt(np.maximum(scene, 0))
    return scene


@functools.lru_cache(maxsize=4)
def _grain(shape: tuple[int, ...], seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, 1, shape)


def to_file(linear: np.ndarray, format: str = "PNG", **how) -> bytes:
    """Linear RGB as an sRGB file."""
    buffer = io.BytesIO()
    how = {"compress_level": 1, **how} if format == "PNG" else how
    Image.fromarray(np.round(encode_srgb(linear) * 255).astype(np.uint8)).save(
        buffer, format, **how
    )
    return buffer.getvalue()


def to_photo(linear: np.ndarray, name: str = "scene.png", format: str = "PNG", **how) -> Photo:
    """Encode linear RGB as an sRGB file and decode it again as the program would."""
    return decode_photo(to_file(linear, format, **how), name)


def card(x: float = 20, y: float = 20, side: float = 80, value: float | None = None) -> Region:
    """A square card region."""
    return Region("card", "card", Rectangle(x, y, side, side), value)
