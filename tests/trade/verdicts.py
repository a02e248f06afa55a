"""Put the described birds to the program and read its answer as a breeder's verdict."""

import functools
import math
import zlib
from dataclasses import dataclass, replace

import numpy as np
from described import NUMBERS, Book, Case, Lab, parts_of
from made_up import assess

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.assess import Assessment
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure import uncertainty
from fieldmarks.measure.colour import difference, faded
from fieldmarks.measure.comparison import darkened
from fieldmarks.measure.quantities import (
    Budget,
    PixelCount,
    Population,
    Reading,
    Relation,
    UncertaintyPart,
    difference_weights,
)
from fieldmarks.measure.uncertainty import CAMERA, deviations
from fieldmarks.rules import Tables

EYE = "light eye hints at nigrigenis or lilianae"  # said of white birds
PHONE = "phone"  # what one grey card leaves on a phone, in place of a number of CIEDE2000 units
GREY_CARD = 49.5  # L* of an 18 % grey card
SHARED = 0.5  # share of the variance of a phone's error that strikes all marks alike (judgement)
Noise = float | str


@dataclass(frozen=True)
class Verdict:
    """What a breeder would make of the program's answer."""

    kind: str  # pure | other | mixed | again | cannot | refused
    species: frozenset[str] = frozenset()
    hints: frozenset[str] = frozenset()
    told: str = ""
    open_signs: bool = False

    @property
    def clean(self) -> bool:
        """Whether the bird is called clean: nothing seen, hinted at or left open."""
        return self.kind == "pure" and not self.hints and not self.open_signs

    def agrees(self, case: Case) -> bool:
        """Whether it is what the breeder says."""
        head, _, hint = case.says.partition(", hint ")
        kind, _, names = head.partition(" ")
        wanted, hinted = set(names.split("|")) - {""}, set(hint.split("|")) - {""}
        told = self.told.lower()
        return (
            self.kind == kind
            and (not wanted or bool(wanted & self.species))
            and (not hinted or bool(hinted & self.hints))
            and (bool(hinted) or kind != "pure" or not self.hints)
            and case.tells.lower() in told
            and (not case.untold or case.untold.lower() not in told)
        )


def verdict(found: Assessment) -> Verdict:
    """One of the breeder's five verdicts, with the species he names."""
    done = found.conclusion
    seen = [s for s in found.signs if s.status is SignStatus.SEEN]
    strong = frozenset(p for s in seen if s.strength != "hint" for p in s.points_to)
    hints = frozenset(p for s in seen if s.strength == "hint" for p in s.points_to)
    open_signs = any(s.status is SignStatus.DOUBTFUL for s in found.signs)
    again = any(s.status is SignStatus.LOOK_AGAIN for s in found.signs)
    told = " ".join([done.sentence, *found.cautions, *(s.text for s in seen)])
    say = functools.partial(Verdict, hints=hints, told=told, open_signs=open_signs)
    if done.outcome == "cannot be told":
        named = frozenset(("nigrigenis", "lilianae")) if EYE in told else frozenset()
        return say("mixed" if strong else "cannot", strong, hints=hints | named)
    if done.outcome == "claim contradicted":
        others = frozenset(done.candidates) - {found.claimed}
        return say("other" if len(others) == 1 else "mixed", others | strong)
    if strong or done.outcome in ("mixed", "none fits"):
        parents = next((row.species for row in done.standing if len(row.species) == 2), ())
        crossed = parents if done.outcome == "mixed" else ()
        return say("mixed", strong | frozenset(crossed) - {found.claimed})
    if done.outcome in ("one species left", "signs"):
        return say("again" if again else "pure")
    return say("cannot")


def answer(book: Book, case: Case, tables: Tables, noise: Noise = 1.0, seed: int = 0) -> Verdict:
    """What the program says of one bird, read with noise that its budget states."""
    species, variety, age = parts_of(case.bird)
    readings, relations = read(book, case, tables, noise, seed)
    try:
        found = assess(
            readings,
            relations,
            tables,
            variety=variety,
            age=age,
            claimed=case.claimed or species,
            seed=seed,
        )
    except FieldmarksError as error:
        return Verdict("refused", told=str(error))
    return verdict(found)


def read(
    book: Book, case: Case, tables: Tables, noise: Noise, seed: int
) -> tuple[list[Reading], list[Relation]]:
    """Readings and relations of a described bird.

    A number is the standard deviation along L*, C* and Delta H*, each in CIEDE2000 units.
    """
    rng = np.random.default_rng([seed, zlib.crc32(f"{case.bird} {case.name}".encode())])
    common = rng.standard_normal(3)
    readings, true = {}, {}
    for mark, words in book.described(case).items():
        if mark in NUMBERS:
            continue
        colours = book.colours_of(str(words))
        true[mark] = colours[0][0]
        own = rng.standard_normal(3)
        if noise == PHONE:
            own = math.sqrt(SHARED) * common + math.sqrt(1 - SHARED) * own
        readings[mark] = _reading(mark, colours, noise, own)
    relations = _relations(book.described(case), true, tables, noise, rng)
    return list(readings.values()), relations


def _budget(lab: Lab, noise: Noise) -> Budget:
    if noise != PHONE:
        parts = (float(noise) * weight for weight in difference_weights(lab))
        return Budget((UncertaintyPart("noise", *parts, "stated"),))
    camera = UncertaintyPart(CAMERA, *uncertainty.camera_terms(lab, [GREY_CARD]), "")
    light = uncertainty.light_part(lab, uncertainty.LIGHT_DEFAULT, "light", "")
    return Budget((camera, light))


def _reading(
    mark: str, colours: list[tuple[Lab, float]], noise: Noise, error: np.ndarray
) -> Reading:
    plain = Reading(
        mark=mark,
        regions=(mark,),
        lab=colours[0][0],
        spread=(1, 1, 1),
        populations=tuple(Population(*colour) for colour in colours),
        budget=_budget(colours[0][0], noise),
        pixels=PixelCount(1000, 0, 0, 0, 1000),
        calibrated=True,
        anchors=(GREY_CARD,) if noise == PHONE else (),
    )
    moved = tuple(
        Population(_moved(p.lab, deviations(plain, p.lab), error), p.fraction)
        for p in plain.populations
    )
    return replace(plain, lab=moved[0].lab, populations=moved)


def _moved(lab: Lab, sigma: tuple[float, float, float], error: np.ndarray) -> Lab:
    angle = math.atan2(lab[2], lab[1])
    light, away, across = np.array(sigma) * error
    return (
        float(np.clip(lab[0] + light, 0, 100)),
        float(lab[1] + away * math.cos(angle) - across * math.sin(angle)),
        float(lab[2] + away * math.sin(angle) + across * math.cos(angle)),
    )


def _relations(
    described: dict, true: dict[str, Lab], tables: Tables, noise: Noise, rng: np.random.Generator
) -> list[Relation]:
    """Relations with their own noise: two colours of one photo share most of their error."""
    size = 3.0 if noise == PHONE else float(noise)
    u = {"ring": 0.01 * size, "size": 0.01 * size * float(described["size"]), "colour": 0.7 * size}
    u["dark"] = 0.02 * size  # of the light: 0.06, what two places differ in light, at a size of 3
    found = []
    for key, row in tables.relations.items():
        wanted = {"ring": "ring", "size": "size"}.get(row.kind, "colour")
        if row.kind in NUMBERS:
            value = float(described[row.kind])
        elif all(mark in true for mark in row.marks):
            value = _apart(row.kind, [true[mark] for mark in row.marks])
            wanted = "dark" if row.kind == "dark" else wanted
        else:
            continue
        moved = value + u[wanted] * rng.standard_normal()
        if row.kind == "ring":
            moved = 0.0 if value == 0 else max(moved, 0.0)
        found.append(Relation(key, row.kind, moved, 2 * u[wanted], (key,)))
    return found


def _apart(kind: str, labs: list[Lab]) -> float:
    if kind == "dark":
        return darkened("", *(_reading("", [(lab, 1.0)], 0.0, np.zeros(3)) for lab in labs)).value
    compare = faded if kind == "fade" else difference
    return float(compare(labs[0], labs[1]))
