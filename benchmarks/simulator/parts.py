"""Beak, cere, eye and feet: the smooth, shiny parts, painted pixel by pixel."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from simulator import anatomy as at
from simulator.canvas import Canvas, Mixture, Palette
from simulator.form import LIGHT, Corner, Plane, Points, Pose, blurred, fill, smooth_outline

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Patchy:
    """Feathers of another colour mixed into an area.

    Parameters
    ----------
    area : str
        Colour area, see ``anatomy.AREAS``.
    mixture : mapping
        Material -> share.
    share : float
        Part of the area covered.
    size : float
        Size of the patches in frame units.
    """

    area: str
    mixture: Mixture
    share: float
    size: float = 0.03


@dataclass(frozen=True)
class Plumage:
    """What one bird is painted with: mixtures of materials by place.

    Parameters
    ----------
    areas : mapping
        Colour area -> mixture; "body" is the ground colour under all of them.
    parts : mapping
        "beak_base", "beak_tip", "cere", "eye_ring", "iris", "pupil", "covert", "covert_edge",
        "flight", "flight_edge", "tail", "tail_tip", "foot", "claw" -> mixture.
    patchy : sequence of Patchy
    """

    areas: Mapping[str, Mixture]
    parts: Mapping[str, Mixture]
    patchy: Sequence[Patchy] = field(default=())


@dataclass
class Easel:
    """What one bird is painted on, and with.

    ``rng`` places the feathers, and draws the same numbers at every picture size; ``grain`` is for
    texture that depends on the pixels.
    """

    canvas: Canvas
    pose: Pose
    palette: Palette
    plumage: Plumage
    rng: np.random.Generator
    grain: np.random.Generator

    def part(self, name: str) -> Plane:
        """Paint of a named part."""
        return self.palette.mix(self.plumage.parts[name])


def _grain(shape: tuple[int, ...], sigma: float, rng: np.random.Generator) -> Plane:
    """Smooth noise of deviation 1."""
    noise = rng.standard_normal(shape[:2]).astype(np.float32)
    if sigma > 0.3:
        noise = blurred(noise, sigma)
    return np.asarray(noise / noise.std())


def _rounded(mask: Plane, reach: float, bulge: float) -> tuple[Plane, Plane]:
    """Light (about 1 where it faces the viewer) and gloss of a smooth part with rounded edges.

    ``reach`` and ``bulge``: width in pixels and steepness of the rounding.
    """
    distance = cv2.distanceTransform((mask > 0.5).astype(np.uint8), cv2.DIST_L2, 5)
    t = np.clip(distance / reach, 0, 1)
    z = blurred(np.sqrt(1 - (1 - t) ** 2) * reach * bulge, 0.16 * reach + 0.5)
    dy, dx = np.gradient(z)
    normal = np.stack([-dx, -dy, np.ones_like(z)], -1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    key = LIGHT / np.linalg.norm(LIGHT)
    light = 0.55 * (0.6 + 0.4 * normal[..., 2] - 0.16 * normal[..., 1])
    light += 0.45 * np.clip(normal @ key + 0.2, 0, None) / (key[2] + 0.2)
    half = key + np.array([0.0, 0.0, 1.0])
    gloss = np.clip(normal @ (half / np.linalg.norm(half)), 0, 1) ** 60
    return light.astype(np.float32), gloss.astype(np.float32)


def _outline(painter: Easel, points: Points, corner: Corner, size: tuple[int, int]) -> Plane:
    return fill(painter.pose.to_picture(smooth_outline(points)) - corner, size)


def paint_beak(painter: Easel) -> None:
    """Lower and upper beak with its growth lines, and the cere with the nostril."""
    corner, xy = painter.pose.window((0.29, 0.15), (0.45, 0.40))
    scale = painter.pose.scale
    size = xy.shape[:2]
    rng = painter.grain
    base, tip = painter.part("beak_base"), painter.part("beak_tip")
    r = np.hypot(xy[..., 0] - at.BEAK_ROOT[0], (xy[..., 1] - at.BEAK_ROOT[1]))
    t = np.clip((r - at.BEAK_REACH[0]) / (at.BEAK_REACH[1] - at.BEAK_REACH[0]), 0, 1)
    t = t * t * (3 - 2 * t)
    # Horn grows in faint rings and has fine grooves that run from base to tip.
    grooves = np.arctan2(xy[..., 1] - at.BEAK_ROOT[1], xy[..., 0] - at.BEAK_ROOT[0])
    lines = 1 + 0.014 * np.sin(r / 0.0040 + 1.2 * _grain(size, 0.01 * scale, rng))
    lines += 0.020 * np.sin(grooves * 60 + 1.5 * _grain(size, 0.012 * scale, rng))
    lines += 0.012 * _grain(size, 0.0012 * scale, rng)
    colour = base + t[..., None].astype(np.float32) * (tip - base)
    dark_paint = painter.palette.mix("pupil")
    for outline, dim, shine in ((at.BEAK_LOWER, 0.66, 0.04), (at.BEAK_UPPER, 1.0, 0.26)):
        mask = _outline(painter, outline, corner, size)
        cast = blurred(mask, 0.006 * scale) * np.float32(0.45)
        painter.canvas.place(cast * _bird_only(painter, corner, size), dark_paint, corner)
        light, gloss = _rounded(mask, 0.040 * scale, 0.85)
        shade = (light * lines * dim).astype(np.float32)[..., None]
        soft = blurred(mask, 0.0012 * scale)
        painter.canvas.place(soft, colour * shade, corner, gloss * np.float32(shine))
    mask = _outline(painter, at.CERE, corner, size)
    light, gloss = _rounded(mask, 0.014 * scale, 0.45)
    texture = 1 + 0.03 * _grain(size, 0.0012 * scale, rng)
    hole = np.hypot(xy[..., 0] - at.NOSTRIL[0], (xy[..., 1] - at.NOSTRIL[1]) * 1.25)
    dark = 1 - 0.80 / (1 + np.exp((hole - at.NOSTRIL[2]) / 0.0009))
    skin = painter.part("cere") * (light * texture * dark).astype(np.float32)[..., None]
    soft = blurred(mask, 0.0022 * scale)
    painter.canvas.place(soft, skin, corner, gloss * np.float32(0.02))


def _bird_only(painter: Easel, corner: Corner, size: tuple[int, int]) -> Plane:
    """The canvas' cover in a window, 0 where the window sticks out of the picture."""
    height, width = painter.canvas.cover.shape
    x, y = corner
    out = np.zeros(size, np.float32)
    y0, y1, x0, x1 = max(y, 0), min(y + size[0], height), max(x, 0), min(x + size[1], width)
    out[y0 - y : y1 - y, x0 - x : x1 - x] = painter.canvas.cover[y0:y1, x0:x1]
    return out


def paint_eye(painter: Easel) -> None:
    """Bare ring with fine wrinkles, iris, pupil, the lid's shadow and the catch-light."""
    x0, y0 = at.EYE
    corner, xy = painter.pose.window((x0 - 0.075, y0 - 0.075), (x0 + 0.075, y0 + 0.075))
    scale = painter.pose.scale
    size = xy.shape[:2]
    rng = painter.grain
    dx, dy = xy[..., 0] - x0, xy[..., 1] - y0
    r, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
    wobble = 1 + 0.018 * np.sin(3 * angle + 1) + 0.012 * np.sin(7 * angle)
    ring = np.hypot(dx / at.RING_RADII[0], dy / at.RING_RADII[1]) / wobble

    def disc(distance: Array, soft: float) -> Plane:
        return np.clip(0.5 - distance / soft, 0, 1).astype(np.float32)

    skin = painter.part("eye_ring")
    across = (r - at.IRIS_RADIUS) / (at.RING_RADII[0] - at.IRIS_RADIUS)
    folds = 1 + 0.030 * np.sin(across * 17 + 1.2 * _grain(size, 0.004 * scale, rng))
    folds += 0.022 * np.sin(angle * 30 + 2 * _grain(size, 0.004 * scale, rng)) * across
    folds += 0.014 * _grain(size, 0.0009 * scale, rng)
    # A rounded rim: lit from above, a little darker next to the eye and at the feathers.
    lit = 1 - 0.10 * np.clip(1 - across / 0.22, 0, 1) - 0.10 * np.clip((across - 0.75) / 0.25, 0, 1)
    lit += 0.04 * (-dx - dy) / at.RING_RADII[0]
    alpha = blurred(disc((ring - 1) * at.RING_RADII[0], 0.003), 0.0012 * scale)
    shadow = disc((ring - 1.10) * at.RING_RADII[0], 0.012) * np.float32(0.30)
    painter.canvas.place(shadow, painter.palette.mix("pupil"), corner)
    painter.canvas.place(alpha, skin * (folds * lit).astype(np.float32)[..., None], corner)

    # Lid: a thin dark line round the eye.
    lid = disc(r - at.IRIS_RADIUS - 0.0020, 0.003)
    painter.canvas.place(lid * np.float32(0.75), painter.palette.mix("pupil"), corner)
    spokes = 1 + 0.10 * np.sin(angle * 46 + 2.5 * _grain(size, 0.003 * scale, rng))
    spokes += 0.04 * _grain(size, 0.0012 * scale, rng)
    depth = np.clip((r - at.PUPIL_RADIUS) / (at.IRIS_RADIUS - at.PUPIL_RADIUS), 0, 1)
    glow = 1.02 - 0.10 * depth**4 + 0.08 * (dy + dx) / at.IRIS_RADIUS
    glow -= 0.28 * np.clip((-dy / at.IRIS_RADIUS - 0.62) / 0.38, 0, 1)
    iris = painter.part("iris") * (spokes * glow).astype(np.float32)[..., None]
    painter.canvas.place(disc(r - at.IRIS_RADIUS, 0.0022), iris, corner)
    pupil = disc(r - at.PUPIL_RADIUS * (1 + 0.01 * np.sin(5 * angle)), 0.0020)
    painter.canvas.place(pupil, painter.part("pupil"), corner)

    # Catch-light of a window above, with a soft sheen opposite.
    wx, wy = dx + 0.0105, dy + 0.0125
    spot = np.clip(1.25 - (np.abs(wx / 0.0062) ** 3.0 + np.abs(wy / 0.0048) ** 3.0), 0, 1)
    bar = 1 - 0.5 * np.exp(-0.5 * ((wx + 0.2 * wy) / 0.0007) ** 2)
    sheen = 0.035 * np.exp(-0.5 * (((r - 0.024) / 0.004) ** 2 + ((angle - 0.9) / 0.5) ** 2))
    eye = disc(r - at.IRIS_RADIUS, 0.002)
    gloss = blurred(0.85 * spot * bar, 0.0007 * scale + 0.4)
    height, width = painter.canvas.gloss.shape
    x, y = corner
    ys = slice(max(y, 0), min(y + size[0], height))
    xs = slice(max(x, 0), min(x + size[1], width))
    add = (gloss + sheen.astype(np.float32)) * eye
    painter.canvas.gloss[ys, xs] += add[ys.start - y : ys.stop - y, xs.start - x : xs.stop - x]


def paint_feet(painter: Easel) -> None:
    """Toes round the perch with scales and claws, shanks hidden by belly feathers."""
    y = at.PERCH_Y
    for x, toes in ((0.595, (-0.034, 0.004)), (0.705, (-0.030, 0.012))):
        for offset in toes:
            top = (x + 0.3 * offset, y - 0.062)
            path = (
                top, (x + 0.8 * offset, y - 0.046), (x + 1.05 * offset - 0.004, y - 0.026),
                (x + 1.1 * offset - 0.008, y + 0.006),
            )  # fmt: skip
            claw = (
                path[-1], (path[-1][0] - 0.004, y + 0.016), (path[-1][0] - 0.002, y + 0.029),
                (path[-1][0] + 0.003, y + 0.036),
            )  # fmt: skip
            _limb(painter, claw, (0.0066, 0.0010), "claw", scales=0.0)
            _limb(painter, path, (0.0135, 0.0090), "foot", scales=1.0)


def _limb(
    painter: Easel, path: Points, radii: tuple[float, float], part: str, scales: float
) -> None:
    points = smooth_outline(path, 24, closed=False)
    low, high = points.min(axis=0) - 0.03, points.max(axis=0) + 0.03
    corner, xy = painter.pose.window((low[0], low[1]), (high[0], high[1]))
    scale = painter.pose.scale
    best = np.full(xy.shape[:2], np.inf)
    along, side = np.zeros_like(best), np.zeros_like(best)
    position = np.linspace(0, 1, len(points))
    for (px, py), s in zip(points, position, strict=True):
        radius = radii[0] + s * (radii[1] - radii[0])
        d = np.hypot(xy[..., 0] - px, xy[..., 1] - py) - radius
        nearer = d < best
        best = np.where(nearer, d, best)
        along = np.where(nearer, s, along)
        side = np.where(nearer, (xy[..., 0] - px) / radius, side)
    length = float(np.hypot(*np.diff(points, axis=0).T).sum())
    along = blurred(along, 0.002 * scale + 0.5)
    alpha = np.clip(0.5 - best / 0.0025, 0, 1).astype(np.float32)
    light = 1.02 - 0.30 * np.clip(side, -1, 1) ** 2 - 0.18 * np.clip(side, -1, 1)
    if scales:
        scutes = np.mod(along * length / 0.0075 + 0.25 * side**2, 1)
        light *= 1.05 - 0.30 * np.exp(-0.5 * ((scutes - 0.1) / 0.09) ** 2) - 0.10 * scutes
    light *= 1 + 0.03 * _grain(best.shape, 0.0012 * scale, painter.grain)
    cast = np.clip(0.5 - (best - 0.004) / 0.012, 0, 1).astype(np.float32) * np.float32(0.35)
    painter.canvas.place(cast, painter.palette.mix("bark dark") * np.float32(0.5), corner)
    gloss = 0.05 * np.exp(-0.5 * ((side + 0.35) / 0.2) ** 2)
    painter.canvas.place(
        alpha, painter.part(part) * light.astype(np.float32)[..., None], corner,
        gloss.astype(np.float32),
    )  # fmt: skip
