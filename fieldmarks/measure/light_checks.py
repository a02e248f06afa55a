"""Light checks: signs inside the photo that the light on the bird is not the light on the card.

What can tell: the bird's own white skin, a part brighter than white, like parts that differ in
brightness alone, a card with an uneven face, and several cards that do not agree in colour.
None of them ever corrects anything. A doubt is said in words and added to the budget of every mark.
A card that lies between the marks of the bird is only said: nobody knows how wrong it is then.
"""

import itertools
import math
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from pydantic import BaseModel, ConfigDict

from fieldmarks._util.resources import PACKAGE
from fieldmarks.measure.calibration import Calibration, describe_cast
from fieldmarks.measure.colour import linear_to_lab
from fieldmarks.measure.quantities import Budget, Reading, UncertaintyPart
from fieldmarks.measure.region import Region, vertices
from fieldmarks.measure.uncertainty import SOURCES, cast_share, light_part

TABLE = PACKAGE / "data" / "optics" / "light_checks.toml"
ALIKE = 1.6  # cards whose reflectances differ by less than this factor are compared in colour
MIXED = 4.0  # a*, b* distance between cards that one light cannot make
# Change of light across a card that is said. On eleven real charts no grey patch changes by more
# than 0.085, in daylight on a carpet as in a light box (benchmarks/real_photos.py).
UNEVEN = 0.10
ENOUGH_MARKS = 4  # kinds of marks that show where the bird is
# A difference of light between the two cards, seen as the half width of an even spread.
EVEN = 1 / math.sqrt(3)


class LightCheckRow(BaseModel):
    """The bird's white parts: which marks, how light they must be, what colour they may have."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    marks: tuple[str, ...]
    lightness: float
    chroma_warm: float
    chroma_cold: float
    shade: float
    brightest: float
    light: float


@dataclass(frozen=True)
class Doubt:
    """A doubt about the light: what to say, and what it stands for.

    Args:
        source, name: For the budget.
        cast: Standard uncertainty across and along a*, b* that such a light makes on a white.
        light: Relative standard uncertainty of its brightness.
    """

    text: str
    source: str = ""
    cast: float = 0.0
    light: float = 0.0
    name: str = "light on the bird"


@lru_cache(maxsize=1)
def light_check_row() -> LightCheckRow:
    """The shipped table."""
    return LightCheckRow.model_validate(tomllib.loads(TABLE.read_text(encoding="utf-8")))


def bird_doubts(readings: Mapping[str, Reading], names: Mapping[str, str]) -> list[Doubt]:
    """Doubts from the bird's own parts; of brightness and whiteness where they are calibrated."""
    row = light_check_row()
    calibrated = {mark: r for mark, r in readings.items() if r.calibrated}
    white = [calibrated[mark] for mark in row.marks if mark in calibrated]
    white = [reading for reading in white if reading.lab[0] >= row.lightness]
    return [
        *itertools.islice(_casts(white, names), 1),
        *_brightness(calibrated.values(), white, names),
        *_sides(readings, names),
    ]


def cards_among_marks(cards: Sequence[Region], marks: Sequence[Region]) -> list[str]:
    """What to say of cards that lie wholly between the bird's own marks.

    A grey-blue rump taken for the card looks like one to the camera; where it lies gives it away.

    Args:
        cards, marks: Checked; of the marks those that are parts of the bird.
    """
    if len({region.mark for region in marks}) < ENOUGH_MARKS:
        return []
    hull = cv2.convexHull(np.concatenate([vertices(r.shape) for r in marks]).astype(np.float32))
    return [
        "The card lies between the marks of the bird. If that is a part of the bird, every colour "
        "here is wrong: draw round the grey card itself."
        for card in cards
        if all(cv2.pointPolygonTest(hull, (x, y), False) > 0 for x, y in vertices(card.shape))
    ]


def _casts(white: Iterable[Reading], names: Mapping[str, str]) -> Iterator[Doubt]:
    """White parts that read coloured."""
    row = light_check_row()
    for reading in white:
        usual = row.chroma_warm if reading.lab[2] > 0 else row.chroma_cold
        # The doubt (k = 2) of a part of the usual chroma: doubt grows in proportion to chroma.
        doubt = 2 * reading.budget.combined[1] * usual / max(reading.chroma, usual)
        if reading.chroma <= usual + doubt:
            continue
        name = names.get(reading.mark, reading.mark)
        hue = describe_cast(*reading.lab[1:]).removesuffix(" cast").split()[-1]
        yield Doubt(
            f"The {name} should be nearly white but reads {hue} (C* {reading.chroma:.0f}). The "
            "light on the bird is not the light on the card, or the part is not white. Put the "
            "card beside the bird, facing the same way.",
            f"white {name} reads C* {reading.chroma:.0f}",
            cast=(reading.chroma - usual) / cast_share(reading.lab[0]),
        )


def _brightness(
    readings: Iterable[Reading], white: Iterable[Reading], names: Mapping[str, str]
) -> Iterator[Doubt]:
    """A part brighter than white, or white parts that are all dark."""
    row = light_check_row()
    top, top_white = (max(some, key=_lightness, default=None) for some in (readings, white))
    if top and top.lab[0] > row.brightest:
        name = names.get(top.mark, top.mark)
        yield Doubt(
            f"The {name} reads brighter than white paper (L* {top.lab[0]:.0f}). The bird has more "
            "light than the card, or the phone made it brighter. Put the card into the bird's "
            "light.",
            f"{name} reads L* {top.lab[0]:.0f}, brighter than white",
            light=row.light,
        )
    elif top_white and top_white.lab[0] < row.shade:
        name = names.get(top_white.mark, top_white.mark)
        yield Doubt(
            f"The {name} should be nearly white but reads rather dark (L* {top_white.lab[0]:.0f}). "
            "The bird may stand in shade and the card not, or the part is not white. Put the card "
            "beside the bird.",
            f"white {name} reads L* {top_white.lab[0]:.0f}",
            light=row.light,
        )


def _lightness(reading: Reading) -> float:
    return reading.lab[0]


def _sides(readings: Mapping[str, Reading], names: Mapping[str, str]) -> Iterator[Doubt]:
    """Marks whose own regions differ as sun and shade do; their spread already holds it."""
    for mark, reading in readings.items():
        if any(part.source == SOURCES["sides"] for part in reading.budget.parts):
            yield Doubt(
                f"{names.get(mark, mark)}: its regions differ in brightness but not in colour. One "
                "lies in the sun, one in the shade. Use a photo in even light."
            )


def card_doubts(calibration: Calibration) -> list[Doubt]:
    """Doubts from the cards: an uneven face, or like cards that disagree in colour."""
    return [*_uneven_cards(calibration), *_mixed_light(calibration)]


def _uneven_cards(calibration: Calibration) -> Iterator[Doubt]:
    """A light that changes across a card; the light part of the budget already holds it."""
    fall = max((math.hypot(*p.slope) * p.size for p in calibration.patches), default=0.0)
    if fall >= UNEVEN and calibration.plane == (0.0, 0.0):
        yield Doubt(
            f"The light changes by {fall:.0%} across the card: a lamp close by, or the edge of a "
            "shadow. The bird may stand in another light. Its lightness is stated with more doubt."
        )


def _mixed_light(calibration: Calibration) -> Iterator[Doubt]:
    """Cards of like reflectance that disagree in colour."""
    worst = 0.0
    for one, other in itertools.combinations(calibration.patches, 2):
        low, high = sorted((one.reflectance, other.reflectance))
        if high <= ALIKE * low:
            first, second = (
                linear_to_lab(calibration.apply(np.array(c.rgb, np.float32), *c.at))
                for c in (one, other)
            )
            apart = math.hypot(*(first - second)[1:])
            worst = max(worst, apart / cast_share(float(first[0])))
    if worst * cast_share(50.0) >= MIXED:
        yield Doubt(
            "The cards differ in colour: two kinds of light fall on the scene (window and lamp?). "
            "Use one light, or put the card close to the bird.",
            "cards of like reflectance that disagree in colour",
            cast=worst * EVEN,
            name="mixed light",
        )


def widen(reading: Reading, doubts: Iterable[Doubt]) -> Reading:
    """A reading with the doubts about the light in its budget.

    A cast changes the cube roots of the channels by a common amount per unit of lightness, so a*
    and b* move in proportion to (L* + 16) / 116 (CIE 15, CIELAB formulae).
    """
    parts: list[UncertaintyPart] = []
    for doubt in doubts:
        cast = doubt.cast * cast_share(reading.lab[0])
        dim = light_part(reading.lab, doubt.light, doubt.name, doubt.source)
        if cast or doubt.light:
            parts.append(replace(dim, chroma=math.hypot(dim.chroma, cast), hue=cast))
    return replace(reading, budget=Budget((*reading.budget.parts, *parts))) if parts else reading
