"""The regions a careful keeper would draw on the painted bird, in the bird's frame."""

import numpy as np

from fieldmarks.measure.region import Ellipse, Polygon, Rectangle, Region, Shape
from simulator import anatomy as at
from simulator.form import Points, Pose, smooth_outline
from simulator.scene import Setting, card_corners

# Mark -> a few points, joined by a smooth line.
OUTLINES = {
    "forehead": (
        (0.428, 0.168), (0.440, 0.146), (0.462, 0.130), (0.470, 0.146), (0.452, 0.166),
        (0.436, 0.180),
    ),
    "crown": (
        (0.505, 0.130), (0.550, 0.122), (0.590, 0.142), (0.585, 0.165), (0.545, 0.165),
        (0.512, 0.156),
    ),
    "back_of_head": (
        (0.625, 0.165), (0.650, 0.180), (0.668, 0.215), (0.652, 0.225), (0.628, 0.205),
    ),
    "nape": (
        (0.672, 0.268), (0.694, 0.262), (0.712, 0.290), (0.716, 0.318), (0.694, 0.322),
        (0.676, 0.302),
    ),
    "face": (
        (0.434, 0.225), (0.446, 0.218), (0.444, 0.245), (0.447, 0.268), (0.440, 0.292),
        (0.430, 0.280),
    ),
    "cheek": (
        (0.465, 0.312), (0.500, 0.302), (0.540, 0.308), (0.548, 0.340), (0.515, 0.368),
        (0.470, 0.358),
    ),
    "ear": (
        (0.570, 0.305), (0.600, 0.296), (0.622, 0.312), (0.610, 0.342), (0.580, 0.352),
        (0.566, 0.330),
    ),
    "collar": (
        (0.545, 0.416), (0.600, 0.401), (0.655, 0.364), (0.693, 0.331), (0.714, 0.348),
        (0.673, 0.390), (0.610, 0.428), (0.548, 0.442),
    ),
    "bib": (
        (0.408, 0.418), (0.440, 0.424), (0.476, 0.430), (0.474, 0.462), (0.440, 0.480),
        (0.406, 0.470),
    ),
    "chest": (
        (0.405, 0.540), (0.440, 0.532), (0.480, 0.545), (0.482, 0.590), (0.450, 0.615),
        (0.414, 0.600),
    ),
    "belly": (
        (0.480, 0.705), (0.530, 0.700), (0.590, 0.735), (0.610, 0.770), (0.560, 0.775),
        (0.505, 0.745),
    ),
    "back": (
        (0.745, 0.420), (0.775, 0.415), (0.815, 0.465), (0.838, 0.510), (0.812, 0.520),
        (0.775, 0.475),
    ),
    "wing": (
        (0.590, 0.490), (0.640, 0.485), (0.700, 0.530), (0.735, 0.600), (0.690, 0.640),
        (0.610, 0.590),
    ),
    "flights": (
        (0.925, 0.866), (0.944, 0.862), (0.972, 0.892), (0.996, 0.926), (0.982, 0.920),
        (0.950, 0.896),
    ),
    "rump": (
        (0.880, 0.610), (0.905, 0.590), (0.930, 0.650), (0.945, 0.720), (0.928, 0.735),
        (0.900, 0.680),
    ),
    "tail_tip": (
        (1.022, 0.979), (1.036, 0.971), (1.050, 0.977), (1.047, 0.986), (1.035, 0.991),
        (1.025, 0.988),
    ),
    "beak_base": (
        (0.400, 0.232), (0.410, 0.240), (0.415, 0.272), (0.410, 0.302), (0.398, 0.300),
        (0.396, 0.265),
    ),
    "beak_tip": (
        (0.334, 0.305), (0.346, 0.304), (0.352, 0.325), (0.347, 0.352), (0.340, 0.348),
        (0.335, 0.330),
    ),
    "cere": (
        (0.410, 0.194), (0.418, 0.196), (0.4215, 0.206), (0.4205, 0.221), (0.4155, 0.221),
        (0.4105, 0.212),
    ),
    "mask_edge": (
        (0.440, 0.380), (0.490, 0.391), (0.545, 0.392), (0.590, 0.379), (0.594, 0.390),
        (0.548, 0.404), (0.490, 0.404), (0.438, 0.392),
    ),
}  # fmt: skip

# Where the patch is smaller than usual on some birds.
SMALL_BIB = (
    (0.402, 0.395),
    (0.418, 0.389),
    (0.434, 0.396),
    (0.434, 0.411),
    (0.418, 0.418),
    (0.403, 0.413),
)

POINTS_PER_SPAN = 3


def polygon(points: Points, pose: Pose) -> Polygon:
    """A smooth outline in the bird's frame as a polygon in photo pixels."""
    xy = pose.to_picture(smooth_outline(points, POINTS_PER_SPAN))
    return Polygon(tuple((round(float(x), 1), round(float(y), 1)) for x, y in xy))


def _circle(centre: tuple[float, float], radii: tuple[float, float], pose: Pose) -> Ellipse:
    x, y = pose.to_picture([centre])[0]
    turn = -pose.turn if pose.mirrored else pose.turn
    rx, ry = (round(r * pose.scale, 1) for r in radii)
    return Ellipse(round(float(x), 1), round(float(y), 1), rx, ry, turn)


def drawn_regions(
    setting: Setting, leave_out: tuple[str, ...] = (), small_bib: bool = False
) -> tuple[Region, ...]:
    """All regions of a picture, the card included when there is one.

    Parameters
    ----------
    setting : Setting
    leave_out : tuple of str
        Marks that this bird does not show.
    small_bib : bool
        Draw the bib as the tiny patch that it is.
    """
    pose = setting.pose
    shapes: dict[str, Shape] = {}
    if setting.card != "none":
        shapes["card"] = _card_shape(setting)
    for mark, points in OUTLINES.items():
        if mark not in leave_out:
            shapes[mark] = polygon(SMALL_BIB if mark == "bib" and small_bib else points, pose)
    shapes["eye_ring"] = _circle(at.EYE, (at.RING_RADII[0] * 0.955, at.RING_RADII[1] * 0.955), pose)
    shapes["iris"] = _circle(at.EYE, (at.IRIS_RADIUS, at.IRIS_RADIUS), pose)
    shapes["pupil"] = _circle(at.EYE, (at.PUPIL_RADIUS, at.PUPIL_RADIUS), pose)
    return tuple(
        Region(id=mark, mark=mark, shape=shape, value=0.18 if mark == "card" else None)
        for mark, shape in shapes.items()
    )


def _card_shape(setting: Setting) -> Shape:
    """The plain grey part above the clip."""
    corners = card_corners(setting.card_turn, at.CARD_BORDER + 0.010)
    # The clip covers the lower edge.
    up = (corners[0] - corners[3]) / np.linalg.norm(corners[0] - corners[3])
    corners[2:] += 0.030 * up
    xy = setting.pose.to_picture(corners)
    upright = setting.card_turn == 0 and setting.turn == 0
    if upright:
        (x0, y0), (x1, y1) = xy.min(axis=0).round(1), xy.max(axis=0).round(1)
        return Rectangle(float(x0), float(y0), float(x1 - x0), float(y1 - y0))
    sides = [
        a + (b - a) * t
        for a, b in zip(xy, np.roll(xy, -1, axis=0), strict=True)
        for t in (0, 1 / 3, 2 / 3)
    ]
    return Polygon(tuple((round(float(x), 1), round(float(y), 1)) for x, y in sides))
