"""Rendered bird scenes of known colour: how far off each mark reads, and whether the doubt is true.

Run: python benchmarks/bird_scenes.py [--scenes N] [--large N] [--huge N] [--seed S]

Every scene is one of the invented demo birds with newly varied feathers, lamp, camera, white
balance, exposure, phone rendering and JPEG quality, and one condition that makes it hard. The
truth is the median CIELAB of the painted reflectance over the region (light and shade left out).
Each scene is read three times: with its grey card, with the card and a profile of the phone made on
a chart under daylight, and with the card and a 24-patch chart under the scene's own lamp. Simulated
charts and birds share the simulator's cameras, not their spectra. Large scenes have 12 and huge
ones 48 megapixels; they are painted feather by feather at that size, not enlarged.
"""

import argparse
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from _tables import markdown, save
from simulator import phone
from simulator.camera import CAMERAS, LAMPS
from simulator.chart import simulated_chart
from simulator.demo import Picture, pictures
from simulator.outlines import drawn_regions
from simulator.scene import Light, Rendered, paint_scene, take_photo
from simulator.spectra import xyz_to_lab

from fieldmarks.measure import reading as reading_module
from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.colour import decode_srgb, difference
from fieldmarks.measure.correction import Patches, choose
from fieldmarks.measure.light_checks import bird_doubts, card_doubts, widen
from fieldmarks.measure.phone_profile import OTHER_PHOTO
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.quantities import Budget, Reading
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Region, mask, window
from fieldmarks.measure.uncertainty import LIGHT_DEFAULT, light_part
from fieldmarks.rules import load_rules

CONDITIONS = ("plain", "mixed lamps", "shadow on bird", "grain", "JPEG 60 to 70", "shine",
              "HDR", "small", "bright", "large")  # fmt: skip
HEIGHTS = {"small": 420, "large": 1224}
HEIGHT = 700
# Picture heights of the two large sizes; their scenes are numbered from here and have these kinds.
LARGE, HUGE = 3000, 6000
LARGE_FROM, HUGE_FROM = 10_000, 20_000
AT_ANY_SIZE = tuple(c for c in CONDITIONS if c not in ("small", "large"))
SETUPS = ("grey card", "phone profile", "chart")
LEFT_OUT = ("card", "pupil")
STRAY = 0.06  # share of the picture's mean light; a clean phone lens has 1 to 4 % (from memory)
SHINE = 15  # scenes that are read a second time with shine left in


@dataclass(frozen=True)
class Outcome:
    """One mark of one scene read in one setup."""

    condition: str
    setup: str
    mark: str
    lamp: str
    off: float
    reading: Reading
    warned: bool
    height: int

    @property
    def size(self) -> str:
        """Size of the picture in megapixels, in words."""
        return f"{self.height * round(self.height * 4 / 3) / 1e6:.2g} megapixels"

    @property
    def inside(self) -> bool:
        """Whether the truth lies within the stated uncertainty."""
        return self.off <= self.reading.expanded


def make_scene(number: int, seed: int) -> tuple[str, Picture, Light, np.random.Generator]:
    """Condition, bird and light of a scene."""
    rng = np.random.default_rng([seed, number])
    kinds = CONDITIONS if number < LARGE_FROM else AT_ANY_SIZE
    condition = kinds[number % len(kinds)]
    birds = [p for p in pictures() if p.setting.card == "whole"]
    picture = birds[rng.integers(len(birds))]
    light = Light(
        illuminant=LAMPS[rng.integers(len(LAMPS))],
        camera=CAMERAS[rng.integers(2)],
        white_balance_error=(float(rng.uniform(0.88, 1.12)), 1.0, float(rng.uniform(0.88, 1.12))),
        exposure=float(rng.uniform(0.6, 0.9)),
        phone_strength=float(rng.choice([0.0, 0.5, 1.0])),
        stray=float(np.random.default_rng([seed, number, 1]).uniform(0, STRAY)),
    )
    if condition == "grain":
        light = replace(light, shot_noise=1.2e-3, read_noise=4e-3)
    if condition == "HDR":
        light = replace(light, local_gain=0.25, phone_strength=max(light.phone_strength, 0.5))
    if condition == "bright":
        light = replace(light, exposure=1.05)
    height = HEIGHTS.get(condition, HEIGHT)
    if number >= LARGE_FROM:
        height = HUGE if number >= HUGE_FROM else LARGE
    setting = replace(picture.setting, height=height)
    return condition, replace(picture, setting=setting), light, rng


def render(
    condition: str, picture: Picture, light: Light, rng: np.random.Generator
) -> tuple[Photo, Rendered]:
    """Paint the scene, spoil it as its condition asks, and photograph it."""
    seed = int(rng.integers(2**31))
    scene = paint_scene(picture.plumage, picture.setting, light, seed)
    linear = scene.linear
    height, width = scene.shade.shape
    x = np.linspace(0, 1, width, dtype=np.float32)[None, :, None]
    side = 1 / (1 + np.exp(-(x - rng.uniform(0.35, 0.6)) * rng.uniform(6, 20)))
    if condition == "mixed lamps":
        other = "A" if light.illuminant != "A" else "D65"
        # The camera balances for one lamp; the other keeps its own cast.
        cast = (1.5, 1.0, 0.55) if other == "A" else (0.75, 1.0, 1.5)
        second = replace(light, illuminant=other)
        linear_2 = paint_scene(picture.plumage, picture.setting, second, seed).linear
        share = side * rng.uniform(0.3, 1.0)
        linear = (1 - share) * linear + share * linear_2 * np.array(cast, np.float32)
    if condition == "shadow on bird":
        linear = linear * (1 - rng.uniform(0.15, 0.5) * side)
    if condition == "shine":
        spots = rng.random((height // 8, width // 8)) > 0.985
        spots = cv2.GaussianBlur(spots.astype(np.float32), (0, 0), 0.7)
        spots = cv2.resize(spots, (width, height), interpolation=cv2.INTER_CUBIC)
        card = next(r for r in drawn_regions(picture.setting) if r.mark == "card")
        x0, y0, x1, y1 = window(card.shape, width, height)
        spots[y0:y1, x0:x1] = 0  # a spotted card would be refused
        linear = linear + np.clip(spots, 0, 1)[..., None] * rng.uniform(0.4, 1.2)
    rgb8 = take_photo(replace(scene, linear=linear.astype(np.float32)), light, seed + 1)
    low, high = (60, 70) if condition.startswith("JPEG") else (60, 95)
    data = phone.jpeg_bytes(rgb8, int(rng.integers(low, high + 1)))
    return decode_photo(data, "scene.jpg"), scene


def truth_of(scene: Rendered, region: Region, cut: list) -> np.ndarray:
    """Median CIELAB of the painted reflectance over a region."""
    height, width = scene.shade.shape
    win = window(region.shape, width, height)
    inside = mask(region.shape, win, cut)
    x0, y0, x1, y1 = win
    return np.median(xyz_to_lab(scene.xyz[y0:y1, x0:x1][inside].astype(float)), axis=0)


def calibrations(photo: Photo, card: Region, light: Light) -> dict[str, Calibration]:
    """The three setups; the charts are photographed by the same camera and phone."""
    plain = calibrate(photo, [card])
    if not plain.calibrated:
        return {"grey card": plain}
    out = {"grey card": plain}
    for setup, lamp in (("phone profile", "D65"), ("chart", light.illuminant)):
        srgb, lab = simulated_chart(
            lamp, light.camera, light.white_balance_error, light.phone_strength
        )
        rgb = decode_srgb(np.round(srgb * 255) / 255)
        keep = (srgb < 1).all(axis=1)
        patches = Patches(rgb, lab, np.arange(24) >= 18).chosen(keep)
        fitted = choose(patches, f"{len(patches.rgb)} patches")
        fitted = fitted.with_gains([plain.patches[0].rgb], [plain.patches[0].reflectance])
        if setup == "phone profile":
            lamp_term = tuple(np.hypot(fitted.residual, OTHER_PHOTO).tolist())
            fitted = replace(fitted, residual=lamp_term)
        out[setup] = replace(plain, correction=fitted)
    return out


def read_scene(number: int, seed: int) -> Iterator[Outcome]:
    """All marks of one scene in every setup."""
    condition, picture, light, rng = make_scene(number, seed)
    photo, scene = render(condition, picture, light, rng)
    tables = load_rules()
    regions = drawn_regions(picture.setting, (), picture.small_bib)
    shapes = {r.mark: r.shape for r in regions}
    card = next(r for r in regions if r.mark == "card")
    names = {key: row.name for key, row in tables.marks.items()}
    for setup, calibration in calibrations(photo, card, light).items():
        readings = {}
        for region in regions:
            if region.mark in LEFT_OUT:
                continue
            cut = [shapes[m] for m in tables.marks[region.mark].without if m in shapes]
            found = read_mark(photo, region.mark, [region], calibration, cut)
            if found is not None and found.calibrated:
                readings[region.mark] = found
        doubts = [*card_doubts(calibration), *bird_doubts(readings, names)]
        for region in regions:
            if region.mark in readings:
                cut = [shapes[m] for m in tables.marks[region.mark].without if m in shapes]
                final = widen(readings[region.mark], doubts)
                off = float(difference(final.lab, truth_of(scene, region, cut)))
                yield Outcome(
                    condition, setup, region.mark, light.illuminant, off, final,
                    any(d.name == "light on the bird" for d in doubts), picture.setting.height,
                )  # fmt: skip


def line(label: str, outcomes: list[Outcome]) -> tuple:
    """One row: how far off, how often inside, how wide."""
    if not outcomes:
        return (label, 0, "", "", "", "")
    off = np.array([o.off for o in outcomes])
    wide = np.array([o.reading.expanded for o in outcomes])
    inside = np.array([o.inside for o in outcomes])
    return (label, len(off), f"{off.mean():.1f}", f"{np.percentile(off, 95):.1f}",
            f"{inside.mean():.1%}", f"{np.median(wide):.1f}")  # fmt: skip


def without_part(outcome: Outcome, name: str) -> Outcome:
    """The same reading with a part of its budget taken away."""
    kept = tuple(p for p in outcome.reading.budget.parts if p.name != name)
    return replace(outcome, reading=replace(outcome.reading, budget=Budget(kept)))


def with_even_light(outcome: Outcome) -> Outcome:
    """The same reading without what the slope on the card adds."""
    lab = outcome.reading.lab
    plain = light_part(lab, LIGHT_DEFAULT, "light", "")
    kept = tuple(plain if p.name == "light" else p for p in outcome.reading.budget.parts)
    return replace(outcome, reading=replace(outcome.reading, budget=Budget(kept)))


def grouped(outcomes: list[Outcome], key: str) -> dict[str, list[Outcome]]:
    groups: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        groups[getattr(outcome, key)].append(outcome)
    return groups


def feathers_as_paper(outcomes: list[Outcome]) -> tuple[str, str]:
    """Spread part as stated, and as it were if every pixel were an independent look."""
    stated, paper = [], []
    for outcome in outcomes:
        reading = outcome.reading
        part = next(p for p in reading.budget.parts if p.name == "spread")
        stated.append(part.lightness)
        fewer = max(reading.looks, 1.0) / max(reading.pixels.used, 1)
        paper.append(part.lightness * float(np.sqrt(min(fewer, 1.0))))
    return f"{np.median(stated):.2f}", f"{np.median(paper):.2f}"


def report(outcomes: list[Outcome], chosen: argparse.Namespace, shine: list[list[Outcome]]) -> None:
    header = ("", "n", "mean", "95 %", "inside", "stated")
    by_setup = grouped(outcomes, "setup")
    card = by_setup["grey card"]
    names = ("camera", "light", "card", "spread", "veiling glare", "light on the bird")
    off = [(f"without '{name}'", [without_part(o, name) for o in card]) for name in names]
    shaded = [o for o in card if o.condition == "shadow on bird"]
    parts = [
        f"{chosen.scenes} scenes of 0.24 to 2 megapixels, {chosen.large} of 12 and {chosen.huge} "
        f"of 48, seed {chosen.seed} (never used to size anything). JPEG quality 60 to 95. "
        "CIEDE2000 to the painted reflectance, share inside the stated uncertainty (95 %), and "
        "its median.",
        markdown(header, [line(s, by_setup[s]) for s in SETUPS if s in by_setup]),
    ]
    for setup in SETUPS:
        groups = grouped(by_setup[setup], "condition")
        rows = [line(c, groups[c]) for c in CONDITIONS if c in groups]
        parts += [f"By condition, {setup}:", markdown(header, rows)]
        sizes = grouped(by_setup[setup], "size")
        rows = [line(g[0].size, g) for g in sorted(sizes.values(), key=lambda g: g[0].height)]
        parts += [f"By size of the picture, {setup}:", markdown(header, rows)]
    parts += [
        "By mark, grey card:",
        markdown(header, [line(m, g) for m, g in grouped(card, "mark").items()]),
        "By lamp, grey card:",
        markdown(header, [line(m, g) for m, g in sorted(grouped(card, "lamp").items())]),
        "Safeguards switched off, grey card (parts of the budget left out):",
        markdown(header, [line("all on", card), *(line(name, group) for name, group in off)]),
        "What tells of shade switched off (condition 'shadow on bird' only):",
        markdown(
            header,
            [
                line("all on", shaded),
                line("without the slope on the card", [with_even_light(o) for o in shaded]),
                line(
                    "without the bird's own white and bright parts",
                    [without_part(o, "light on the bird") for o in shaded],
                ),
                line(
                    "without both",
                    [with_even_light(without_part(o, "light on the bird")) for o in shaded],
                ),
            ],
        ),
        f"Shine in the readings (condition 'shine', its first {SHINE} scenes):",
        markdown(header, [line("excluded", shine[0]), line("left in", shine[1])]),
    ]
    spread, paper = feathers_as_paper(card)
    parts.append(
        f"Feathers are not paper: the spread part of L* is {spread} (median); with every pixel "
        f"taken for an independent look it would be {paper}."
    )
    warned = grouped([o for o in card if o.warned], "condition")
    rates = [
        f"{c} {len(warned.get(c, [])) / len(g):.0%}" for c, g in grouped(card, "condition").items()
    ]
    parts.append(
        "Readings in scenes whose bird raised a doubt about its light (a white part that reads "
        f"coloured or dark, a part brighter than white): {', '.join(rates)}."
    )
    save("bird_scenes", "Rendered bird scenes", *parts)


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--scenes", type=int, default=300)
    options.add_argument("--large", type=int, default=16)
    options.add_argument("--huge", type=int, default=4)
    options.add_argument("--seed", type=int, default=20261126)
    chosen = options.parse_args()
    numbers = [
        *range(chosen.scenes),
        *range(LARGE_FROM, LARGE_FROM + chosen.large),
        *range(HUGE_FROM, HUGE_FROM + chosen.huge),
    ]
    outcomes: list[Outcome] = []
    shiny: list[Outcome] = []
    left_in = [n for n in numbers if CONDITIONS[n % len(CONDITIONS)] == "shine"][:SHINE]
    for done, number in enumerate(numbers, 1):
        found = list(read_scene(number, chosen.seed))
        outcomes.extend(found)
        if number in left_in:
            shiny.extend(o for o in found if o.setup == "grey card")
        print(f"\r{done}/{len(numbers)}", end="", file=sys.stderr)
    with_glare = reading_module._glare
    reading_module._glare = lambda linear, inside, clipped: np.zeros_like(inside)
    no_glare = [o for n in left_in for o in read_scene(n, chosen.seed) if o.setup == "grey card"]
    reading_module._glare = with_glare
    report(outcomes, chosen, [shiny, no_glare])


if __name__ == "__main__":
    main()
