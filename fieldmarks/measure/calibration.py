"""Card: learn from neutral patches of known reflectance which light to take out of the photo.

A card of reflectance Y must read (Y, Y, Y) in linear light. One gain per channel does that; several
cards at different places also give a plane of illumination over the photo. Cards that would
mislead are refused, with the reason and what to do about it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fieldmarks.measure.card_patch import (
    DEFAULT_REFLECTANCE,
    WARN_CAST,
    CardPatch,
    read_patch,
)
from fieldmarks.measure.colour import encode_srgb, linear_to_lab
from fieldmarks.measure.correction import Correction
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.region import Region

# A plane of light needs cards spread over at least this share of the photo's diagonal.
MIN_BASE = 0.15


@dataclass(frozen=True)
class Calibration:
    """How to bring a photo's linear light to what the card says.

    Parameters
    ----------
    calibrated : bool
        False when there was no usable card; ``gains`` are then 1.
    gains : (3,) tuple
        Factor per linear channel at ``origin``.
    plane : (float, float)
        Natural-log change of the *light* per pixel along x and y.
    origin : (float, float)
        Photo pixel at which the gains hold exactly.
    patches : tuple of CardPatch
        Cards used.
    misfit : float
        Root mean square L* by which several cards miss their known values afterwards; 0 for one.
    warnings, refusals : tuple of str
        What is doubtful about the cards; which cards were not used and why.
    correction : Correction, optional
        Tone curve and colour model fitted on patches of known colour; it takes the place of
        ``gains``, which then only tell what the grey card alone would have done.
    straight : bool
        The photo is camera raw: no phone has bent its tone and colours.
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
        """Calibrate linear light.

        Parameters
        ----------
        linear : (..., 3) array
            Linear RGB of the photo.
        x, y : (...) arrays or float
            Where it lies in the photo.

        Returns
        -------
        (..., 3) array of linear RGB as under D65, a perfect white at 1.
        """
        if self.correction:
            return self.correction.apply(linear, self.factor(x, y))
        scaled = linear * np.asarray(self.gains, dtype=np.float32)
        if self.plane == (0.0, 0.0):
            return scaled
        return scaled * self.factor(x, y)[..., None].astype(np.float32)

    @cached_property
    def anchors(self) -> tuple[float, ...]:
        """L* of the cards' known reflectances; of a mid grey when there is none."""
        known = [p.reflectance for p in self.patches] or [DEFAULT_REFLECTANCE]
        return tuple(linear_to_lab(np.repeat(np.array(known)[:, None], 3, axis=1))[:, 0].tolist())

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
    words = ["reddish", "orange", "yellowish", "green-yellow", "greenish", "blue-green", "bluish"]
    words.append("purplish")
    hue = math.degrees(math.atan2(b, a)) % 360
    sector = int(((hue + 22.5) % 360) // 45)
    degree = "a slight" if strength < 7 else "a clear" if strength < WARN_CAST else "a strong"
    return f"{degree} {words[sector]} cast"


def calibrate(photo: Photo, cards: Sequence[Region]) -> Calibration:
    """Calibrate a photo on the cards marked in it.

    Parameters
    ----------
    photo : Photo
    cards : sequence of Region
        Checked regions of mark "card"; ``value`` is the reflectance Y (default 0.18).

    Returns
    -------
    Calibration
        ``calibrated`` is False, with the reasons in ``refusals``, when no card can be used.
    """
    patches: list[CardPatch] = []
    warnings: list[str] = []
    refusals: list[str] = []
    for card in cards:
        patch, doubts, refusal = read_patch(photo, card)
        if refusal:
            refusals.append(f"{_name(card, cards)}: {refusal}")
        elif patch:
            patches.append(patch)
            warnings.extend(f"{_name(card, cards)}: {doubt}" for doubt in doubts)
    if not patches:
        return Calibration(warnings=tuple(warnings), refusals=tuple(refusals))
    gains, plane, origin, misfit = _fit(patches, math.hypot(photo.width, photo.height))
    return Calibration(
        calibrated=True,
        gains=(float(gains[0]), float(gains[1]), float(gains[2])),
        plane=plane,
        origin=origin,
        patches=tuple(patches),
        misfit=misfit,
        warnings=tuple(warnings),
        refusals=tuple(refusals),
        straight=photo.facts.format == "RAW",
    )


def _name(card: Region, cards: Sequence[Region]) -> str:
    return "The card" if len(cards) == 1 else f"Card {card.id}"


def _fit(
    patches: Sequence[CardPatch], diagonal: float
) -> tuple[npt.NDArray, tuple[float, float], tuple[float, float], float]:
    """Gains per channel, plane of light, its origin and the L* misfit.

    Weighted least squares of ``ln Y - ln rgb = ln gain - plane . (x, y)``. The weight of a patch is
    Y^(2/3): an equal relative error weighs by what it does to L*, which grows as Y^(1/3).
    """
    known = np.array([p.reflectance for p in patches])
    rgb = np.array([p.rgb for p in patches])
    at = np.array([p.at for p in patches])
    weight = known ** (1 / 3)
    origin = np.average(at, axis=0, weights=weight**2)
    offset = at - origin
    target = np.log(known)[:, None] - np.log(rgb)
    plane = np.zeros(2)
    base = np.linalg.svd(offset, compute_uv=False) if len(patches) > 2 else np.zeros(2)
    if len(patches) >= 3 and base.min() > MIN_BASE * diagonal / 2:
        common = target.mean(axis=1)
        design = np.column_stack([np.ones(len(patches)), -offset]) * weight[:, None]
        plane = np.linalg.lstsq(design, common * weight, rcond=None)[0][1:]
    level = target + (offset @ plane)[:, None]
    gains = np.exp(np.average(level, axis=0, weights=weight**2))
    result = rgb * gains * np.exp(-(offset @ plane))[:, None]
    light = linear_to_lab(result)[:, 0] - linear_to_lab(np.repeat(known[:, None], 3, axis=1))[:, 0]
    misfit = float(np.sqrt(np.mean(light**2))) if len(patches) > 1 else 0.0
    return (
        gains,
        (float(plane[0]), float(plane[1])),
        (float(origin[0]), float(origin[1])),
        misfit,
    )


def swatch_before_after(patch: CardPatch, calibration: Calibration) -> npt.NDArray[np.uint8]:
    """The card as photographed and as calibrated, as two sRGB colours, (2, 3) uint8."""
    before = np.array(patch.rgb)
    after = calibration.apply(before.astype(np.float32), *patch.at)
    return np.round(encode_srgb(np.stack([before, after])) * 255).astype(np.uint8)
