"""A canvas of reflectance, and feathers painted on it one by one.

A *paint* is six numbers: the linear sRGB a camera records of a material (three) and the material's
true XYZ under D65 (three). Light adds up linearly, so blending paints blends both at once and the
truth of every pixel stays known however many layers cover it. Form shading, shadows and gloss are
kept apart in their own planes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from simulator.camera import Triple, photograph
from simulator.spectra import plumage_spectra, reflectance_to_xyz

Array = npt.NDArray[np.float64]
Plane = npt.NDArray[np.float32]
Mixture = Mapping[str, float]

ALPHA, TONE, SHADOW, MIX = range(4)


@dataclass(frozen=True)
class Palette:
    """The paints of one bird in one light.

    Parameters
    ----------
    paints : dict of str to (6,) array
        Camera linear sRGB, then true XYZ (D65), of each material.
    """

    paints: Mapping[str, Plane]

    @classmethod
    def lit(
        cls,
        illuminant: str,
        camera: str,
        white_balance_error: Triple,
        exposure: float,
        seed: int | None = None,
    ) -> Palette:
        """All materials of :func:`plumage_spectra` seen by a camera under a lamp."""
        paints = {}
        for name, spectrum in plumage_spectra(seed).items():
            seen = photograph(spectrum, illuminant, camera, white_balance_error, exposure)
            paints[name] = np.r_[seen, reflectance_to_xyz(spectrum)].astype(np.float32)
        return cls(paints)

    def mix(self, mixture: Mixture | str) -> Plane:
        """Paint of a mixture; shares are scaled to add up to 1."""
        if isinstance(mixture, str):
            return self.paints[mixture]
        total = sum(mixture.values())
        paint = sum(self.paints[name] * (share / total) for name, share in mixture.items())
        return np.asarray(paint, dtype=np.float32)

    @property
    def white(self) -> Plane:
        """Paint of a perfect white: the colour of the lamp itself, for gloss."""
        return self.paints["white 90 %"] / np.float32(0.90)


@dataclass
class Canvas:
    """Planes of one picture in the making.

    Parameters
    ----------
    paint : (h, w, 6) float32 array
    cover : (h, w) float32 array
        Share of the pixel that belongs to the bird (0..1).
    gloss : (h, w) float32 array
        Light mirrored at the surface, as a share of a perfect white.
    """

    paint: Plane
    cover: Plane
    gloss: Plane

    @classmethod
    def on(cls, background: Plane) -> Canvas:
        """A canvas that starts from a background of paints, (h, w, 6)."""
        size = background.shape[:2]
        return cls(background, np.zeros(size, np.float32), np.zeros(size, np.float32))

    def place(
        self,
        alpha: Plane,
        paint: Plane,
        corner: tuple[int, int],
        gloss: Plane | None = None,
        bird: bool = True,
    ) -> None:
        """Lay a patch over the canvas.

        Parameters
        ----------
        alpha : (h, w) array
        paint : (h, w, 6) or (6,) array
        corner : (x, y)
            Canvas pixel of the patch's top left pixel; the patch may stick out.
        gloss : (h, w) array, optional
        bird : bool
            Whether the patch counts as bird in ``cover``.
        """
        x, y = corner
        height, width = self.cover.shape
        x0, y0 = max(x, 0), max(y, 0)
        x1, y1 = min(x + alpha.shape[1], width), min(y + alpha.shape[0], height)
        if x0 >= x1 or y0 >= y1:
            return
        here = np.s_[y0:y1, x0:x1]
        cut = np.s_[y0 - y : y1 - y, x0 - x : x1 - x]
        a = alpha[cut]
        self.paint[here] += a[..., None] * (
            (paint if paint.ndim == 1 else paint[cut]) - self.paint[here]
        )
        self.cover[here] += a * (np.float32(bird) - self.cover[here])
        self.gloss[here] *= 1 - a
        if gloss is not None:
            self.gloss[here] += a * gloss[cut]

    def stamp(
        self,
        vane: list[Plane],
        root: npt.NDArray[np.floating],
        along: npt.NDArray[np.floating],
        width: float,
        paint: Plane,
        edge_paint: Plane | None = None,
        shadow: float = 0.2,
        mirrored: bool = False,
    ) -> None:
        """Paint one feather.

        Parameters
        ----------
        vane : list of (n, m, 4) arrays
            A feather from :func:`vanes`, sharpest first.
        root, along : (x, y) arrays
            Root in canvas pixels, and the vector from the root to the tip.
        width : float
            Full width in pixels.
        paint, edge_paint : (6,) arrays
            Paint of the feather, and of the part its ``MIX`` channel marks.
        shadow : float
            Darkness of the shadow it throws on what lies below.
        mirrored : bool
            Swap its two sides.
        """
        length = float(np.hypot(*along))
        level = int(
            np.clip(np.log2(max(vane[0].shape[0] / max(length, 1.0), 1.0)), 0, len(vane) - 1)
        )
        image = vane[level]
        rows, columns = image.shape[:2]
        side = np.array([-along[1], along[0]]) / max(length, 1e-6) * (-width if mirrored else width)
        # Template column 0..columns runs across, row 0..rows runs from root to tip.
        matrix = np.column_stack([side / columns, np.asarray(along) / rows, root - side / 2])
        corners = (
            np.array([[0, 0, 1], [columns, 0, 1], [0, rows, 1], [columns, rows, 1]]) @ matrix.T
        )
        low = np.floor(corners.min(axis=0)).astype(int)
        high = np.ceil(corners.max(axis=0)).astype(int) + 1
        height, wide = self.cover.shape
        low, high = np.maximum(low, 0), np.minimum(high, (wide, height))
        if (low >= high).any():
            return
        matrix[:, 2] -= low
        patch = cv2.warpAffine(image, matrix, tuple((high - low).tolist()), flags=cv2.INTER_LINEAR)
        here = np.s_[low[1] : high[1], low[0] : high[0]]
        alpha = patch[..., ALPHA]
        colour = paint
        if edge_paint is not None:
            colour = paint + patch[..., MIX, None] * (edge_paint - paint)
        # The far background is too far away to be shaded.
        dim = 1 - shadow * patch[..., SHADOW] * self.cover[here]
        below = self.paint[here] * (dim * (1 - alpha))[..., None]
        self.paint[here] = below + (alpha * patch[..., TONE])[..., None] * colour
        self.cover[here] += alpha * (1 - self.cover[here])
        self.gloss[here] *= 1 - alpha


def _streaks(q: Array, rng: np.random.Generator, scale: float) -> Array:
    """Smooth random values (mean 0, deviation 1) that depend on one coordinate."""
    knots = rng.standard_normal(int(2 + 4 * scale))
    return np.interp(np.mod(q, 2.0) / 2.0 * (knots.size - 1), np.arange(knots.size), knots)


@dataclass(frozen=True)
class _Kind:
    """Look of one kind of feather; lengths are shares of the template."""

    slant: float  # how far the barbs sweep towards the tip
    fray: float  # how ragged the edge is
    softness: float  # blur of the edge, share of the half width
    fade: float  # part of the root that fades in
    streak: float  # contrast of the barbs
    spread: float  # blur of the shadow, template pixels
    blunt: float  # shape of the tip: larger is blunter
    shaft: float  # darkness of the shaft


_KINDS = {
    "flight": _Kind(0.10, 0.02, 0.05, 0.04, 0.030, 5, 0.0, 0.22),
    "secondary": _Kind(0.10, 0.02, 0.05, 0.04, 0.030, 5, 0.0, 0.22),
    "tail": _Kind(0.10, 0.03, 0.06, 0.04, 0.035, 5, 0.0, 0.18),
    "covert": _Kind(0.22, 0.05, 0.10, 0.22, 0.035, 7, 5.0, 0.12),
    "contour": _Kind(0.45, 0.16, 0.50, 0.40, 0.045, 10, 3.0, 0.0),
    "hair": _Kind(1.60, 0.30, 0.60, 0.40, 0.070, 8, 2.0, 0.0),
}


def _vane(name: str, rng: np.random.Generator) -> Plane:
    """One feather seen from above: alpha, tone, shadow and mix; rows run from root to tip."""
    kind = _KINDS[name]
    long = name in ("flight", "secondary", "tail")
    rows, columns = (512, 128) if long else (192, 128)
    u = (np.arange(rows) + 0.5)[:, None] / rows
    v = (2 * (np.arange(columns) + 0.5) / columns - 1)[None, :]
    q = u - kind.slant * np.abs(v) + 0.9 * (v < 0)
    barbs = 0.6 * _streaks(q, rng, 60) + 0.4 * _streaks(q, rng, 22)
    length = 0.96 if long else 0.86
    x = np.clip(u / length, 0, 1)
    if long:
        taper = (1 - np.clip((x - 0.72) / 0.28, 0, 1) ** 2.4) ** 0.6
        half = 0.84 * np.clip(x * 8, 0, 1) ** 0.5 * taper
    else:
        half = 0.90 * x**0.45 * np.sqrt(np.clip(1 - x ** (kind.blunt + 1), 0, 1))
    inside = (half * (1 + kind.fray * barbs) - np.abs(v)) / kind.softness
    alpha = np.clip(inside + 0.5, 0, 1)
    tip = np.clip((length + 0.02 - u) / (0.04 + 0.35 * kind.softness), 0, 1)
    alpha *= np.clip(u / kind.fade, 0, 1) * tip
    rim = np.clip(np.abs(v) / np.maximum(half, 0.05), 0, 1.2)
    # Rounded across, and a little darker where it dives under the feathers above it.
    tone = (1 + kind.streak * barbs) * (1.02 - 0.12 * (1 - x) ** 1.5 - 0.06 * rim**4)
    if kind.shaft:
        tone *= 1 - kind.shaft * np.exp(-0.5 * (v / 0.04) ** 2) * np.clip(1.1 - u, 0, 1)
        tone *= 1 + 0.04 * np.where(v < 0, 1, -1) * (1 - np.exp(-np.abs(v) * 8))
    if name in ("flight", "secondary"):
        start = 0.66 if name == "flight" else -0.05
        mix = np.clip((v - start * half) / 0.12, 0, 1) * np.clip((0.97 - x) / 0.15, 0, 1)
    elif name == "tail":
        mix = np.clip((x - 0.70 + 0.03 * barbs) / 0.10, 0, 1)
    else:
        mix = np.clip((np.maximum(rim**3, x**2) - 0.62 + 0.05 * barbs) / 0.30, 0, 1)
    shadow = cv2.GaussianBlur(alpha.astype(np.float32), (0, 0), kind.spread)
    drop = 2 if long else int(0.04 * rows)
    shadow = np.roll(shadow, drop, axis=0)
    shadow[:drop] = 0
    # Nothing may touch the template's border, or the rectangle itself would show.
    border = np.minimum(np.clip((1 - np.abs(v)) / 0.08, 0, 1), np.clip((1 - u) / 0.05, 0, 1))
    planes = [alpha * border, tone, shadow * border, np.broadcast_to(mix, alpha.shape)]
    return np.ascontiguousarray(np.stack(planes, axis=-1), dtype=np.float32)


@lru_cache(maxsize=8)
def vanes(kind: str, count: int = 6) -> tuple[list[Plane], ...]:
    """Different feathers of one kind, each as a pyramid of halved sizes.

    Parameters
    ----------
    kind : str
        "contour" (rounded, soft), "hair" (face and crown), "covert" (rows on the wing), "flight",
        "secondary" or "tail".
    count : int
        How many different ones.
    """
    rng = np.random.default_rng(sum(kind.encode()))
    out = []
    for _ in range(count):
        pyramid = [_vane(kind, rng)]
        while min(pyramid[-1].shape[:2]) > 12:
            last = pyramid[-1]
            half = (last.shape[1] // 2, last.shape[0] // 2)
            pyramid.append(np.asarray(cv2.resize(last, half, interpolation=cv2.INTER_AREA)))
        out.append(pyramid)
    return tuple(out)
