"""Painting one bird: feather by feather, then beak, eye and feet."""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import RBFInterpolator

from simulator import anatomy as at
from simulator.canvas import Palette, vanes
from simulator.form import (
    GRID,
    Flow,
    Plane,
    Points,
    area_mask,
    blurred,
    frame_size,
    light_on,
    roundness,
    sample,
    scattered,
    smooth_outline,
)
from simulator.parts import Easel, Plumage, paint_beak, paint_eye, paint_feet

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class _Look:
    """Size (frame units), shadow and unevenness of scattered feathers."""

    length: Array
    width: Array
    shadow: Array
    tone: float


def colour_field(plumage: Plumage, palette: Palette, rng: np.random.Generator) -> Plane:
    """Paint of the plumage over the bird's frame, (h, w, 6)."""
    field_ = np.empty((*frame_size(), 6), np.float32)
    field_[:] = palette.mix(plumage.areas["body"])
    for name, (outline, softness) in at.AREAS.items():
        patches = [p for p in plumage.patchy if p.area == name]
        if name not in plumage.areas and not patches:
            continue
        mask = area_mask(outline, softness)[..., None]
        if name in plumage.areas:
            field_ += mask * (palette.mix(plumage.areas[name]) - field_)
        for patch in patches:
            spots = _spots(mask[..., 0] > 0.5, patch.share, patch.size, rng)
            field_ += mask * spots[..., None] * (palette.mix(patch.mixture) - field_)
    return field_


def _spots(
    inside: npt.NDArray[np.bool_], share: float, size: float, rng: np.random.Generator
) -> Plane:
    """Random patches that cover a share of an area; soft 0..1 plane."""
    noise = blurred(rng.standard_normal(inside.shape), size * GRID / 2)
    level = np.quantile(noise[inside], 1 - share)
    steep = 0.25 * noise[inside].std()
    return np.clip((noise - level) / steep + 0.5, 0, 1)


@lru_cache(maxsize=1)
def shade_field() -> Plane:
    """Light on the bird's body relative to light on the card, over its frame."""
    body, head, wing = (roundness(o) for o in (at.BODY, at.HEAD, at.WING))
    height = np.maximum(0.62 * body, 0.55 * body + 0.42 * head)
    height = blurred(height, 0.012 * GRID) + 0.22 * wing
    light = light_on(height, smooth=0.02)
    # Slopes are endless at an outline; light from there is carried out from just inside.
    inside = area_mask(at.BODY) > 0.5
    core = cv2.erode(inside.astype(np.uint8), np.ones((3, 3)), iterations=3).astype(np.float32)
    light = np.where(core > 0, light, 0)
    wide = [blurred(p, 0.02 * GRID) for p in (light * core, core)]
    light = np.where(core > 0, light, wide[0] / np.maximum(wide[1], 1e-3))
    light = np.where(wide[1] > 1e-3, light, 0.8)
    # Contact shadows: below the folded wing, and of the head on the neck.
    shadow = _drop_shadow(at.WING, (0.006, 0.016), 0.016, 0.30)
    chin = _drop_shadow(at.BEAK_LOWER, (0.010, 0.022), 0.012, 0.25)
    light = blurred(light, 0.006 * GRID)
    # Feathers scatter light round the form: gentler than on a hard ball, except where the form
    # turns away.
    light = light * shadow * chin
    turned = np.clip((0.74 - light) / 0.30, 0, 1)
    shade = np.clip(1.04 * light**0.65 * (1 - 0.35 * turned), 0.4, 1.15).astype(np.float32)
    shade.flags.writeable = False
    return shade


def _drop_shadow(outline: Points, shift: tuple[float, float], blur: float, depth: float) -> Plane:
    mask = area_mask(outline)
    moved = np.array([[1, 0, shift[0] * GRID], [0, 1, shift[1] * GRID]])
    cast = blurred(np.asarray(cv2.warpAffine(mask, moved, mask.shape[::-1])), blur * GRID)
    return np.asarray(1 - depth * cast * (1 - blurred(mask, 0.004 * GRID)))


class Painter(Easel):
    """Paints one bird on a canvas."""

    def paint(self) -> None:
        """The whole bird, from the far side to the near side."""
        colours = colour_field(self.plumage, self.palette, self.rng)
        self._tail()
        self._undercoat(colours)
        feathers = self._feathers()
        late = sample(area_mask(at.OVER_WING), feathers[:, :2]) > 0.5
        down = self._feathers(fine=True)
        late_down = sample(area_mask(at.OVER_WING), down[:, :2]) > 0.5
        self._contour(feathers[~late], colours)
        self._down(down[~late_down], colours)
        self._wing()
        self._contour(feathers[late], colours)
        self._down(down[late_down], colours)
        self._fringe(colours)
        paint_beak(self)
        self._bristles(colours)
        paint_eye(self)
        paint_feet(self)
        self._thighs(colours)

    def _thighs(self, colours: Plane) -> None:
        """Loose feathers that hide where the legs leave the belly."""
        places = np.clip(self.rng.normal(0, 1, (260, 2)), -1.4, 1.4) * (0.020, 0.009)
        places += self.rng.choice(np.array([[0.592, 0.812], [0.702, 0.824]]), 260)
        places = places[np.argsort(-places[:, 1], kind="stable")]
        self._contour(np.column_stack([places, np.full(260, 0.0125)]), colours)
        self._down(np.column_stack([places, np.full(260, 0.0125)]), colours)

    def _undercoat(self, colours: Plane) -> None:
        size = self.canvas.cover.shape
        mask = self.pose.spread(area_mask(at.BODY, 0.003), size)
        self.canvas.place(mask, self.pose.spread(colours * 0.8, size), (0, 0))

    def _feathers(self, fine: bool = False) -> Array:
        """Rows (x, y, spacing) of all body feathers, those farthest from the beak first."""
        table = np.asarray(at.SPACING)
        rbf = RBFInterpolator(table[:, :2], table[:, 2], kernel="linear")
        h, w = frame_size(60)
        y, x = np.mgrid[0:h, 0:w]
        coarse = rbf(np.column_stack([x.ravel() + 0.5, y.ravel() + 0.5]) / 60).reshape(h, w)
        spacing = np.clip(coarse, 0.006, 0.025).astype(np.float32)
        spacing = cv2.resize(spacing, frame_size()[::-1], interpolation=cv2.INTER_LINEAR)
        spacing = 0.0045 + 0.16 * spacing if fine else 0.72 * spacing
        points = scattered(area_mask(at.BODY), spacing, self.rng)
        order = np.argsort(-_away(points, at.BEAK_ROOT), kind="stable")
        points = points[order]
        return np.column_stack([points, sample(spacing, points)])

    def _contour(self, feathers: Array, colours: Plane) -> None:
        """Rounded feathers, each of one colour; a fine down of hair-like ones over them."""
        rng = self.rng
        points, spacing = feathers[:, :2], feathers[:, 2]
        if not len(points):
            return
        direction = self._lie(points, 0.12)
        hair = spacing < 0.0088
        look = _Look(
            length=spacing * np.where(hair, 3.4, 2.9) * rng.uniform(0.88, 1.12, len(points)),
            width=spacing * np.where(hair, 1.6, 2.0),
            shadow=np.where(hair, 0.06, 0.10),
            tone=0.035,
        )
        seen = points + (direction + rng.normal(0, 0.30, points.shape)) * spacing[:, None]
        for name, some in (("hair", hair), ("contour", ~hair)):
            self._scatter(name, points, direction, sample(colours, seen), look, some)

    def _down(self, feathers: Array, colours: Plane) -> None:
        """Fine hair-like barbs over the plumage: they blur the feather edges."""
        rng = self.rng
        points = feathers[:, :2]
        direction = self._lie(points, 0.16)
        spacing = feathers[:, 2]
        look = _Look(
            length=(0.008 + 0.75 * spacing) * rng.uniform(0.7, 1.2, len(points)),
            width=0.0022 + 0.16 * spacing,
            shadow=np.full(len(points), 0.05),
            tone=0.075,
        )
        seen = points + direction * 0.004 + rng.normal(0, 0.003, points.shape)
        everyone = np.ones(len(points), bool)
        self._scatter("hair", points, direction, sample(colours, seen), look, everyone)

    def _fringe(self, colours: Plane) -> None:
        """Hair-fine feather ends along the outline of the body."""
        edge = smooth_outline(at.BODY, 60)
        points = edge + 0.020 * (np.array([0.60, 0.47]) - edge)
        points += self.rng.normal(0, 0.0035, points.shape)
        # Neither in the beak nor where wing tip and tail leave the body.
        free = _away(points, (0.39, 0.27)) > 0.085
        points = points[free & (_away(points, (0.97, 0.82)) > 0.15)]
        points = points[np.argsort(-_away(points, at.BEAK_ROOT), kind="stable")]
        spacing = np.clip(0.006 + 0.030 * _away(points, at.BEAK_ROOT), 0.008, 0.018)
        self._down(np.column_stack([points, spacing]), colours)

    def _bristles(self, colours: Plane) -> None:
        """Short face feathers that lie over the root of the beak."""
        rng, count = self.rng, 150
        y = rng.uniform(0.243, 0.372, count)
        # Below the gape the face feathers reach further forward.
        points = np.column_stack([0.434 - 0.012 * np.clip((y - 0.325) / 0.045, 0, 1), y])
        points += rng.normal(0, 0.0018, points.shape)
        direction = np.array([-0.85, 0.5]) + rng.normal(0, 0.25, points.shape)
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        length = rng.uniform(0.012, 0.019, count)
        look = _Look(length, np.full(count, 0.0042), np.full(count, 0.08), 0.06)
        paints = sample(colours, points + np.array([0.006, 0.0]))
        self._scatter("hair", points, direction, paints, look, np.ones(count, bool))

    def _lie(self, points: Array, unrest: float) -> Array:
        """Direction of each feather, with a random turn of ``unrest`` radians."""
        d = Flow.through(at.FLOW).at(points)
        turn = self.rng.normal(0, unrest, len(points))
        cos, sin = np.cos(turn), np.sin(turn)
        return np.column_stack([cos * d[:, 0] - sin * d[:, 1], sin * d[:, 0] + cos * d[:, 1]])

    def _scatter(
        self,
        kind: str,
        points: Array,
        direction: Array,
        paints: Plane,
        look: _Look,
        some: npt.NDArray[np.bool_],
    ) -> None:
        pose, rng = self.pose, self.rng
        roots = pose.to_picture(points - 0.25 * direction * look.length[:, None])
        along = (direction * look.length[:, None]) @ pose.linear.T
        tone = np.exp(rng.normal(0, look.tone, len(points))).astype(np.float32)
        pick = rng.integers(0, 6, len(points))
        feathers = vanes(kind)
        for i in np.flatnonzero(some):
            paint = paints[i] * tone[i]
            self.canvas.stamp(
                feathers[pick[i]], roots[i], along[i], look.width[i] * pose.scale,
                paint, paint * np.float32(1.05), look.shadow[i],
            )  # fmt: skip

    def _row(self, kind: str, row: at.Row, paint: Plane, edge: Plane, shadow: float) -> None:
        """A row of like feathers, roots and tips spread along two curves, the first one lowest."""
        roots, tips = (
            curve[np.round(np.linspace(0, len(curve) - 1, row.count)).astype(int)]
            for curve in (smooth_outline(p, 40, closed=False) for p in (row.roots, row.tips))
        )
        kinds = vanes(kind)
        for a, b, width in zip(roots, tips, np.linspace(*row.width, row.count), strict=True):
            wobble = self.rng.normal(0, 0.0025, (2, 2))
            root, tip = self.pose.to_picture(np.stack([a, b]) + wobble)
            tone = np.float32(np.exp(self.rng.normal(0, 0.035)))
            self.canvas.stamp(
                kinds[int(self.rng.integers(0, 6))], root, tip - root, width * self.pose.scale,
                paint * tone, edge * tone, shadow, self.pose.mirrored,
            )  # fmt: skip

    def _tail(self) -> None:
        for row in at.TAIL:
            self._row("tail", row, self.part("tail"), self.part("tail_tip"), 0.25)

    def _wing(self) -> None:
        flight, covert = self.part("flight"), self.part("covert")
        edge = self.part("covert_edge")
        self._row("flight", at.PRIMARIES, flight, self.part("flight_edge"), 0.35)
        self._row("secondary", at.SECONDARIES, 0.45 * flight + 0.55 * covert, edge, 0.30)
        for row in at.COVERTS:
            self._row("covert", row, covert, edge, 0.22)


def _away(points: Array, place: tuple[float, float]) -> Array:
    """Distance of points (n, 2) from a place; (n,)."""
    return np.asarray(np.hypot(points[:, 0] - place[0], points[:, 1] - place[1]))
