"""Evidence: readings made ready for the model, with what is doubtful about each by itself.

What one photo does to all its colours alike is not part of it: that is the rendering, of which only
how strange it may be is settled here.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fieldmarks.judge.rendering import Array
from fieldmarks.measure.quantities import (
    Lab,
    Population,
    Reading,
    axes_along,
    axes_at,
    difference_weights,
    weights_along,
)
from fieldmarks.measure.uncertainty import CAMERA, GLARE, SPREAD, camera_terms
from fieldmarks.rules.tables import Tables

# Renderings (rows: mean, standard deviation; columns as in TERMS), fitted to 19 charts after one
# grey card and to 11 as the camera wrote them (benchmarks/renderings.py). Without a card cast,
# contrast and saturation spread about twice as far, as pictures are often worked on.
RENDERINGS = {
    "card": np.array([[0, 0, 0, 0.06, 0.0, -1.0], [0.12, 0.07, 0.07, 0.18, 0.12, 0.8]]),
    "none": np.array([[-0.1, 0, 0.05, 0.08, 0.05, -0.8], [0.5, 0.15, 0.2, 0.22, 0.22, 1.0]]),
    # After something else was taken for the card: of L* 20 to 90, of chroma up to about 20.
    "no card": np.array([[0, 0, 0, 0.06, 0.0, -1.0], [0.9, 0.3, 0.35, 0.22, 0.22, 1.0]]),
}
# A tolerance of the tables counts as so many standard deviations of the birds. Chosen on the shared
# birds (benchmarks/leave_one_bird_out.py leaves each out).
TOLERANCE_FACTOR = 2.0
TOP = 1.0  # linear light where a photo without a card is cut off
# What the same charts keep of error in every patch by itself, L*, a*, b* units.
OWN_COLOUR = 3.5
# Light on one mark of a bird against another, relative: round body, sheen, a lamp above. Without a
# card chosen on the shared birds (benchmarks/leave_one_bird_out.py); who lays a card by the bird
# sees to the light (our judgement).
OWN_LIGHT, OWN_LIGHT_CARD = 0.4, 0.15
# An outline that is a pixel or two off mixes in what lies beside it: L*, a*, b* units over the
# width of the mark in pixels (our judgement).
OWN_OUTLINE = 24.0
CLIPPED = 12.0  # L*: how much darker a median may be where a share of the pixels was cut off
# Any colour at all: CIELAB mean and standard deviations of what feathers and skin show.
ANY_MEAN, ANY_SPREAD = np.array([55.0, 5.0, 20.0]), np.array([28.0, 22.0, 28.0])
GREY_CARD = (49.5,)  # L* of an 18 % grey card
SHARED_PARTS = ("card", CAMERA, "no card", GLARE)  # in every mark alike
# How alike two readings of one mark of one bird are off: the bird itself differs from the table in
# both, only the photo does not. Readings of a mark then count as n / (1 + (n - 1) ALIKE) apart ones
# (design effect, Kish 1965): never as more than two (our judgement; sized on nothing).
ALIKE = 0.5


@dataclass(frozen=True, eq=False)
class Evidence:
    """Everything that was read of one bird, ready for the model.

    Args:
        marks: Mark of each observation; one with several colours has one for each.
        lab: (m, 3) array.
        own ((m, 3, 3) array): Covariance of what is doubtful about each by itself.
        weight ((m,) array): Share of the mark's area.
        any ((m,) array): Logarithm of the density of any colour at all.
        prior ((2, 6) array): Mean and standard deviations of the rendering.
        top: Where the photo is cut off.
        pupil_cut: Whether the pupil was cut out of the iris.
        without_card: The same for the case that the card is no grey card; None where there is none.
    """

    marks: tuple[str, ...]
    lab: Array
    own: Array
    weight: Array
    any: Array
    prior: Array
    top: float | None
    pupil_cut: bool = True
    without_card: Evidence | None = None

    def of(self, marks: Collection[str]) -> Evidence:
        """The part of it that was read on some marks."""
        keep = np.array([mark in marks for mark in self.marks], bool)
        if keep.all():
            return self
        return replace(
            self,
            marks=tuple(mark for mark in self.marks if mark in marks),
            lab=self.lab[keep],
            own=self.own[keep],
            weight=self.weight[keep],
            any=self.any[keep],
        )

    def counting(self, times: Mapping[str, int]) -> Evidence:
        """The same, where each mark was read so many times in all; see :data:`ALIKE`."""
        other = self.without_card and self.without_card.counting(times)
        weight = self.weight * [repeated(times[mark]) for mark in self.marks]
        return replace(self, weight=weight, without_card=other)


def repeated(times: int) -> float:
    """What each of several readings of one mark counts; 1 where it was read once."""
    return 1 / (1 + (times - 1) * ALIKE)


def gather(readings: Sequence[Reading]) -> Evidence:
    """Make readings of one photo, at most one per mark, ready for the model."""
    if not all(r.calibrated for r in readings):
        return _gather(readings, "none", 1.0, OWN_LIGHT, TOP)
    evidence = _gather(readings, "card", camera_share(readings), OWN_LIGHT_CARD, None)
    return replace(evidence, without_card=_gather(readings, "no card", 1.0, OWN_LIGHT, None))


def _gather(
    readings: Sequence[Reading], card: str, share: float, light: float, top: float | None
) -> Evidence:
    rows = [row for reading in readings for row in _observations(reading, share, light)]
    marks, labs, own, weights = zip(*rows, strict=True) if rows else ((), (), (), ())
    lab = np.array(labs, float).reshape(-1, 3)
    apart = ((lab - ANY_MEAN) / ANY_SPREAD) ** 2
    anything = -0.5 * apart.sum(axis=1) - np.log(ANY_SPREAD).sum() - 1.5 * math.log(2 * math.pi)
    return Evidence(
        marks=marks,
        lab=lab,
        own=np.array(own, float).reshape(-1, 3, 3),
        weight=np.array(weights, float),
        any=anything,
        prior=RENDERINGS[card] * share,
        top=top,
        pupil_cut=any(r.mark == "pupil" for r in readings),
    )


def camera_share(readings: Sequence[Reading]) -> float:
    """How wide the stated doubt about the camera is beside that of one grey card, about 1."""
    shares = []
    for reading in readings:
        scale = np.array(difference_weights(reading.lab))
        plain = np.array(camera_terms(reading.lab, GREY_CARD))
        parts = reading.budget.parts
        stated = next((part.along for part in parts if part.name == CAMERA), np.zeros(3))
        shares.append(np.linalg.norm(stated / scale) / np.linalg.norm(plain / scale))
    return float(np.clip(np.median(shares), 0.1, 1.5)) if shares else 1.0


def _observations(
    reading: Reading, share: float, light: float
) -> list[tuple[str, Lab, Array, float]]:
    many = len(reading.populations) > 1
    found = reading.populations if many else (Population(reading.lab, 1.0),)
    whole = sum(one.fraction for one in found)
    parts = [
        p
        for p in reading.budget.parts
        if p.name not in SHARED_PARTS and not (many and p.name == SPREAD)
    ]
    across = math.sqrt(max(reading.pixels.total, 1))
    cut = reading.pixels.clipped / max(reading.pixels.total, 1)
    plain = (OWN_COLOUR * share) ** 2 + (OWN_OUTLINE / across) ** 2
    rows = []
    for one in found:
        lab, axes = one.lab, axes_at(one.lab)
        scale = np.array(difference_weights(lab)) / difference_weights(reading.lab)
        own = plain * np.eye(3)
        for part in parts:
            own += (axes * (part.along * scale) ** 2) @ axes.T
        dimmer = np.array([lab[0] + 16, lab[1], lab[2]]) / 3 * light
        own += np.outer(dimmer, dimmer)
        own[0, 0] += (CLIPPED * cut) ** 2
        rows.append((reading.mark, lab, own, one.fraction / whole))
    return rows


@functools.lru_cache(maxsize=16)
def natural_variation(tables: Tables, evidence: Evidence) -> Array:
    """How birds vary that show a swatch, seen from what was read: CIELAB covariances (m, n, 3, 3).

    A swatch's tolerance counts as :data:`TOLERANCE_FACTOR` standard deviations of CIEDE2000. As in
    that formula (Sharma, Wu & Dalal 2005, eqs 15 to 20) the weights of lightness, chroma and hue
    are those half-way between the two colours: at a strong colour by itself they would let it pass
    for grey. There is one for every colour read and every swatch.
    """
    swatches, tolerance = swatch_colours(tables)
    lab = evidence.lab
    light = (lab[:, None, 0] + swatches[:, 0]) / 2
    own, read = (np.hypot(*np.moveaxis(v[..., 1:], -1, 0)) for v in (swatches, lab))
    chroma = (read[:, None] + own) / 2
    # The mean hue, as the direction half-way between both; a grey has none and takes the other's.
    toward = [v[..., 1:] / np.maximum(c, 1e-9)[..., None] * np.minimum(c, 1)[..., None]
              for v, c in ((swatches, own), (lab, read))]  # fmt: skip
    a, b = np.moveaxis(toward[0] + toward[1][:, None], -1, 0)
    hue = np.arctan2(b, a)
    weights = weights_along(light, chroma, hue) * (tolerance / TOLERANCE_FACTOR)[:, None]
    axes = axes_along(hue)
    return (axes * weights[..., None, :] ** 2) @ np.swapaxes(axes, -1, -2)


@functools.lru_cache(maxsize=8)
def swatch_colours(tables: Tables) -> tuple[Array, Array]:
    """CIELAB of every swatch, (n, 3), and its tolerance in CIEDE2000, (n,)."""
    tolerance = [tables.swatches[key].tolerance for key in tables.lab]
    return np.array(list(tables.lab.values())), np.array(tolerance)


def whitening(covariance: Array) -> tuple[Array, Array]:
    """Lower triangles T with T C T' = 1 for covariances C (..., 3, 3), and ln det T (...).

    That is the inverse of the Cholesky factor; not a number where C is not positive definite.
    Written out, as a library's loop over small matrices takes ten times as long.
    """
    c = np.moveaxis(covariance, (-2, -1), (0, 1))
    first = 1 / np.sqrt(c[0, 0])
    below, lowest = c[1, 0] * first, c[2, 0] * first
    second = 1 / np.sqrt(c[1, 1] - below**2)
    beside = (c[2, 1] - lowest * below) * second
    third = 1 / np.sqrt(c[2, 2] - lowest**2 - beside**2)
    turn = np.zeros_like(covariance)
    turn[..., 0, 0], turn[..., 1, 1], turn[..., 2, 2] = first, second, third
    turn[..., 1, 0] = -below * first * second
    turn[..., 2, 1] = -beside * second * third
    turn[..., 2, 0] = (beside * below * second - lowest) * first * third
    return turn, np.log(first * second * third)
