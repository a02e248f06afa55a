"""200 simulated birds, ten times over: pure birds wrongly given a sign, and crosses caught.

A simulation from the program's own plumage model: it shows that tables, tolerances, tints and draws
work together under reading noise. It says nothing about how real crosses look.

Pure birds draw one make-up per mark from their species' row, a swatch of that make-up, and a
natural variation about it. First crosses draw each mark either blended (each of psittacin,
eumelanin and structure at the level of one parent or half-way) or patchy (both parents' colours
side by side). Every reading is then moved by noise, and its budget states that noise.
"""

from __future__ import annotations

import itertools
import math
import zlib
from dataclasses import dataclass, replace

import numpy as np
from _tables import markdown, save

from fieldmarks.judge.assess import Assessment, assess
from fieldmarks.judge.findings import Status
from fieldmarks.judge.signs import SignStatus
from fieldmarks.measure import uncertainty
from fieldmarks.measure.colour import difference
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
from fieldmarks.measure.sampling import CAMERA, deviations
from fieldmarks.rules import Tables, load_rules
from fieldmarks.rules.plumage import expected, expected_relation, makeups
from fieldmarks.rules.schema import LEVELS, MakeUp

BIRDS, REPEATS = 200, 10
FIRST_SEED = 1000  # broods that were not looked at while tolerances and tints were set
NOISE = 3.0  # mean CIEDE2000 of a reading's error
GREY_CARD = 49.5  # L* of an 18 % grey card
MEAN_OF_CHI3 = 1.596  # mean length of a standard normal vector in three dimensions
NATURAL = 0.25  # standard deviation of a bird's own colour, in tolerances
VISIBLE = 2 * NOISE  # CIEDE2000 beyond the tolerance
VISIBLE_SHARE = 0.3  # of a mark's area
RELATION_NOISE = 2.0  # CIEDE2000
MARKS = ("forehead", "face", "cheek", "crown", "nape", "collar", "bib", "rump", "back", "belly",
         "beak_base", "beak_tip", "iris", "tail_tip")  # fmt: skip
GROWN_AS = {"rump": "back", "beak_base": "beak_tip"}


@dataclass(frozen=True)
class Bird:
    """A simulated bird: who its parents are and the true colours and shares of each mark."""

    parents: tuple[str, str]
    variety: str
    age: str
    marks: dict[str, list[tuple[Lab, float]]]
    ring: float
    size: float

    @property
    def pure(self) -> bool:
        """Whether both parents are of one species."""
        return self.parents[0] == self.parents[1]


def jitter(lab: Lab, spread: float, rng: np.random.Generator) -> Lab:
    """Move a colour by a normal error of ``spread`` CIEDE2000 along each direction."""
    light, away, across = rng.standard_normal(3) * spread * np.array(difference_weights(lab))
    angle = math.atan2(lab[2], lab[1])
    return (
        float(np.clip(lab[0] + light, 0, 100)),
        lab[1] + away * math.cos(angle) - across * math.sin(angle),
        lab[2] + away * math.sin(angle) + across * math.cos(angle),
    )


def colour_of(tables: Tables, makeup: MakeUp, ground: str, rng: np.random.Generator) -> Lab | None:
    """A true colour that a make-up may show, or None where the tables have no rule."""
    rule = tables.makeup_index.get((ground, makeup.psittacin, makeup.eumelanin, makeup.structure))
    if rule is None:
        return None
    key = rule.swatches[rng.integers(len(rule.swatches))]
    return jitter(tables.lab[key], NATURAL * tables.swatches[key].tolerance, rng)


def blend(one: MakeUp, other: MakeUp, rng: np.random.Generator) -> MakeUp:
    """Each pigment at the level of one parent or half-way; the structure of one parent."""
    changes = {}
    for part in ("psittacin", "eumelanin", "structure"):
        levels = LEVELS[part]
        ends = [levels.index(getattr(m, part)) for m in (one, other)]
        options = [*ends] if part == "structure" else [*ends, round(sum(ends) / 2)]
        changes[part] = levels[options[rng.integers(len(options))]]
    return one.model_copy(update=changes)


def hatch(
    tables: Tables, parents: tuple[str, str], variety: str, age: str, rng: np.random.Generator
) -> Bird:
    """Make one bird."""
    marks: dict[str, list[tuple[Lab, float]]] = {}
    seed = int(rng.integers(2**31))
    for mark in MARKS:
        # Rump and back, or both ends of the beak, come out alike where they are made up alike.
        rng = np.random.default_rng([seed, zlib.crc32(GROWN_AS.get(mark, mark).encode())])
        rows = [tables.species[p].marks.get(mark) for p in parents]
        # Where a variety has an override, the parents' make-up does not tell the colour.
        bases = [expected(tables, p, mark, variety, age).basis for p in parents]
        if None in rows or not set(bases) <= {"green row", "derived"}:
            continue
        ground = rows[0].ground or tables.marks[mark].kind
        options = [makeups(tables, row, mark, variety, age) for row in rows]
        picked = [o[rng.integers(len(o))] for o in options]
        colours = [colour_of(tables, m, ground, rng) for m in picked]
        if parents[0] == parents[1]:
            marks[mark] = [(colours[0], 1.0)]
            continue
        mixed = colour_of(tables, blend(*picked, rng), ground, rng)
        if mixed is not None and rng.random() < 0.5:
            marks[mark] = [(mixed, 1.0)]
        else:
            share = rng.uniform(0.2, 0.8)
            marks[mark] = [(colours[0], share), (colours[1], 1 - share)]
    rings = [0.0 if p == "roseicollis" else 0.3 for p in parents]
    sizes = [np.mean(tables.species[p].facts.body_length_mm) for p in parents]
    size = float(np.mean(sizes) + rng.normal(0, 2))
    return Bird(parents, variety, age, marks, float(np.mean(rings)), size)


def noise_budget(lab: Lab, phone: bool) -> Budget:
    """Either plain noise of a mean of 3 CIEDE2000, or what one grey card leaves on a phone."""
    if not phone:
        s_l, s_c, s_h = difference_weights(lab)
        sigma = NOISE / MEAN_OF_CHI3
        return Budget((UncertaintyPart("noise", sigma * s_l, sigma * s_c, sigma * s_h, ""),))
    camera = UncertaintyPart(CAMERA, *uncertainty.camera_terms(lab, [GREY_CARD]), "")
    light = uncertainty.light_part(lab, uncertainty.LIGHT_DEFAULT, "light", "")
    return Budget((camera, light))


def read(bird: Bird, phone: bool, rng: np.random.Generator) -> list[Reading]:
    """Read every mark with noise that its budget states."""
    readings = []
    for mark, colours in bird.marks.items():
        populations = sorted((Population(c, f) for c, f in colours), key=lambda p: -p.fraction)
        main = populations[0].lab
        plain = Reading(
            mark=mark,
            regions=(),
            lab=main,
            spread=(1, 1, 1),
            populations=tuple(populations),
            budget=noise_budget(main, phone),
            pixels=PixelCount(1000, 0, 0, 0, 1000),
            calibrated=True,
            anchors=(GREY_CARD,) if phone else (),
        )
        error = rng.standard_normal(3)
        moved = tuple(
            Population(_moved(p.lab, deviations(plain, p.lab), error), p.fraction)
            for p in populations
        )
        readings.append(replace(plain, lab=moved[0].lab, populations=moved))
    return readings


def _moved(lab: Lab, sigma: tuple[float, float, float], error: np.ndarray) -> Lab:
    angle = math.atan2(lab[2], lab[1])
    light, away, across = np.array(sigma) * error
    return (
        float(np.clip(lab[0] + light, 0, 100)),
        float(lab[1] + away * math.cos(angle) - across * math.sin(angle)),
        float(lab[2] + away * math.sin(angle) + across * math.cos(angle)),
    )


def relate(bird: Bird, rng: np.random.Generator) -> list[Relation]:
    """Relations with their own noise; colours of one photo share most of their error."""
    noise = rng.normal(0, [0.02, 0.03 * bird.size, RELATION_NOISE, RELATION_NOISE])
    found = [
        Relation("ring", "ring", max(bird.ring + noise[0], 0.0), 0.04, ()),
        Relation("size", "size", bird.size + noise[1], 0.06 * bird.size, ()),
    ]
    for key, (first, second), error in (
        ("rump_as_back", ("rump", "back"), noise[2]),
        ("beak_fade", ("beak_base", "beak_tip"), noise[3]),
    ):
        if first in bird.marks and second in bird.marks:
            one, other = (max(bird.marks[m], key=lambda c: c[1])[0] for m in (first, second))
            apart = float(difference(one, other))
            if key == "beak_fade":
                apart = math.copysign(apart, math.hypot(*other[1:]) - math.hypot(*one[1:]))
            kind = "fade" if key == "beak_fade" else "same"
            found.append(Relation(key, kind, apart + error, 2 * RELATION_NOISE, ()))
    return found


def visible(tables: Tables, bird: Bird, claimed: str) -> bool:
    """Whether the truth, before any noise, differs plainly from what the claimed species shows.

    Some mark has, over 30 % of its area, a colour at least twice the noise beyond the tolerance of
    every expected swatch; or the ring has the wrong width by twice its uncertainty.
    """
    for mark, colours in bird.marks.items():
        keys = expected(tables, claimed, mark, bird.variety, bird.age).swatches
        if not keys:
            continue
        labs = np.array([tables.lab[k] for k in keys])
        tolerance = np.array([tables.swatches[k].tolerance for k in keys])
        beyond = [(difference(np.array(c), labs) - tolerance).min() for c, _ in colours]
        area = sum(f for (_, f), gap in zip(colours, beyond, strict=True) if gap >= VISIBLE)
        if area >= VISIBLE_SHARE:
            return True
    ring = expected_relation(tables, claimed, "ring", bird.variety, bird.age)
    low, high = ring.low, ring.high
    return (low is not None and bird.ring < low - 0.08) or (
        high is not None and bird.ring > high + 0.08
    )


def brood(tables: Tables, seed: int) -> list[Bird]:
    """200 birds: half pure, half first crosses, over all varieties and both ages."""
    rng = np.random.default_rng(seed)
    species = list(tables.species)
    pairs = [(s, s) for s in species] * 20 + list(itertools.combinations(species, 2)) * 10
    varieties = [v for v in tables.varieties if not tables.varieties[v].says_nothing]
    return [
        hatch(
            tables,
            pair,
            varieties[rng.integers(len(varieties))],
            "young" if rng.random() < 0.3 else "adult",
            rng,
        )
        for pair in pairs[:BIRDS]
    ]


def judged(tables: Tables, bird: Bird, claimed: str, phone: bool, seed: int) -> Assessment:
    rng = np.random.default_rng(seed)
    return assess(
        read(bird, phone, rng),
        relate(bird, rng),
        tables,
        variety=bird.variety,
        age=bird.age,
        claimed=claimed,
    )


def run(tables: Tables, phone: bool) -> tuple[list[list[str]], list[list[str]]]:
    """Rates over all repeats: one table over all birds and one by variety."""
    rows: list[dict] = []
    for repeat in range(FIRST_SEED, FIRST_SEED + REPEATS):
        for number, bird in enumerate(brood(tables, repeat)):
            claimed = bird.parents[number % 2]
            result = judged(tables, bird, claimed, phone, 1000 * repeat + number)
            signs = [s for s in result.signs if s.status is SignStatus.SEEN]
            against = result.sheet(claimed).count(Status.DOES_NOT_FIT)
            rows.append(
                {
                    "pure": bird.pure,
                    "adult": bird.age == "adult",
                    "variety": bird.variety,
                    "sign": bool(signs),
                    "against": bool(against),
                    "visible": not bird.pure and visible(tables, bird, claimed),
                }
            )
    pure = [r for r in rows if r["pure"] and r["adult"]]
    young = [r for r in rows if r["pure"] and not r["adult"]]
    crosses = [r for r in rows if not r["pure"]]
    seen = [r for r in crosses if r["visible"]]
    hidden = [r for r in crosses if not r["visible"]]
    caught = lambda r: r["sign"] or r["against"]  # noqa: E731
    table = [
        ["pure adults wrongly given a sign", *rate(pure, lambda r: r["sign"]), "at most 2 %"],
        ["pure adults with a mark wrongly against them", *rate(pure, lambda r: r["against"]), ""],
        ["pure young wrongly given a sign", *rate(young, lambda r: r["sign"]), ""],
        ["crosses with a visible mark caught", *rate(seen, caught), "at least 95 %"],
        ["... of these by a named sign", *rate(seen, lambda r: r["sign"]), ""],
        ["crosses without a visible mark caught", *rate(hidden, caught), ""],
    ]
    by_variety = [
        [
            tables.varieties[v].name,
            rate([r for r in pure if r["variety"] == v], lambda r: r["sign"])[1],
            f"{sum(r['visible'] for r in crosses if r['variety'] == v)} of "
            f"{sum(r['variety'] == v for r in crosses)}",
            rate([r for r in seen if r["variety"] == v], caught)[1],
        ]
        for v in tables.varieties
        if any(r["variety"] == v for r in rows)
    ]
    return table, by_variety


def rate(rows: list[dict], holds) -> tuple[str, str]:
    if not rows:
        return "0", "-"
    count = sum(bool(holds(r)) for r in rows)
    return str(len(rows)), f"{100 * count / len(rows):.1f} % ({count})"


def measured_noise(tables: Tables, phone: bool) -> float:
    """Mean CIEDE2000 between true and read colours, as a check on the noise itself."""
    rng = np.random.default_rng(99)
    gaps = []
    for bird in brood(tables, 99):
        for reading in read(bird, phone, rng):
            true = max(bird.marks[reading.mark], key=lambda c: c[1])[0]
            gaps.append(float(difference(true, reading.lab)))
    return float(np.mean(gaps))


def main() -> None:
    tables = load_rules()
    parts = [
        f"{BIRDS} birds x {REPEATS} broods: 20 pure of each of 5 species and 10 first crosses of "
        "each of 10 pairs per brood; varieties drawn evenly from those that say anything on "
        "plumage, 30 % young. Each cross is claimed to be one of its parents. A simulation from "
        "the program's own plumage model: it says nothing about how real crosses look. Tolerances "
        "and tints were set on other broods than these.",
        "'Visible mark': before any noise, some mark has over at least 30 % of its area a colour "
        f"{VISIBLE:g} CIEDE2000 or more beyond the tolerance of every swatch the claimed species "
        "may show there, or the eye ring has plainly the wrong width. 'Caught': at least one sign "
        "is seen, or at least one mark does not fit the claimed species.",
    ]
    for phone, title in (
        (False, "Reading noise of 3 CIEDE2000"),
        (True, "Noise of a phone photo with one grey card"),
    ):
        table, by_variety = run(tables, phone)
        parts += [
            f"## {title}\n\nMean error of the readings: {measured_noise(tables, phone):.1f} "
            "CIEDE2000.",
            markdown(("", "birds", "share (count)", "aim"), table),
            markdown(
                (
                    "variety",
                    "pure adults given a sign",
                    "crosses with a visible mark",
                    "of these caught",
                ),
                by_variety,
            ),
        ]
    save("simulated_birds", "Simulated birds", *parts)


if __name__ == "__main__":
    main()
