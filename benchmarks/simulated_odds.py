"""What "so many times likelier" comes to under cameras and lamps that sized nothing.

Run: python benchmarks/simulated_odds.py [--birds N] [--seed S]

Simulated birds as in ``simulated_birds``, of which few marks were read. The model as shipped was
sized on charts photographed by others; it is also sized on simulated charts under one camera and
three lamps and tried under the other camera and lamps, and the other way round. The light is as
even from mark to mark as in ``simulated_birds``, or as uneven as on the shared birds. A simulation
from the program's own plumage model: it says nothing about how real birds look.
"""

import argparse
from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from _tables import RESULTS, markdown, save
from renderings import GREY, fitted
from simulated_birds import (
    FEW,
    FEW_TIMES,
    OWN_LIGHT,
    SETUPS,
    SPECTRA,
    Lamp,
    brood,
    few,
    plot,
    read,
    steps,
)
from simulator.camera import CAMERAS, LAMPS
from simulator.chart import simulated_chart
from simulator.spectra import random_reflectances

from fieldmarks.judge import evidence
from fieldmarks.measure.colour import decode_srgb, lab_to_linear, linear_to_lab
from fieldmarks.rules import Tables, load_rules

CHARTS = 60  # simulated, to size how strange a rendering may be
UNEVEN = 0.4  # light on a mark as uneven as the model takes it to be without a card


def sized_on(lamps: Sequence[str], camera: str, seed: int) -> dict[str, np.ndarray]:
    """Mean and spread of the renderings of simulated charts, as the program holds them."""
    rng = np.random.default_rng(seed)
    found = defaultdict(list)
    for number in range(CHARTS):
        balance = (float(rng.uniform(0.88, 1.12)), 1.0, float(rng.uniform(0.88, 1.12)))
        strength, exposure = float(rng.choice([0.0, 0.5, 1.0])), float(rng.uniform(0.6, 0.9))
        srgb, true = simulated_chart(
            lamps[number % len(lamps)], camera, balance, strength, exposure
        )
        keep = (srgb < 0.98).all(axis=1)
        linear = decode_srgb(np.round(srgb * 255) / 255)
        put_right = linear / linear[GREY] * lab_to_linear(true[GREY])
        for setup, shown in (("none", linear), ("card", put_right)):
            found[setup].append(fitted(true[keep], linear_to_lab(shown[keep]))[0])
    return {k: np.array([np.mean(v, axis=0), np.std(v, axis=0, ddof=1)]) for k, v in found.items()}


def swapped(tables: Tables, count: int, seed: int) -> None:
    """The odds with one camera and three lamps, sized on others."""
    spectra = random_reflectances(SPECTRA, seed=3)
    halves = [(LAMPS[n::2], camera) for n, camera in enumerate(CAMERAS)]
    kept = dict(evidence.RENDERINGS)
    parts, plots = [], {}
    for words, sizing in (("as shipped", None), ("sized on simulated charts", 1)):
        for light in (OWN_LIGHT, UNEVEN):
            asked = defaultdict(list)
            for place, (lamps, camera) in enumerate(halves):
                other = halves[1 - place]
                evidence.RENDERINGS.update(sized_on(*other, seed) if sizing else kept)
                rng = np.random.default_rng([seed, place])
                made = [Lamp(rng, lamp, camera, spectra) for lamp in lamps for _ in range(4)]
                birds = [b for b in brood(tables, 2 * count, seed + place) if b.pure]
                for number, bird in enumerate(birds):
                    lamp = made[rng.integers(len(made))]
                    for setup in lamp.setups:
                        one = np.random.default_rng([seed, place, number])
                        asked[setup] += few(
                            tables, bird, read(bird, lamp, setup, one, light), number
                        )
            evidence.RENDERINGS.update(kept)
            title = f"{words}, light on a mark {light:.0%}"
            parts.append(f"## {title[0].upper()}{title[1:]}")
            for setup, rows in asked.items():
                parts.append(f"### {SETUPS[setup].capitalize()}\n\n" + markdown(
                    ("times likelier", "runs", "said", "came true"), steps(rows)))  # fmt: skip
            plots[title] = [row for rows in asked.values() for row in rows]
    save(
        "simulated_odds", "What 'so many times likelier' comes to under other cameras and lamps",
        f"{2 * count} pure birds or so, seed {seed}, {FEW} marks of each, drawn {FEW_TIMES} times; "
        "runs of one bird are not independent. A simulation from the program's own plumage model. "
        "Half the birds are under one camera and three lamps "
        f"({', '.join(halves[0][0])}), half under the other camera and the other lamps. The prior "
        "of renderings: as shipped, sized on 19 charts photographed by others; or sized on "
        f"{CHARTS} simulated charts under the cameras and lamps that are then *not* used. 'Said': "
        "probability of the likeliest species among the five (![plot](simulated_odds.svg), all "
        "setups together, on the line is right).",
        *parts,
    )  # fmt: skip
    plot(plots, RESULTS / "simulated_odds.svg")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--birds", type=int, default=40)
    parser.add_argument("--seed", type=int, default=9300)
    given = parser.parse_args()
    swapped(load_rules(), given.birds, given.seed)


if __name__ == "__main__":
    main()
