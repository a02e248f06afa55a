"""The scene round the bird: blurred background, perch, grey card, and the finished photo."""

from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt

from simulator import anatomy as at
from simulator import phone
from simulator.bird import Painter, shade_field
from simulator.camera import CAMERAS, EXPOSURE, Triple
from simulator.canvas import Canvas, Mixture, Palette
from simulator.form import Plane, Pose, blurred, fill
from simulator.parts import Plumage

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Light:
    """Lamp, camera and phone of one photo; see ``camera`` and ``phone`` for the meaning.

    ``stray`` is the share of the picture's mean light that the lens scatters evenly over it.
    """

    illuminant: str = "D65"
    camera: str = CAMERAS[0]
    white_balance_error: Triple = (1.0, 1.0, 1.0)
    exposure: float = EXPOSURE
    phone_strength: float = 0.0
    local_gain: float = 0.0
    shot_noise: float = 1.2e-4
    read_noise: float = 1.2e-3
    stray: float = 0.0


@dataclass(frozen=True)
class Setting:
    """How the scene is arranged.

    Parameters
    ----------
    height : int
        Picture height in pixels; the width is 4/3 of it.
    scale, x, y : float
        Size of the bird's frame and place of its origin, in picture heights.
    turn : float
        Degrees the bird leans, clockwise.
    mirrored : bool
        The bird faces right.
    card : "whole", "none" or "half in shadow"
    card_turn : float
        Degrees.
    background : sequence of mixtures
        Wall, then what stands in front of it out of focus.
    """

    height: int
    scale: float = 0.93
    x: float = 0.12
    y: float = -0.03
    turn: float = 0.0
    mirrored: bool = False
    card: str = "whole"
    card_turn: float = -4.0
    background: tuple[Mixture, ...] = ({"wall": 1.0}, {"leaf": 1.0}, {"bark": 1.0})

    @property
    def size(self) -> tuple[int, int]:
        """(height, width) of the picture."""
        return self.height, round(self.height * 4 / 3)

    @property
    def pose(self) -> Pose:
        """Where the bird's frame lies in the picture."""
        height, width = self.size
        x = width - self.x * height if self.mirrored else self.x * height
        return Pose(self.scale * height, (x, self.y * height), self.turn, self.mirrored)


@dataclass(frozen=True)
class Rendered:
    """A painted scene before the camera's noise and the phone.

    Parameters
    ----------
    linear : (h, w, 3) float32 array
        Linear sRGB from the camera.
    xyz : (h, w, 3) float32 array
        True XYZ (D65, white Y = 1) of the material in each pixel, feather texture included, light
        and shade left out.
    shade : (h, w) float32 array
        Light that falls on each pixel relative to the fully lit card.
    """

    linear: Plane
    xyz: Plane
    shade: Plane
    pose: Pose = field(default_factory=lambda: Pose(1.0, (0.0, 0.0)))


def paint_scene(plumage: Plumage, setting: Setting, light: Light, seed: int) -> Rendered:
    """Paint a bird in its surroundings under a light.

    Parameters
    ----------
    plumage : Plumage
    setting : Setting
    light : Light
    seed : int
        Which bird: varies the materials, every feather and the background.
    """
    # Own streams, so that the same bird is painted whatever the picture size.
    feathers, grain, rng = (np.random.default_rng([seed, stream]) for stream in range(3))
    palette = Palette.lit(
        light.illuminant, light.camera, light.white_balance_error, light.exposure, seed
    )
    size, pose = setting.size, setting.pose
    canvas = Canvas.on(_background(setting, palette, rng))
    _perch(canvas, pose, palette, rng)
    lit = np.ones(size, np.float32)
    if setting.card != "none":
        _card(canvas, setting, palette, rng)
        if setting.card == "half in shadow":
            lit = _shadow_edge(setting)
    Painter(canvas, pose, palette, plumage, feathers, grain).paint()
    shade = pose.spread(shade_field(), size)
    shade = canvas.cover * shade + (1 - canvas.cover) * lit
    linear = canvas.paint[..., :3] * shade[..., None]
    linear += canvas.gloss[..., None] * palette.white[:3]
    return Rendered(linear, canvas.paint[..., 3:], shade, pose)


def take_photo(scene: Rendered, light: Light, seed: int) -> npt.NDArray[np.uint8]:
    """Lens blur, sensor noise, the phone's rendering, 8 bits; (h, w, 3)."""
    blur = 0.45 + scene.linear.shape[0] / 14000
    sharp = blurred(scene.linear, blur)
    if light.stray:
        sharp = sharp + light.stray * (sharp.mean(axis=(0, 1)) - sharp)
    noisy = phone.add_noise(sharp, seed, light.shot_noise, light.read_noise)
    # A camera's own noise reduction leaves soft grain.
    noisy = blurred(noisy, 0.5)
    return phone.to_8bit(phone.render_picture(noisy, light.phone_strength, light.local_gain))


def _background(setting: Setting, palette: Palette, rng: np.random.Generator) -> Plane:
    """Far out of focus, so painted at an eighth of the size."""
    height, width = (max(n // 8, 24) for n in setting.size)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32) / height
    wall, *things = (palette.mix(m) for m in setting.background)
    picture = np.empty((height, width, 6), np.float32)
    picture[:] = wall
    for number, paint in enumerate(things):
        mask = np.zeros((height, width), np.float32)
        for _ in range(7):
            if number % 2:  # a branch or a wire
                a = rng.uniform((-0.1, -0.1), (1.4, 1.1))
                b = a + rng.normal(0, 1, 2) * (0.35, 0.8)
                thick = int(rng.uniform(0.012, 0.045) * height) + 1
                ends = [tuple((p * height).astype(int).tolist()) for p in (a, b)]
                cv2.line(mask, ends[0], ends[1], 1.0, thick, cv2.LINE_AA)
            else:  # a soft clump of leaves
                centre = rng.uniform((-0.1, -0.1), (1.45, 1.1)) * height
                for _ in range(26):
                    p = centre + rng.normal(0, 0.10, 2) * height
                    axes = rng.uniform(0.02, 0.07, 2) * height + 1
                    one = tuple(np.round(p).astype(int).tolist())
                    two = tuple(np.round(axes).astype(int).tolist())
                    cv2.ellipse(mask, one, two, rng.uniform(0, 180), 0, 360, 1.0, -1, cv2.LINE_AA)
        mask = blurred(mask, (0.035, 0.022)[number % 2] * height)
        picture += (rng.uniform(0.45, 0.7) * mask)[..., None] * (paint - picture)
    fall = 0.95 - 0.25 * np.hypot(x - 0.35, y - 0.25)
    mottle = blurred(rng.standard_normal((height, width)), 0.09 * height)
    picture *= (0.78 * fall * (1 + 0.10 * mottle / mottle.std()))[..., None]
    return np.asarray(cv2.resize(picture, setting.size[::-1], interpolation=cv2.INTER_CUBIC))


def _perch(canvas: Canvas, pose: Pose, palette: Palette, rng: np.random.Generator) -> None:
    """A cut branch with bark, running out of the picture in front of the bird's chest."""
    corner, xy = pose.window((-0.75, at.PERCH_Y - 0.08), (at.PERCH_END + 0.03, at.PERCH_Y + 0.08))
    height, width = canvas.cover.shape
    x0, x1 = max(-corner[0], 0), min(width - corner[0], xy.shape[1])
    y0, y1 = max(-corner[1], 0), min(height - corner[1], xy.shape[0])
    xy, corner = xy[y0:y1, x0:x1], (corner[0] + x0, corner[1] + y0)
    x, y = xy[..., 0], xy[..., 1]
    size = x.shape
    small = (max(size[1] // 4, 2), max(size[0] // 4, 2))

    def noise(across: float, along: float) -> Plane:
        n = rng.standard_normal(small[::-1]).astype(np.float32)
        s = pose.scale / 4
        n = blurred(n, along * s + 0.3, across * s + 0.3)
        return cv2.resize(n / n.std(), size[::-1], interpolation=cv2.INTER_CUBIC)

    bend = 0.006 * np.sin(x * 5.0) + 0.003 * np.sin(x * 17)
    radius = at.PERCH_RADIUS * (1 + 0.05 * np.sin(x * 9 + 1) + 0.015 * noise(0.004, 0.012))
    v = (y - at.PERCH_Y - bend) / radius
    inside = (1 - np.abs(v)) * at.PERCH_RADIUS
    end = at.PERCH_END + 0.010 * np.sqrt(np.clip(1 - v**2, 0, 1)) - x
    alpha = np.clip(np.minimum(inside, end) / 0.0025 + 0.5, 0, 1).astype(np.float32)
    round_ = np.sqrt(np.clip(1 - v**2, 0, 1))
    light = 0.50 + 0.42 * round_ - 0.30 * v
    ridges = (
        1 + 0.09 * noise(0.0022, 0.018) + 0.07 * noise(0.0012, 0.004) + 0.05 * noise(0.02, 0.03)
    )
    lichen = np.clip(noise(0.008, 0.012) - 1.0, 0, 1)[..., None] * np.float32(0.5)
    bark = palette.mix({"bark": 0.55, "bark dark": 0.45})
    paint = bark + lichen * (palette.mix({"leaf": 0.3, "wall": 0.7}) - bark)
    # The bird's own soft shadow on the branch.
    shadow = 1 - 0.45 * np.exp(-0.5 * (((x - 0.68) / 0.13) ** 2 + ((v + 0.7) / 0.8) ** 2))
    cut = np.clip((0.012 - end) / 0.004, 0, 1).astype(np.float32)[..., None]
    paint = paint + cut * (palette.mix("wood") - paint)
    tone = (light * ridges * shadow).astype(np.float32)[..., None]
    canvas.place(alpha, paint * tone, corner, bird=False)


def card_corners(turn: float, inset: float = 0.0) -> Array:
    """Corners of the card in the bird's frame, ``inset`` from its edge; (4, 2)."""
    half = np.array(at.CARD_SIZE) / 2 - inset
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
    a = np.radians(turn)
    rotation = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    return np.asarray(corners @ rotation.T + at.CARD_CENTRE)


def _card(canvas: Canvas, setting: Setting, palette: Palette, rng: np.random.Generator) -> None:
    pose, size = setting.pose, canvas.cover.shape
    outer = pose.to_picture(card_corners(setting.card_turn))
    inner = pose.to_picture(card_corners(setting.card_turn, at.CARD_BORDER))
    corner = np.floor(outer.min(axis=0)).astype(int) - 4
    patch = tuple((np.ceil(outer.max(axis=0)).astype(int) + 4 - corner)[::-1].tolist())
    place = (int(corner[0]), int(corner[1]))
    fine = rng.standard_normal(patch).astype(np.float32)
    paper = blurred(fine, 0.0012 * pose.scale + 0.4)
    texture = (1 + 0.006 * paper / paper.std())[..., None]
    white = palette.mix({"white 90 %": 0.80, "black 4 %": 0.20})
    for outline, paint in ((outer, white), (inner, palette.mix("grey 18 %"))):
        canvas.place(fill(outline - corner, patch), paint * texture, place, bird=False)
    _peg(canvas, setting, palette, rng, size)


def _peg(
    canvas: Canvas, setting: Setting, palette: Palette, rng: np.random.Generator, size: tuple
) -> None:
    """A wooden clip that holds the card on the branch."""
    pose = setting.pose
    x = at.CARD_CENTRE[0]
    top = at.CARD_CENTRE[1] + at.CARD_SIZE[1] / 2
    for left, right, tone in ((x - 0.021, x - 0.002, 0.95), (x + 0.002, x + 0.021, 0.82)):
        shape = [
            (left, top - 0.030),
            (right, top - 0.030),
            (right, top + 0.085),
            (left, top + 0.085),
        ]
        outline = pose.to_picture(shape)
        corner = np.floor(outline.min(axis=0)).astype(int) - 3
        patch = tuple((np.ceil(outline.max(axis=0)).astype(int) + 3 - corner)[::-1].tolist())
        grain = rng.standard_normal(patch).astype(np.float32)
        grain = blurred(grain, 0.0008 * pose.scale + 0.3, 0.02 * pose.scale)
        paint = palette.mix("wood") * (tone * (1 + 0.07 * grain / grain.std()))[..., None]
        mask = blurred(fill(outline - corner, patch), 0.001 * pose.scale)
        canvas.place(mask, paint.astype(np.float32), (int(corner[0]), int(corner[1])), bird=False)


def _shadow_edge(setting: Setting) -> Plane:
    """Light plane with a soft shadow edge running over the card from corner to corner."""
    height, width = setting.size
    pose = setting.pose
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    centre = pose.to_picture([at.CARD_CENTRE])[0]
    across = (x - centre[0]) * (-1 if setting.mirrored else 1) + 0.35 * (y - centre[1])
    return 0.45 + 0.55 / (1 + np.exp(-np.clip(across / (0.006 * pose.scale), -30, 30)))
