"""Made-up readings for tests: known colours with a known, plain uncertainty."""

from collections.abc import Iterable
from typing import Any

from fieldmarks.judge.assess import Assessment, assess_photos
from fieldmarks.judge.together import PhotoReadings, Question
from fieldmarks.measure.quantities import (
    Budget,
    Lab,
    PixelCount,
    Population,
    Reading,
    Relation,
    UncertaintyPart,
    difference_weights,
)
from fieldmarks.rules import Tables

# What the trade's colour words look like in CIELAB, from memory and apart from the swatch file.
COLOURS: dict[str, Lab] = {
    "jet black": (17, 0, -1),
    "dull black": (31, 0, 1),
    "dark grey": (41, 0, 0),
    "grey": (56, 0, 1),
    "light grey": (70, 0, -1),
    "white": (94, 0, 1),
    "pinkish white": (83, 8, 10),
    "bright yellow": (80, -2, 80),
    "pale yellow": (86, -3, 48),
    "pale orange": (75, 20, 50),
    "orange": (64, 37, 62),
    "salmon red": (57, 47, 50),
    "salmon": (71, 26, 33),
    "rose": (57, 46, 22),
    "brownish orange": (46, 21, 37),
    "dark brown": (28, 9, 12),
    "olive": (46, -12, 33),
    "dark olive": (31, -9, 24),
    "light green": (66, -25, 49),
    "green": (50, -28, 35),
    "bright blue": (41, 11, -43),
    "greyish blue": (56, 0, -12),
    "sky blue": (66, -11, -26),
    "blue": (51, -11, -30),
    "red": (46, 54, 37),
    "dark red": (36, 46, 21),
    "flesh": (80, 8, 14),
    "light brown": (51, 10, 22),
    "dark eye": (20, 4, 4),
    "red eye": (41, 35, 17),
    "pale eye": (79, 5, 7),
    "grey skin": (55, 1, 1),
}


def lab(colour: str | Lab) -> Lab:
    """A colour word or CIELAB as CIELAB."""
    return COLOURS[colour] if isinstance(colour, str) else colour


def reading(
    mark: str,
    *parts: str | Lab | tuple[str | Lab, float],
    sigma: float = 1.0,
    calibrated: bool = True,
) -> Reading:
    """A reading of one colour, or of several with their shares of the area.

    ``sigma`` is the standard uncertainty along L*, C* and H*, each in CIEDE2000 units.
    """
    shares = [p if isinstance(p, tuple) and len(p) == 2 else (p, 1.0) for p in parts]
    populations = sorted((Population(lab(c), f) for c, f in shares), key=lambda p: -p.fraction)
    main = populations[0].lab
    s_l, s_c, s_h = difference_weights(main)
    part = UncertaintyPart("made up", sigma * s_l, sigma * s_c, sigma * s_h, "made up")
    return Reading(
        mark=mark,
        regions=(mark,),
        lab=main,
        spread=(1, 1, 1),
        populations=tuple(populations),
        budget=Budget((part,)),
        pixels=PixelCount(1000, 0, 0, 0, 1000),
        calibrated=calibrated,
    )


def relation(key: str, value: float, expanded: float = 0.02) -> Relation:
    """A measured relation."""
    kinds = {"rump_as_back": "same", "beak_fade": "fade", "ring": "ring", "size": "size"}
    return Relation(key, kinds.get(key, "same"), value, expanded, (key,))


def assess(
    readings: Iterable[Reading], relations: Iterable[Relation], tables: Tables, **asked: Any
) -> Assessment:
    """What the readings of one photo come to; ``asked`` as in a question."""
    photo = PhotoReadings(tuple(readings), tuple(relations))
    return assess_photos([photo], tables, Question(**asked))
