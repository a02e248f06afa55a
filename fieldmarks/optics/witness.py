"""Witness: signs inside the photo that the light on the bird is not the light on the card.

Two things can tell: the bird's own white skin, and several cards that do not agree in colour.
Neither ever corrects anything. A doubt is said in words and added to the budget of every mark.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from pydantic import BaseModel, ConfigDict

from fieldmarks.card import Calibration
from fieldmarks.colour import linear_to_lab
from fieldmarks.quantities import Budget, Reading, UncertaintyPart
from fieldmarks.resources import PACKAGE

TABLE = PACKAGE / "data" / "optics" / "witness.toml"
ALIKE = 1.6  # cards whose reflectances differ by less than this factor are compared in colour
MIXED = 4.0  # a*, b* distance between cards that one light cannot make
# A difference of light between the two cards, seen as the half width of an even spread.
EVEN = 1 / math.sqrt(3)


class WitnessRow(BaseModel):
    """The bird's white parts: which marks, how light they must be, what colour they may have."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    marks: tuple[str, ...]
    lightness: float
    chroma_warm: float
    chroma_cold: float


@dataclass(frozen=True)
class Doubt:
    """A doubt about the light: what to say, and the cast it stands for on a colour of L* = 100.

    Parameters
    ----------
    text : str
    cast : float
        Standard uncertainty across and along a*, b* that such a light makes on a white.
    name, source : str
        For the budget.
    """

    text: str
    cast: float
    name: str
    source: str


@lru_cache(maxsize=1)
def witness_row() -> WitnessRow:
    """The shipped table."""
    return WitnessRow.model_validate(tomllib.loads(TABLE.read_text(encoding="utf-8")))


def bird_doubts(readings: Mapping[str, Reading], names: Mapping[str, str]) -> list[Doubt]:
    """Doubts from the bird's own white parts, where they are marked and calibrated.

    Parameters
    ----------
    readings : mapping of mark -> Reading
    names : mapping of mark -> name for the keeper
    """
    row = witness_row()
    doubts = []
    for mark in row.marks:
        reading = readings.get(mark)
        if reading is None or not reading.calibrated or reading.lab[0] < row.lightness:
            continue
        usual = row.chroma_warm if reading.lab[2] > 0 else row.chroma_cold
        # The doubt (k = 2) of a part of the usual chroma: doubt grows in proportion to chroma.
        doubt = 2 * reading.budget.combined[1] * usual / max(reading.chroma, usual)
        if reading.chroma <= usual + doubt:
            continue
        hue = _cast_word(reading.lab[1], reading.lab[2])
        doubts.append(
            Doubt(
                f"The {names.get(mark, mark)} should be nearly white but reads {hue} "
                f"(C* {reading.chroma:.0f}). The light on the bird is not the light on the card, "
                "or the part is not white. Put the card beside the bird, facing the same way.",
                (reading.chroma - usual) / _share(reading.lab[0]),
                "light on the bird",
                f"white {names.get(mark, mark)} reads C* {reading.chroma:.0f}",
            )
        )
    return doubts[:1]


def card_doubts(calibration: Calibration) -> list[Doubt]:
    """Doubts from cards of like reflectance that disagree in colour: two kinds of light."""
    cards = calibration.patches
    worst = 0.0
    for one, other in itertools.combinations(cards, 2):
        levels = sorted((one.reflectance, other.reflectance))
        if levels[1] > ALIKE * levels[0]:
            continue
        labs = [
            linear_to_lab(calibration.apply(np.array(c.rgb, np.float32), *c.at))
            for c in (one, other)
        ]
        apart = math.hypot(*(labs[0] - labs[1])[1:])
        worst = max(worst, apart / _share(float(labs[0][0])))
    if worst * _share(50.0) < MIXED:
        return []
    return [
        Doubt(
            "The cards differ in colour: two kinds of light fall on the scene (window and lamp?). "
            "Use one light, or put the card close to the bird.",
            worst * EVEN,
            "mixed light",
            "cards of like reflectance that disagree in colour",
        )
    ]


def widen(reading: Reading, doubts: Iterable[Doubt]) -> Reading:
    """A reading with the doubts about the light in its budget.

    A cast changes the cube roots of the channels by a common amount per unit of lightness, so a*
    and b* move in proportion to (L* + 16) / 116 (CIE 15, CIELAB formulae).
    """
    parts: Sequence[UncertaintyPart] = reading.budget.parts
    more = [
        UncertaintyPart(
            d.name, 0.0, d.cast * _share(reading.lab[0]), d.cast * _share(reading.lab[0]), d.source
        )
        for d in doubts
    ]
    return replace(reading, budget=Budget((*parts, *more))) if more else reading


def _share(lightness: float) -> float:
    return (lightness + 16) / 116


def _cast_word(a: float, b: float) -> str:
    from fieldmarks.card import describe_cast

    return describe_cast(a, b).removesuffix(" cast").split()[-1]
