"""Card: learn from neutral patches of known reflectance which light to take out of the photo.

A card of reflectance Y must read (Y, Y, Y) in linear light. One gain per channel does that; several
cards at different places also give a plane of illumination over the photo. Cards that would
mislead are refused, with the reason and what to do about it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
import numpy.typing as npt

from fieldmarks._util.errors import CardError
from fieldmarks.measure.colour import encode_srgb, linear_to_lab, neutral_lab
from fieldmarks.measure.correction import Correction, level_gains
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.quantities import Lab, triple
from fieldmarks.measure.region import Region, Window, centre, mask, vertices, window
from fieldmarks.measure.scatter import trimmed_mean

# A plane of light needs cards spread over at least this share of the photo's diagonal.
MIN_BASE = 0.15
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

    Args:
        reflectance: Known luminous reflectance Y, 0..1.
        rgb ((3,) tuple): Trimmed mean of linear light on the sRGB primaries, before any correction.
        noise: Relative standard uncertainty of ``rgb``.
        slope ((float, float)): Relative change of brightness per pixel along x and y across the
            card.
        step: Relative brightness range among the card's parts.
        at ((float, float)): Centre in photo pixels.
        size: Square root of its area, pixels.
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
    def lab(self) -> Lab:
        """CIELAB (D65, 2 degrees) of the card as photographed."""
        return triple(linear_to_lab(np.array(self.rgb)))


@dataclass(frozen=True)
class Calibration:
    """How to bring a photo's linear light to what the card says.

    Args:
        calibrated: False when there was no usable card; ``gains`` are then 1.
        gains ((3,) tuple): Factor per linear channel at ``origin``.
        plane ((float, float)): Natural-log change of the *light* per pixel along x and y.
        origin ((float, float)): Photo pixel at which the gains hold exactly.
        patches: Cards used.
        misfit: Root mean square L* by which several cards miss their known values afterwards; 0 for
            one.
        warnings, refusals: What is doubtful about the cards; which cards were not used and why.
        correction: Tone curve and colour model fitted on patches of known colour; it takes the
            place of ``gains``, which then only tell what the grey card alone would have done.
        straight: The photo is camera raw: no phone has bent its tone and colours.
    """

    calibrated: bool = False
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    plane: tuple[float, float] = (0.0, 0.0)
    origin: tuple[float, float] = (0.0, 0.0)
    patches: tuple[CardPatch, ...] = ()
    misfit: float = 0.0
    warnings: tuple[str, ...] = ()
    refusals: tuple[str, ...] = ()
    correction: Correction | None = None
    straight: bool = False

    def factor(self, x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """What the light at (x, y) has to be multiplied by to equal the light at the origin."""
        dx, dy = np.asarray(x) - self.origin[0], np.asarray(y) - self.origin[1]
        return np.exp(-(self.plane[0] * dx + self.plane[1] * dy))

    def apply(self, linear: npt.NDArray, x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray:
        """Linear RGB (..., 3) of the photo at places x, y (...) as under D65, a white at 1."""
        if self.correction:
            return self.correction.apply(linear, self.factor(x, y))
        scaled = linear * np.asarray(self.gains, dtype=np.float32)
        if self.plane == (0.0, 0.0):
            return scaled
        return scaled * self.factor(x, y)[..., None].astype(np.float32)

    def warned(self, *warnings: str) -> Calibration:
        """The same with more that is doubtful about it."""
        return replace(self, warnings=(*self.warnings, *warnings))

    @cached_property
    def anchors(self) -> tuple[float, ...]:
        """L* of the cards' known reflectances; of a mid grey when there is none."""
        known = [p.reflectance for p in self.patches] or [DEFAULT_REFLECTANCE]
        return tuple(neutral_lab(known)[:, 0].tolist())

    @cached_property
    def cast(self) -> float:
        """C* of the first card as photographed: how strong the cast was."""
        return math.hypot(*self.patches[0].lab[1:]) if self.patches else 0.0

    @property
    def summary(self) -> str:
        """One sentence on the light that was corrected."""
        if not self.calibrated:
            return "Not calibrated: colours are as the camera wrote them."
        light, a, b = self.patches[0].lab
        red, green, blue = self.gains
        fitted = ""
        if self.correction:
            mean, high = self.correction.held_out
            fitted = (
                f" Then {self.correction.name}, fitted on {self.correction.source}: those are met "
                f"to a mean of {mean:.1f}, 95 % to {high:.1f} CIEDE2000."
            )
        return (
            f"The grey card showed {describe_cast(a, b)} (L* {light:.0f}, a* {a:+.0f}, "
            f"b* {b:+.0f}). Every colour is changed so that the card is grey again: red times "
            f"{red:.2f}, green times {green:.2f}, blue times {blue:.2f}.{fitted}"
        )


def describe_cast(a: float, b: float) -> str:
    """A colour cast in plain words, from a* and b* of a neutral card."""
    strength = math.hypot(a, b)
    if strength < 2:
        return "hardly any colour cast"
    hues = ("reddish", "orange", "yellowish", "green-yellow", "greenish", "blue-green", "bluish",
            "purplish")  # fmt: skip
    degree = "a slight" if strength < 7 else "a clear" if strength < WARN_CAST else "a strong"
    return f"{degree} {hues[round(math.degrees(math.atan2(b, a)) / 45) % 8]} cast"


def calibrate(photo: Photo, cards: Sequence[Region]) -> Calibration:
    """Calibrate a photo on checked regions of mark "card"; ``value`` is reflectance Y (else 0.18).

    ``calibrated`` is False, with the reasons in ``refusals``, when no card can be used.
    """
    patches: list[CardPatch] = []
    warnings: list[str] = []
    refusals: list[str] = []
    for card in cards:
        name = "The card" if len(cards) == 1 else f"Card {card.id}"
        try:
            patch, doubts = _read_card(photo, card)
        except CardError as refusal:
            refusals.append(f"{name}: {refusal}.")
            continue
        patches.append(patch)
        warnings.extend(f"{name}: {doubt}" for doubt in doubts)
    found = _fit(patches, math.hypot(photo.width, photo.height)) if patches else Calibration()
    return replace(
        found,
        warnings=tuple(warnings),
        refusals=tuple(refusals),
        straight=found.calibrated and photo.facts.format == "RAW",
    )


def card_table(patches: Sequence[CardPatch]) -> tuple[npt.NDArray, npt.NDArray, npt.NDArray]:
    """Reflectances Y (n,), linear light (n, 3) and centres (n, 2) of cards."""
    return (
        np.array([p.reflectance for p in patches]),
        np.array([p.rgb for p in patches]),
        np.array([p.at for p in patches]),
    )


def _fit(patches: Sequence[CardPatch], diagonal: float) -> Calibration:
    """Fit gains per channel and, on three cards or more that lie well apart, a plane of light.

    Weighted least squares of ``ln Y - ln rgb = ln gain - plane . (x, y)``. The weight of a patch is
    Y^(2/3): an equal relative error weighs by what it does to L*, which grows as Y^(1/3).
    """
    known, rgb, at = card_table(patches)
    weight = known ** (1 / 3)
    origin = np.average(at, axis=0, weights=weight**2)
    offset = at - origin
    plane = np.zeros(2)
    # The norm of order -2 is the smallest singular value: how far apart they lie at least.
    if len(patches) >= 3 and np.linalg.norm(offset, -2) > MIN_BASE * diagonal / 2:
        common = np.log(known) - np.log(rgb).mean(axis=1)
        design = np.column_stack([np.ones(len(patches)), -offset]) * weight[:, None]
        plane = np.linalg.lstsq(design, common * weight, rcond=None)[0][1:]
    even = rgb * np.exp(-(offset @ plane))[:, None]
    gains = level_gains(even, known[:, None])
    return Calibration(
        calibrated=True,
        gains=triple(gains),
        plane=(float(plane[0]), float(plane[1])),
        origin=(float(origin[0]), float(origin[1])),
        patches=tuple(patches),
        misfit=lightness_misfit(even * gains, known),
    )


def lightness_misfit(corrected: npt.NDArray, known: npt.NDArray) -> float:
    """Root mean square L* by which several cards miss their values; 0 for one.

    ``corrected`` (n, 3) is their linear light once corrected, ``known`` (n,) their reflectance Y.
    """
    light = linear_to_lab(corrected)[:, 0] - neutral_lab(known)[:, 0]
    return float(np.sqrt(np.mean(light**2))) if len(known) > 1 else 0.0


def _read_card(photo: Photo, card: Region) -> tuple[CardPatch, list[str]]:
    """Read one card: the patch, and what is doubtful about it.

    Raises:
        CardError: Why it cannot be used.
    """
    reflectance = card.value if card.value is not None else DEFAULT_REFLECTANCE
    win = window(card.shape, photo.width, photo.height)
    inside = mask(card.shape, win)
    codes = np.ascontiguousarray(photo.codes(win))
    count = int(np.count_nonzero(inside))
    if count < MIN_PIXELS:
        raise CardError(f"only {count} pixels; draw it larger or go closer ({MIN_PIXELS} needed)")
    # Every how-manieth row and column to look at: odd, so as not to fall in with JPEG's 8.
    every = max(int(math.sqrt(count / ENOUGH_PIXELS)), 1)
    if every % 2 == 0:
        every -= 1
    some = inside[::every, ::every]
    inside_codes = codes[::every, ::every][some]
    top = photo.white - photo.white // 255
    if (inside_codes >= top).any(axis=1).mean() > MAX_CLIPPED:
        mend = "Lower the exposure or tilt the card"
        raise CardError("it is too bright to read (clipped)", mend=mend)
    if (inside_codes <= photo.white // 128).any(axis=1).mean() > MAX_CLIPPED:
        raise CardError("it is too dark to read", mend="Give it the same light as the bird")

    linear = photo.profile.to_linear(codes)
    # A trimmed mean: the median of an 8-bit card can only be a whole code value (2 % of its light).
    rgb = trimmed_mean(linear[::every, ::every][some])
    if (rgb <= 0).any():
        problem = "its colour lies outside what the photo can hold"
        raise CardError(problem, mend="Use another light")
    colour_doubts = _judge_colour(rgb, reflectance)

    brightness = linear @ np.full(3, 1 / 3, dtype=np.float32)
    slope, step = _unevenness(brightness, inside, win)
    if step > REFUSE_STEP:
        raise CardError(
            f"one part is {step:.0%} brighter than another: a shadow, a shine, print or an edge",
            mend="Outline a plain part only, or take the photo again with even light on the card",
        )
    sample = brightness[::every, ::every][some]
    middle = np.median(sample)
    grain = float(1.4826 * np.median(np.abs(sample - middle)) / middle)
    doubts = []
    if step > WARN_STEP:
        doubts.append(f"its brightness varies by {step:.0%} across. Tilt it or step aside.")
    if grain > WARN_GRAIN:
        doubts.append(f"it looks grainy ({grain:.0%}). More light would help.")
    patch = CardPatch(
        region=card.id,
        reflectance=reflectance,
        rgb=triple(rgb),
        noise=math.hypot(
            1.2533 * grain / math.sqrt(np.clip(count / CORRELATED_PIXELS, 1, len(sample))),
            float(_code_step(photo, inside_codes)) / math.sqrt(12),
        ),
        slope=slope,
        step=step,
        pixels=count,
        at=centre(card.shape),
        size=float(np.sqrt(np.prod(np.ptp(vertices(card.shape), axis=0)))),
    )
    return patch, [*doubts, *colour_doubts]


def _code_step(photo: Photo, codes: npt.NDArray[np.integer]) -> float:
    """Relative change of light from one code value to the next at the card's own level."""
    middle = np.median(codes, axis=0).astype(codes.dtype)
    low, high = photo.profile.to_linear(np.stack([middle, middle + 1])[None])[0]
    return float(np.max((high - low) / np.maximum(low, 1e-6)))


def _judge_colour(rgb: npt.NDArray, reflectance: float) -> list[str]:
    """Doubts from how bright and how coloured a card was photographed.

    Raises:
        CardError: It cannot be a card, or not be trusted.
    """
    level, doubts = float(np.mean(rgb)), []
    needed = reflectance / level
    # C* of the card once its lightness is brought to that of an 18 % card.
    chroma = math.hypot(*linear_to_lab(rgb * (DEFAULT_REFLECTANCE / level))[1:])
    if not 1 / REFUSE_EXPOSURE < needed < REFUSE_EXPOSURE:
        raise CardError(
            f"it reads {level:.1%} where {reflectance:.0%} was expected",
            mend="Check its reflectance, or take the photo again with normal exposure",
        )
    if chroma > REFUSE_CAST:
        raise CardError(
            f"the colour cast is too strong to trust (C* {chroma:.0f})",
            mend="Is the outline on the card? If so, use daylight or a white lamp, and no coloured "
            "shade near it",
        )
    if not 1 / WARN_EXPOSURE < needed < WARN_EXPOSURE:
        way = "dark" if needed > 1 else "bright"
        doubts.append(f"the photo is rather {way}; colours at that end are less certain.")
    if chroma > WARN_CAST:
        doubts.append(f"the colour cast is strong (C* {chroma:.0f}); daylight would be better.")
    return doubts


def _unevenness(
    brightness: npt.NDArray, inside: npt.NDArray[np.bool_], win: Window
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


def swatch_before_after(patch: CardPatch, calibration: Calibration) -> npt.NDArray[np.uint8]:
    """The card as photographed and as calibrated, as two sRGB colours, (2, 3) uint8."""
    before = np.array(patch.rgb)
    after = calibration.apply(before.astype(np.float32), *patch.at)
    return np.round(encode_srgb(np.stack([before, after])) * 255).astype(np.uint8)
