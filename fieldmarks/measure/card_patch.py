"""Card patch: one grey card as photographed, or the reason why it would mislead."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.stats import trim_mean

from fieldmarks.measure.colour import linear_to_lab
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.region import Region, centre, mask, vertices, window

DEFAULT_REFLECTANCE = 0.18
MIN_PIXELS = 200
ENOUGH_PIXELS = 2000  # neighbours say the same: more adds time, not knowledge
MAX_CLIPPED = 0.02  # share of card pixels at either end of the scale
WARN_STEP, REFUSE_STEP = 0.10, 0.30  # brightness range of the card's own parts, relative
WARN_GRAIN = 0.18  # pixel noise or texture, relative
WARN_CAST, REFUSE_CAST = 18.0, 45.0  # C* of the card as photographed
WARN_EXPOSURE, REFUSE_EXPOSURE = 1.8, 5.0  # exposure the card asks for, either way
CELLS = 4  # the card is looked at in CELLS x CELLS parts
CORRELATED_PIXELS = 16  # pixels that share one value after demosaicing and 4:2:0 JPEG
CARD_TOLERANCE = 0.03  # relative; what bought grey cards keep to (from memory)


@dataclass(frozen=True)
class CardPatch:
    """One card region as photographed.

    Parameters
    ----------
    region : str
        Id of the region.
    reflectance : float
        Known luminous reflectance Y, 0..1.
    rgb : (3,) tuple
        Trimmed mean of linear light on the sRGB primaries, before any correction.
    noise : float
        Relative standard uncertainty of ``rgb``.
    slope : (float, float)
        Relative change of brightness per pixel along x and y across the card.
    step : float
        Relative brightness range among the card's parts.
    pixels : int
        Pixels used.
    at : (float, float)
        Centre in photo pixels.
    size : float
        Square root of its area, pixels.
    """

    region: str
    reflectance: float
    rgb: tuple[float, float, float]
    noise: float
    slope: tuple[float, float]
    step: float
    pixels: int
    at: tuple[float, float]
    size: float

    @property
    def lab(self) -> tuple[float, float, float]:
        """CIELAB (D65, 2 degrees) of the card as photographed."""
        light, a, b = linear_to_lab(np.array(self.rgb))
        return float(light), float(a), float(b)


def read_patch(photo: Photo, card: Region) -> tuple[CardPatch | None, list[str], str]:
    """Read one card.

    Parameters
    ----------
    photo : Photo
    card : Region
        Checked; ``value`` is the reflectance Y (default 0.18).

    Returns
    -------
    patch : CardPatch, or None when it cannot be used
    doubts : list of str
        What is doubtful about it, each with the mend.
    refusal : str
        Why it cannot be used, or empty.
    """
    reflectance = card.value if card.value is not None else DEFAULT_REFLECTANCE
    win = window(card.shape, photo.width, photo.height)
    inside = mask(card.shape, win)
    codes = np.ascontiguousarray(photo.codes(win))
    count = int(np.count_nonzero(inside))
    if count < MIN_PIXELS:
        return None, [], f"only {count} pixels; draw it larger or go closer ({MIN_PIXELS} needed)."
    every = _sampling_step(count)
    some = inside[::every, ::every]
    inside_codes = codes[::every, ::every][some]
    top = photo.white - photo.white // 255
    if (inside_codes >= top).any(axis=1).mean() > MAX_CLIPPED:
        return None, [], "it is too bright to read (clipped). Lower the exposure or tilt the card."
    if (inside_codes <= photo.white // 128).any(axis=1).mean() > MAX_CLIPPED:
        return None, [], "it is too dark to read. Give it the same light as the bird."

    linear = photo.profile.to_linear(codes)
    # A trimmed mean: the median of an 8-bit card can only be a whole code value (2 % of its light).
    rgb = trim_mean(linear[::every, ::every][some], 0.1, axis=0)
    if (rgb <= 0).any():
        return None, [], "its colour lies outside what the photo can hold. Use another light."
    refusal = _refuse_colour(rgb, reflectance)
    if refusal:
        return None, [], refusal

    brightness = linear @ np.full(3, 1 / 3, dtype=np.float32)
    slope, step = _unevenness(brightness, inside, win)
    if step > REFUSE_STEP:
        return (
            None,
            [],
            f"one part is {step:.0%} brighter than another: a shadow, a shine, print or an edge. "
            "Outline a plain part only, or take the photo again with even light on the card.",
        )
    sample = brightness[::every, ::every][some]
    middle = np.median(sample)
    grain = float(1.4826 * np.median(np.abs(sample - middle)) / middle)
    doubts = []
    if step > WARN_STEP:
        doubts.append(f"its brightness varies by {step:.0%} across. Tilt it or step aside.")
    if grain > WARN_GRAIN:
        doubts.append(f"it looks grainy ({grain:.0%}). More light would help.")
    doubts.extend(_doubt_colour(rgb, reflectance))
    corners = vertices(card.shape)
    patch = CardPatch(
        region=card.id,
        reflectance=reflectance,
        rgb=(float(rgb[0]), float(rgb[1]), float(rgb[2])),
        noise=math.hypot(
            1.2533 * grain / math.sqrt(np.clip(count / CORRELATED_PIXELS, 1, len(sample))),
            float(_code_step(photo, inside_codes)) / math.sqrt(12),
        ),
        slope=slope,
        step=step,
        pixels=count,
        at=centre(card.shape),
        size=float(np.sqrt(np.prod(np.ptp(corners, axis=0)))),
    )
    return patch, doubts, ""


def _sampling_step(count: int) -> int:
    """Take every how-manieth row and column of a card: odd, so as not to fall in with JPEG's 8."""
    step = int(math.sqrt(count / ENOUGH_PIXELS))
    return max(step - 1 + step % 2, 1)


def _code_step(photo: Photo, codes: npt.NDArray[np.integer]) -> float:
    """Relative change of light from one code value to the next at the card's own level."""
    middle = np.median(codes, axis=0).astype(codes.dtype)
    low, high = photo.profile.to_linear(np.stack([middle, middle + 1])[None])[0]
    return float(np.max((high - low) / np.maximum(low, 1e-6)))


def _exposure_needed(rgb: npt.NDArray, reflectance: float) -> float:
    return reflectance / float(np.mean(rgb))


def _refuse_colour(rgb: npt.NDArray, reflectance: float) -> str:
    needed = _exposure_needed(rgb, reflectance)
    if not 1 / REFUSE_EXPOSURE < needed < REFUSE_EXPOSURE:
        return (
            f"it reads {float(np.mean(rgb)):.1%} where {reflectance:.0%} was expected. "
            "Check its reflectance, or take the photo again with normal exposure."
        )
    chroma = _cast(rgb)
    if chroma > REFUSE_CAST:
        return (
            f"the colour cast is too strong to trust (C* {chroma:.0f}). Is the outline on the "
            "card? If so, use daylight or a white lamp, and no coloured shade near it."
        )
    return ""


def _doubt_colour(rgb: npt.NDArray, reflectance: float) -> list[str]:
    doubts = []
    needed = _exposure_needed(rgb, reflectance)
    if not 1 / WARN_EXPOSURE < needed < WARN_EXPOSURE:
        way = "dark" if needed > 1 else "bright"
        doubts.append(f"the photo is rather {way}; colours at that end are less certain.")
    chroma = _cast(rgb)
    if chroma > WARN_CAST:
        doubts.append(f"the colour cast is strong (C* {chroma:.0f}); daylight would be better.")
    return doubts


def _cast(rgb: npt.NDArray) -> float:
    """C* of the card once its lightness is brought to that of an 18 % card."""
    _, a, b = linear_to_lab(rgb * (DEFAULT_REFLECTANCE / float(np.mean(rgb))))
    return math.hypot(a, b)


def _unevenness(
    brightness: npt.NDArray, inside: npt.NDArray[np.bool_], win: tuple[int, int, int, int]
) -> tuple[tuple[float, float], float]:
    """Relative slope per pixel and relative range over CELLS x CELLS parts of the card."""
    height, width = brightness.shape
    weight = inside.astype(np.float32)
    size = (min(CELLS, width), min(CELLS, height))
    share = cv2.resize(weight, size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(
        np.where(inside, brightness, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA
    )
    full = share > 0.5
    cells = total[full] / share[full]
    if cells.size < 3:
        return (0.0, 0.0), 0.0
    rows, columns = np.nonzero(full)
    x, y = (columns + 0.5) * width / size[0], (rows + 0.5) * height / size[1]
    relative = cells / cells.mean()
    design = np.column_stack([np.ones_like(x), x - x.mean(), y - y.mean()])
    solution = np.linalg.lstsq(design, relative, rcond=None)[0]
    # Grain makes a slope too: only what exceeds three of its own standard errors is carried on.
    scatter = float(np.sum((relative - design @ solution) ** 2)) / max(len(relative) - 3, 1)
    error = scatter * np.linalg.pinv(design.T @ design).diagonal()[1:]
    steep = solution[1:] ** 2
    beyond = np.maximum(1 - 9 * error / np.maximum(steep, 1e-18), 0)
    x_slope, y_slope = solution[1:] * np.sqrt(beyond)
    return (float(x_slope), float(y_slope)), float(cells.max() / cells.min() - 1)
