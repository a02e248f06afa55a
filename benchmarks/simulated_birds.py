"""Simulated birds in simulated photos: pure ones accused, crosses caught, what "ten times" means.

Run: python benchmarks/simulated_birds.py [--birds N] [--seed S] [--old FOLDER]

A simulation from the program's own plumage model and our simulated lamps, cameras and phones: it
shows that tables, model and signs work together, and says nothing about how real crosses look. The
renderings of the model were sized on charts that others photographed, not on these cameras.

Pure birds draw one make-up per mark from their species' row, a swatch of that make-up, and a
natural variation about it. First crosses draw each mark either blended (each of psittacin,
eumelanin and structure at the level of one parent or half-way) or patchy (both parents' colours
side by side). Each colour is then photographed under one of six lamps by one of two cameras and a
phone's rendering of some strength, and read without a card, with one grey card, and with the card
and a profile of that phone. Every mark has its own light (10 %) and its own error (2 CIEDE2000).

``--old`` is a folder with version 0.2.0 of the program; it then judges the same readings.
"""

import argparse
import itertools
import math
import zlib
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np
from _parentage import SETUPS, VISIBLE, Bird, as_plain, ask_old, counted, row_of
from _tables import RESULTS, markdown, save
from bird_scenes import calibrations
from other_renderings import verdict
from simulator.camera import CAMERAS, LAMPS
from simulator.chart import simulated_patches
from simulator.scene import Light
from simulator.spectra import neutral, random_reflectances

from fieldmarks.judge.assess import assess_photos
from fieldmarks.judge.together import PhotoReadings, Question
from fieldmarks.measure.calibration import Calibration
from fieldmarks.measure.colour import decode_srgb, difference, faded, lab_to_linear, linear_to_lab
from fieldmarks.measure.photo import decode_photo
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
from fieldmarks.measure.region import Rectangle, Region
from fieldmarks.measure.uncertainty import camera_part, glare_part, light_part
from fieldmarks.rules import Tables, load_rules
from fieldmarks.rules.plumage import expected, makeups
from fieldmarks.rules.schema import LEVELS, MakeUp

FIRST_SEED = 7000  # birds that were not looked at while anything was set
SPECTRA = 6000
OWN_LIGHT, OWN_ERROR = 0.10, 2.0  # relative; CIEDE2000
NATURAL = 0.4  # standard deviation of a bird's own colour, in tolerances
MARKS = ("forehead", "face", "cheek", "crown", "nape", "collar", "bib", "rump", "back", "belly",
         "beak_base", "beak_tip", "iris", "tail_tip")  # fmt: skip
# Those of version 0.2.0 that say anything on plumage.
VARIETIES = ("green", "blue", "ino", "blue_ino", "dilute", "blue_dilute", "dark_green", "olive",
             "cobalt", "mauve", "violet_blue")  # fmt: skip
GROWN_AS = {"rump": "back", "beak_base": "beak_tip"}
FEW = 4  # marks read where the odds are checked: with all of them hardly any bird is in doubt
FEW_TIMES = 5  # how often such few are drawn of each bird
STEPS = (1, 3, 10, 30, 100, math.inf)


def jitter(lab: Lab, error: np.ndarray) -> Lab:
    """Move a colour by an error along L*, C* and H*, in CIEDE2000."""
    light, away, across = error * np.array(difference_weights(lab))
    angle = math.atan2(lab[2], lab[1])
    return (
        float(np.clip(lab[0] + light, 0, 100)),
        float(lab[1] + away * math.cos(angle) - across * math.sin(angle)),
        float(lab[2] + away * math.sin(angle) + across * math.cos(angle)),
    )


def colour_of(tables: Tables, makeup: MakeUp, ground: str, rng: np.random.Generator) -> Lab | None:
    """A true colour that a make-up may show, or None where the tables have no rule."""
    rule = tables.makeup_index.get((ground, makeup.psittacin, makeup.eumelanin, makeup.structure))
    if rule is None:
        return None
    key = rule.swatches[rng.integers(len(rule.swatches))]
    spread = NATURAL * tables.swatches[key].tolerance / math.sqrt(3)
    return jitter(tables.lab[key], spread * rng.standard_normal(3))


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
    return Bird(parents, variety, age, marks)


class Lamp:
    """One lamp, camera and phone: what it makes of any colour, and its three calibrations."""

    def __init__(self, rng: np.random.Generator, lamp: str, camera: str, spectra: np.ndarray):
        balance = (float(rng.uniform(0.88, 1.12)), 1.0, float(rng.uniform(0.88, 1.12)))
        strength = float(rng.choice([0.0, 0.5, 1.0]))
        exposure = float(rng.uniform(0.6, 0.9))
        every = np.vstack([spectra, neutral(0.184)[None]])
        srgb, lab = simulated_patches(every, lamp, camera, balance, strength, exposure)
        self.srgb, self.lab = np.clip(srgb[:-1], 0, 1), lab[:-1]
        picture = np.full((80, 80, 3), np.round(255 * np.clip(srgb[-1], 0, 1)), np.uint8)
        data = cv2.imencode(".png", picture[..., ::-1])[1].tobytes()
        light = Light(illuminant=lamp, camera=camera, white_balance_error=balance,
                      exposure=exposure, phone_strength=strength)  # fmt: skip
        card = Region("c", "card", Rectangle(5, 5, 70, 70))
        made = calibrations(decode_photo(data, "card.png"), card, light)
        self.setups = {"none": Calibration(), **{k: made[k] for k in SETUPS if k in made}}

    def shown(self, lab: Lab, relative: float) -> np.ndarray:
        """Linear light of a true colour as the file holds it, lit more or less than the card."""
        near = int(((self.lab - lab) ** 2).sum(axis=1).argmin())
        linear = decode_srgb(np.round(self.srgb[near] * 255) / 255)
        # No spectrum is quite that colour: what is missing is added as it would be seen.
        off = linear_to_lab(linear) + np.array(lab) - self.lab[near]
        return np.clip(lab_to_linear(off) * relative, 0, 1)


def read(
    bird: Bird, lamp: Lamp, setup: str, rng: np.random.Generator, light: float = OWN_LIGHT
) -> list[Reading]:
    """Read every mark as the lamp and camera show it."""
    calibration, readings = lamp.setups[setup], []
    for mark, colours in bird.marks.items():
        relative = math.exp(rng.normal(0, light))
        error = rng.standard_normal(3) * OWN_ERROR / math.sqrt(3)
        found, brightest = [], 0.0
        for true, share in sorted(colours, key=lambda c: -c[1]):
            linear = lamp.shown(true, relative)
            lab = linear_to_lab(calibration.apply(linear[None], np.zeros(1), np.zeros(1)))[0]
            found.append(Population(jitter(tuple(lab), error), share))
            brightest = max(brightest, float(linear.max()))
        main = found[0].lab
        scale = OWN_ERROR / math.sqrt(3) * np.array(difference_weights(main))
        parts = (
            UncertaintyPart("spread", *(float(v) for v in scale), "simulated"),
            light_part(main, light, "light", "simulated"),
            glare_part(main, calibration.anchors),
            camera_part(main, brightest, calibration),
        )
        readings.append(
            Reading(
                mark,
                (mark,),
                main,
                (1, 1, 1),
                tuple(found),
                Budget(parts),
                PixelCount(2500, 0, 0, 0, 2500),
                calibration.calibrated,
                anchors=calibration.anchors,
                tone_known=calibration.correction is not None,
            )
        )
    return readings


def relate(readings: list[Reading]) -> list[Relation]:
    """Comparisons of two colours read; rings and lengths are left out."""
    by_mark = {r.mark: r.lab for r in readings}
    found = []
    for key, kind, first, second in (("rump_as_back", "same", "rump", "back"),
                                     ("beak_fade", "fade", "beak_base", "beak_tip")):  # fmt: skip
        if first in by_mark and second in by_mark:
            compare = faded if kind == "fade" else difference
            value = float(compare(by_mark[first], by_mark[second]))
            found.append(Relation(key, kind, value, 4.0 + 0.3 * abs(value), (first, second)))
    return found


def brood(tables: Tables, count: int, seed: int) -> list[Bird]:
    """Half pure birds and half first crosses."""
    rng = np.random.default_rng(seed)
    species = list(tables.species)
    pairs = [(s, s) for s in species] * 2 + list(itertools.combinations(species, 2))
    return [
        hatch(tables, pairs[n % len(pairs)],
              VARIETIES[rng.integers(len(VARIETIES))] if rng.random() < 0.6 else "green",
              "young" if rng.random() < 0.2 else "adult", rng)
        for n in range(count)
    ]  # fmt: skip


def judge(tables: Tables, count: int, seed: int, old: Path | None) -> dict[str, list[dict]]:
    """One row per bird and setup."""
    spectra = random_reflectances(SPECTRA, seed=3)
    birds = brood(tables, count, seed)
    rng = np.random.default_rng(seed + 1)
    lamps = [Lamp(rng, lamp, camera, spectra)
             for lamp in LAMPS for camera in CAMERAS for _ in range(4)]  # fmt: skip
    found: dict[str, list[dict]] = defaultdict(list)
    plain: dict[str, list[dict]] = defaultdict(list)
    for number, bird in enumerate(birds):
        lamp = lamps[rng.integers(len(lamps))]
        for setup in lamp.setups:
            readings = read(bird, lamp, setup, np.random.default_rng([seed, number]))
            relations = relate(readings)
            claimed = bird.parents[number % 2]
            question = Question(bird.variety, bird.age, None if bird.pure else claimed)
            photo = PhotoReadings(tuple(readings), tuple(relations))
            result = assess_photos([photo], tables, question)
            pure = [s for s in result.conclusion.standing if len(s.species) == 1]
            found[setup].append(row_of(tables, bird, claimed, result) | {
                "first": pure[0].species == bird.parents[:1],
                "ratio": pure[1].behind / pure[0].behind,
                "few": few(tables, bird, readings, number) if bird.pure else [],
            })  # fmt: skip
            plain[setup].append(as_plain(bird, readings, relations))
    if old is not None:
        ask_old(old, found, plain)
    return found


def few(
    tables: Tables, bird: Bird, readings: list[Reading], number: int
) -> list[tuple[float, float, bool]]:
    """Of few marks: how many times likelier than the next the first species is, how likely it is
    among all species, and whether it is the true one."""
    found = []
    for turn in range(FEW_TIMES):
        take = np.random.default_rng([number, turn]).permutation(len(readings))[:FEW]
        case = verdict(tables, [readings[n] for n in take], [], bird.variety, bird.age)
        first, second, *_ = case.pure.values()
        share = math.exp(first - np.logaddexp.reduce(list(case.pure.values())))
        found.append((math.exp(first - second), share, case.likeliest == bird.parents[0]))
    return found


def steps(asked: list[tuple[float, float, bool]]) -> list[tuple[str, str, str, str]]:
    """How often the first species was true, by how many times likelier it was said to be."""
    lines = []
    for low, high in itertools.pairwise(STEPS):
        some = [row for row in asked if low <= row[0] < high]
        name = f"{low:g} to {high:g}" if high < math.inf else f"over {low:g}"
        if some:
            said, true = np.mean([row[1:] for row in some], axis=0)
            count = sum(row[2] for row in some)
            lines.append((name, str(len(some)), f"{said:.0%}", f"{true:.0%} ({count})"))
        else:
            lines.append((name, "0", "-", "-"))
    return lines


def plot(asked: dict[str, list[tuple[float, float, bool]]], path: Path) -> None:
    """What was said against what came true, as SVG: on the line is right, above it too careful."""
    tones = ("#1b5", "#36c", "#c63", "#939", "#555", "#a80")
    dots = []
    for tone, rows in zip(tones, asked.values(), strict=False):
        for low, high in itertools.pairwise(STEPS):
            some = [row[1:] for row in rows if low <= row[0] < high]
            if some:
                x, y = np.mean(some, axis=0)
                dots.append(f'<circle cx="{40 + 600 * (x - 0.5):.0f}" '
                            f'cy="{340 - 300 * y:.0f}" r="5" fill="{tone}"/>')  # fmt: skip
    names = "".join(
        f'<text x="60" y="{60 + 18 * n}" fill="{tone}">{words}</text>'
        for n, (tone, words) in enumerate(zip(tones, asked, strict=False))
    )
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="380" height="370" '
        'font-family="sans-serif" font-size="13"><rect width="380" height="370" fill="#fff"/>'
        '<path d="M40 190 L340 40 M40 340 V40 M40 340 H340" fill="none" stroke="#888"/>'
        '<text x="120" y="362">said (0.5 to 1)</text><text x="4" y="30">came true (0 to 1)</text>'
        f'{names}{"".join(dots)}</svg>\n', encoding="utf-8",
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--birds", type=int, default=600)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--old", type=Path)
    given = parser.parse_args()
    tables = load_rules()
    found = judge(tables, given.birds, given.seed, given.old)
    parts = [
        f"{given.birds} birds, seed {given.seed}: half pure, half first crosses, 40 % green and "
        "the rest of any of eleven varieties, 20 % young; each cross is sold as one of "
        "its parents. A simulation from the program's own plumage model: it says nothing about "
        "how real crosses look. 'Visible mark': before any noise, over 30 % of some mark has a "
        f"colour {VISIBLE:g} CIEDE2000 or more beyond the tolerance of every swatch the claimed "
        "species may show there. 'Caught': a sign, a mark that does not fit the claimed species, "
        "another species, a cross, or nothing known. No ring and no length is given. Version "
        "0.2.0 judged the same readings with its own tables.",
        counted(found), "## What 'so many times likelier' comes to",
        f"Pure birds of which only {FEW} marks were read, drawn at random {FEW_TIMES} times: how "
        "often the likeliest species was the true one, by how many times likelier than the next it "
        "was said to be; said: its probability among the five "
        "(![plot](simulated_birds.svg), on the line is right). Runs of one bird are not "
        "independent.",
    ]  # fmt: skip
    asked = {SETUPS[s]: [row for r in rows for row in r["few"]] for s, rows in found.items()}
    for words, rows in asked.items():
        parts.append(f"### {words.capitalize()}\n\n" + markdown(
            ("times likelier", "runs", "said", "came true"), steps(rows)))  # fmt: skip
    save("simulated_birds", "Simulated birds", *parts)
    plot(asked, RESULTS / "simulated_birds.svg")


if __name__ == "__main__":
    main()
