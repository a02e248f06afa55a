"""Painted birds, photographed and read from the picture: pure ones accused, crosses caught.

Run: python benchmarks/painted_birds.py [--birds N] [--seed S] [--old FOLDER]

Feather by feather painted scenes of four species (no peach-faced one is painted) and of first
crosses, each colour area of which shows one parent's paint, the other's, or both mixed half and
half. Each is photographed under one of six lamps by one of two cameras and a phone's rendering of
some strength, and read without a card, with its grey card, and with card and phone profile; half
the birds are pure. The paints were chosen by hand beside the tables, from memory: what is found
here shows that the road from picture to verdict holds, and nothing about feathers.

``--old`` is a folder with version 0.2.0 of the program; it then judges the same readings.
"""

import argparse
import itertools
import sys
from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
from _parentage import SETUPS, Bird, accused, as_plain, ask_old, counted, row_of
from _tables import save
from bird_scenes import HEIGHT, LEFT_OUT, calibrations, make_scene, render, truth_of
from simulator.demo import plumage_of
from simulator.outlines import drawn_regions
from simulator.parts import Plumage

from fieldmarks.judge.assess import assess_photos
from fieldmarks.judge.together import PhotoReadings, Question
from fieldmarks.measure.calibration import Calibration
from fieldmarks.measure.comparison import read_relations
from fieldmarks.measure.light_checks import bird_doubts, card_doubts, widen
from fieldmarks.measure.photo import Photo
from fieldmarks.measure.quantities import Reading, Relation
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Region, RegionSet
from fieldmarks.rules import Tables, load_rules

FIRST_SEED = 8100  # birds that were not looked at while anything was set
SPECIES = ("personatus", "fischeri", "nigrigenis", "lilianae")


def paint(parents: tuple[str, str], rng: np.random.Generator) -> Plumage:
    """Paint of a pure bird, or of a cross: each area from one parent, the other, or of both."""
    one, other = (plumage_of(parent) for parent in parents)
    if parents[0] == parents[1]:
        return one
    found = []
    for mine, its in ((one.areas, other.areas), (one.parts, other.parts)):
        mixed = {}
        for key in dict.fromkeys((*mine, *its)):
            ends = [part.get(key, one.areas["body"]) for part in (mine, its)]
            shares = ((1.0, 0.0), (0.0, 1.0), (0.5, 0.5))[rng.integers(3)]
            blend: dict[str, float] = defaultdict(float)
            for end, amount in zip(ends, shares, strict=True):
                for material, part in end.items():
                    blend[material] += part * amount
            mixed[key] = {material: part for material, part in blend.items() if part}
        found.append(mixed)
    return Plumage(*found)


def measured(
    photo: Photo, regions: tuple[Region, ...], calibration: Calibration, tables: Tables
) -> tuple[list[Reading], list[Relation]]:
    """Readings and comparisons, as the program makes them, with one calibration."""
    drawn = RegionSet(photo.name, photo.width, photo.height, regions, photo.sha256)
    readings = {}
    for region in regions:
        if region.mark != "card":
            cut = [r.shape for m in tables.marks[region.mark].without for r in drawn.of(m)]
            found = read_mark(photo, region.mark, [region], calibration, cut)
            if found is not None:
                readings[region.mark] = found
    names = {key: row.name for key, row in tables.marks.items()}
    doubts = [*card_doubts(calibration), *bird_doubts(readings, names)]
    readings = {mark: widen(one, doubts) for mark, one in readings.items()}
    relations = read_relations(photo, drawn, readings, calibration, tables.relations)
    return list(readings.values()), list(relations)


def judge(tables: Tables, count: int, seed: int, old: Path | None) -> dict[str, list[dict]]:
    """One row per bird and setup."""
    pairs = [(s, s) for s in SPECIES] * 3 + list(itertools.combinations(SPECIES, 2)) * 2
    found: dict[str, list[dict]] = defaultdict(list)
    plain: dict[str, list[dict]] = defaultdict(list)
    for number in range(count):
        parents = pairs[number % len(pairs)]
        _, picture, light, rng = make_scene(10 * number, seed)  # nothing else is hard about it
        setting = replace(picture.setting, height=HEIGHT)
        picture = replace(picture, plumage=paint(parents, rng), setting=setting)
        photo, scene = render("plain", picture, light, rng)
        without = () if parents == ("personatus", "personatus") else ("mask_edge",)
        regions = drawn_regions(setting, without, picture.small_bib)
        card = next(r for r in regions if r.mark == "card")
        shapes = {r.mark: r.shape for r in regions}
        true = {}
        for region in regions:
            if region.mark not in LEFT_OUT:
                cut = [shapes[m] for m in tables.marks[region.mark].without if m in shapes]
                true[region.mark] = [(tuple(truth_of(scene, region, cut)), 1.0)]
        bird = Bird(parents, "green", "adult", true)
        claimed = parents[number % 2]
        made = {"none": Calibration(), **calibrations(photo, card, light)}
        for setup in SETUPS:
            if setup not in made:
                continue
            readings, relations = measured(photo, regions, made[setup], tables)
            seen = PhotoReadings(tuple(readings), tuple(relations))
            question = Question(claimed=None if bird.pure else claimed)
            result = assess_photos([seen], tables, question)
            found[setup].append(row_of(tables, bird, claimed, result))
            plain[setup].append(as_plain(bird, readings, relations))
            if bird.pure and accused(result):
                print(f"\n{number} {parents[0]} {setup}: {result.conclusion.sentence}")
        print(f"\r{number + 1}/{count}", end="", file=sys.stderr)
    if old is not None:
        ask_old(old, found, plain)
    return found


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--birds", type=int, default=120)
    parser.add_argument("--seed", type=int, default=FIRST_SEED)
    parser.add_argument("--old", type=Path)
    given = parser.parse_args()
    found = judge(load_rules(), given.birds, given.seed, given.old)
    save(
        "painted_birds", "Painted birds",
        str(__doc__).split("\n\n", 2)[2].split("\n\n``--old``")[0].strip(),
        f"{given.birds} birds, seed {given.seed}, {HEIGHT} pixels high, all marks outlined. "
        "'Visible mark' and 'caught' as in simulated_birds.",
        counted(found),
    )  # fmt: skip


if __name__ == "__main__":
    main()
