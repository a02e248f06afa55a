"""Reflectance spectra of plumage, bare parts, neutral cards and the 24-patch chart.

All spectra are sampled at :data:`WAVELENGTHS` (380 to 780 nm every 5 nm) and lie in 0..1.

The plumage spectra are our own model, not measurements. Its ingredients are the ones feather optics
is commonly described by: a pigment that absorbs short wavelengths up to an edge (yellow, orange and
red parrot pigments), a black pigment that absorbs everywhere and slightly less towards red, and a
structural blue peak; green is the structural peak seen through the yellow pigment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from simulator._library import colour_science

Array = npt.NDArray[np.float64]

WAVELENGTHS: Array = np.arange(380.0, 781.0, 5.0)
CHART_DATASET = "BabelColor Average"


@dataclass(frozen=True)
class Feather:
    """Ingredients of one material. All of them lie in 0..1 unless a unit is given.

    Parameters
    ----------
    base : float
        Reflectance of the unpigmented material.
    edge, edge_width : float
        Wavelength (nm) where the long-pass pigment is half absorbed, and its logistic width (nm).
    pigment : float
        How much of the short-wave light the long-pass pigment takes away.
    melanin : float
        How much light the broadband black pigment takes away (its absorption falls towards red).
    blue, blue_peak, blue_width : float
        Height of the structural peak, its centre and its standard deviation (nm). The peak adds to
        what the melanin leaves and is seen through the long-pass pigment.
    blood : float
        Depth of the absorption of blood near 415, 542 and 577 nm, for bare skin.
    """

    base: float = 0.75
    edge: float = 500.0
    edge_width: float = 12.0
    pigment: float = 0.0
    melanin: float = 0.0
    blue: float = 0.0
    blue_peak: float = 470.0
    blue_width: float = 55.0
    blood: float = 0.0

    def reflectance(self) -> Array:
        """Reflectance at :data:`WAVELENGTHS`, shape (81,), kept within 0.01..0.98."""
        nm = WAVELENGTHS
        long_pass = 1 / (1 + np.exp(-(nm - self.edge) / self.edge_width))
        filter_ = 1 - self.pigment * (1 - long_pass)
        # Black pigment absorbs a little less at long wavelengths.
        black = (1 - self.melanin) * (1 + 0.25 * self.melanin * (nm - 560) / 200)
        peak = self.blue * np.exp(-0.5 * ((nm - self.blue_peak) / self.blue_width) ** 2)
        bands = sum(
            depth * np.exp(-0.5 * ((nm - centre) / width) ** 2)
            for depth, centre, width in ((1.0, 415, 18), (0.55, 542, 12), (0.55, 577, 10))
        )
        skin = (1 - self.blood * bands) * (1 - 0.45 * self.blood / (1 + np.exp((nm - 590) / 8)))
        return np.clip((self.base * black + peak) * filter_ * skin, 0.01, 0.98)

    def varied(self, rng: np.random.Generator, amount: float = 1.0) -> Feather:
        """The same material on another bird: every ingredient in use shifted a little.

        Parameters
        ----------
        rng : numpy Generator
        amount : float
            1 shifts pigment edges by 4 nm, shares by 4 % and what pigments let through by 6 %
            (standard deviations, our choice).
        """
        changes: dict[str, float] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name in ("edge", "blue_peak"):
                changes[field.name] = value + 4.0 * amount * rng.standard_normal()
            elif field.name in ("melanin", "pigment"):
                # What is left of the light varies, or black feathers would differ too much.
                left = (1 - value) * np.exp(0.06 * amount * rng.standard_normal())
                changes[field.name] = float(np.clip(1 - left, 0, 1)) if value else 0.0
            elif field.name in ("edge_width", "blue_width"):
                changes[field.name] = value * np.exp(0.06 * amount * rng.standard_normal())
            else:
                shifted = value * np.exp(0.04 * amount * rng.standard_normal())
                changes[field.name] = float(np.clip(shifted, 0, 0.985))
        return replace(self, **changes)


MATERIALS: Mapping[str, Feather] = {
    # Feathers.
    "green": Feather(0.43, 500, 15, 0.72, 0.70, 0.165, 521, 38),
    "green dark": Feather(0.42, 500, 15, 0.70, 0.80, 0.115, 518, 38),
    "green light": Feather(0.55, 497, 15, 0.76, 0.58, 0.20, 530, 44),
    "yellow": Feather(0.78, 514, 14, 0.905, 0.04),
    "yellow orange": Feather(0.70, 536, 16, 0.90, 0.05),
    "orange": Feather(0.64, 564, 18, 0.91, 0.08),
    "orange red": Feather(0.58, 580, 16, 0.885, 0.10),
    "salmon": Feather(0.64, 572, 20, 0.72, 0.10),
    "brown orange": Feather(0.52, 568, 24, 0.84, 0.40),
    "olive": Feather(0.46, 520, 22, 0.78, 0.67, 0.055, 540, 36),
    "olive dark": Feather(0.44, 522, 24, 0.74, 0.83, 0.030, 540, 36),
    "black": Feather(0.50, 520, 30, 0.06, 0.955),
    "black brown": Feather(0.50, 570, 40, 0.35, 0.925),
    "dusky": Feather(0.50, 520, 40, 0.08, 0.885),
    "blue": Feather(0.34, 500, 12, 0.0, 0.80, 0.26, 450, 46),
    "blue grey": Feather(0.42, 500, 12, 0.0, 0.62, 0.10, 470, 60),
    "white feather": Feather(0.82, 440, 20, 0.08, 0.02),
    # Horn, skin and eyes.
    "bill red": Feather(0.54, 594, 14, 0.90, 0.06),
    "bill pale": Feather(0.58, 575, 22, 0.48, 0.08, blood=0.05),
    "bill horn": Feather(0.60, 500, 60, 0.35, 0.25),
    "skin white": Feather(0.70, 430, 25, 0.12, 0.02, blood=0.03),
    "skin grey": Feather(0.44, 470, 50, 0.18, 0.25),
    "skin pink": Feather(0.60, 480, 40, 0.15, 0.08, blood=0.20),
    "claw": Feather(0.40, 520, 50, 0.25, 0.62),
    "iris dark": Feather(0.30, 570, 40, 0.55, 0.80),
    "iris pale": Feather(0.46, 540, 50, 0.42, 0.42),
    "pupil": Feather(0.25, 500, 30, 0.0, 0.945),
    # The scene.
    "bark": Feather(0.50, 560, 70, 0.55, 0.52),
    "bark dark": Feather(0.42, 560, 70, 0.55, 0.80),
    "wood": Feather(0.66, 540, 60, 0.52, 0.16),
    "wall": Feather(0.58, 520, 70, 0.22, 0.24),
    "leaf": Feather(0.40, 505, 18, 0.70, 0.70, 0.14, 545, 30),
    "shade": Feather(0.40, 530, 60, 0.30, 0.80),
}

NEUTRALS: Mapping[str, float] = {"white 90 %": 0.90, "grey 18 %": 0.18, "black 4 %": 0.04}


def neutral(value: float) -> Array:
    """Spectrum of an ideal grey of reflectance ``value`` (0..1), shape (81,)."""
    return np.full(WAVELENGTHS.shape, float(value))


def plumage_spectra(seed: int | None = None, amount: float = 1.0) -> dict[str, Array]:
    """Every material of the model, as it is on one bird.

    Parameters
    ----------
    seed : int, optional
        Which bird; none gives the unvaried materials.
    amount : float
        Size of the differences between birds, see :meth:`Feather.varied`.

    Returns
    -------
    dict of str to (81,) array
        Reflectances; also holds the neutrals.
    """
    rng = np.random.default_rng(seed)
    spectra = {
        name: (m if seed is None else m.varied(rng, amount)).reflectance()
        for name, m in MATERIALS.items()
    }
    return spectra | {name: neutral(value) for name, value in NEUTRALS.items()}


def random_reflectances(count: int, seed: int = 0) -> Array:
    """Smooth random plumage-like reflectances.

    Returns
    -------
    (count, 81) array in 0.01..0.98: random ingredients of :class:`Feather`, not one of the named
    materials, for tests and benchmarks.
    """
    rng = np.random.default_rng(seed)
    rows = [
        Feather(
            base=rng.uniform(0.3, 0.85),
            edge=rng.uniform(440, 620),
            edge_width=rng.uniform(8, 45),
            pigment=rng.uniform(0, 0.95),
            melanin=rng.uniform(0, 0.95),
            blue=rng.uniform(0, 0.3) * (rng.random() < 0.5),
            blue_peak=rng.uniform(440, 540),
            blue_width=rng.uniform(30, 70),
        ).reflectance()
        for _ in range(count)
    ]
    return np.array(rows).reshape(count, WAVELENGTHS.size)


def chart_reflectances(dataset: str = CHART_DATASET) -> tuple[tuple[str, ...], Array]:
    """Published reflectances of the 24-patch colour chart, from colour-science.

    Parameters
    ----------
    dataset : str
        Key of ``colour.SDS_COLOURCHECKERS``: "BabelColor Average" (mean of 30 charts; ends at
        730 nm and is held constant beyond) or "ColorChecker N Ohta".

    Returns
    -------
    names : tuple of 24 str
    reflectance : (24, 81) array
    """
    colour = colour_science()
    shape = colour.SpectralShape(WAVELENGTHS[0], WAVELENGTHS[-1], 5)
    chart = colour.SDS_COLOURCHECKERS[dataset]
    rows = [sd.copy().align(shape).values for sd in chart.values()]
    return tuple(chart), np.array(rows)


@lru_cache(maxsize=8)
def observer_weights(illuminant: str = "D65") -> Array:
    """Weights that turn a reflectance into XYZ by one product, shape (81, 3).

    CIE 1931 2 degree colour-matching functions times the illuminant, scaled so that Y of a perfect
    white is 1 (CIE 15, equations 7.1 to 7.3, summed every 5 nm).
    """
    colour = colour_science()
    shape = colour.SpectralShape(WAVELENGTHS[0], WAVELENGTHS[-1], 5)
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    light = colour.SDS_ILLUMINANTS[illuminant].copy().align(shape).values
    weights = cmfs * light[:, None]
    weights /= weights[:, 1].sum()
    weights.flags.writeable = False
    return weights


def reflectance_to_xyz(reflectance: npt.ArrayLike, illuminant: str = "D65") -> Array:
    """XYZ of a reflectance, Y of a perfect white = 1; (..., 81) -> (..., 3)."""
    return np.asarray(reflectance, dtype=float) @ observer_weights(illuminant)


def xyz_to_lab(xyz: npt.ArrayLike) -> Array:
    """CIELAB of XYZ under D65, with the perfect white of this module at exactly L* = 100."""
    colour = colour_science()
    white = colour.XYZ_to_xy(observer_weights("D65").sum(axis=0))
    return np.asarray(colour.XYZ_to_Lab(np.asarray(xyz, dtype=float), illuminant=white))


def reflectance_to_lab(reflectance: npt.ArrayLike) -> Array:
    """True CIELAB (D65, 2 degrees) of a reflectance; (..., 81) -> (..., 3)."""
    return xyz_to_lab(reflectance_to_xyz(reflectance))
