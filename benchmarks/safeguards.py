"""What got worse when a safeguard of the card is switched off, on rendered bird scenes.

Run: python benchmarks/safeguards.py [--scenes N] [--seed S]

Three kinds of scene, each read with the safeguard and without: a shadow edge lies across the card
(refused, or used all the same); the light falls off across the scene and four grey cards stand in
it (a plane of light, or their mean); the photo is so bright that parts are cut off (clipped pixels
left out, or kept). The parts of the budget and the shine are in bird_scenes.md.
"""

import argparse
from collections.abc import Callable, Iterator
from dataclasses import replace
from unittest.mock import patch

import numpy as np
from _tables import markdown, save
from bird_scenes import HEIGHT, LEFT_OUT, truth_of
from simulator import phone
from simulator.camera import CAMERAS, LAMPS
from simulator.demo import Picture, pictures
from simulator.outlines import drawn_regions
from simulator.scene import Light, Rendered, paint_scene, take_photo

from fieldmarks.measure import calibration as calibrating
from fieldmarks.measure import reading as reading_module
from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.colour import difference
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Rectangle, Region, centre
from fieldmarks.rules import load_rules

Outcome = tuple[float, float]


def make(number: int, seed: int, exposure: float) -> tuple[Picture, Light, np.random.Generator]:
    """A bird and a light."""
    rng = np.random.default_rng([seed, number])
    birds = [p for p in pictures() if p.setting.card == "whole"]
    picture = birds[rng.integers(len(birds))]
    light = Light(
        illuminant=LAMPS[rng.integers(len(LAMPS))],
        camera=CAMERAS[rng.integers(2)],
        white_balance_error=(float(rng.uniform(0.88, 1.12)), 1.0, float(rng.uniform(0.88, 1.12))),
        exposure=exposure,
        phone_strength=float(rng.choice([0.0, 0.5])),
    )
    return replace(picture, setting=replace(picture.setting, height=HEIGHT)), light, rng


def shoot(scene: Rendered, light: Light, rng: np.random.Generator) -> Photo:
    rgb8 = take_photo(scene, light, int(rng.integers(2**31)))
    return decode_photo(phone.jpeg_bytes(rgb8, 85), "scene.jpg")


def read(
    photo: Photo, scene: Rendered, picture: Picture, calibration: Calibration
) -> Iterator[Outcome]:
    """CIEDE2000 and stated uncertainty of every mark."""
    marks = load_rules().marks
    regions = drawn_regions(picture.setting, (), picture.small_bib)
    shapes = {r.mark: r.shape for r in regions}
    for region in regions:
        if region.mark in LEFT_OUT:
            continue
        cut = [shapes[m] for m in marks[region.mark].without if m in shapes]
        found = read_mark(photo, region.mark, [region], calibration, cut)
        if found is not None:
            off = float(difference(found.lab, truth_of(scene, region, cut)))
            yield off, found.expanded


def card_of(picture: Picture) -> Region:
    return next(r for r in drawn_regions(picture.setting) if r.mark == "card")


def shadowed_card(number: int, seed: int) -> tuple[list[Outcome], list[Outcome], bool]:
    """A shadow edge across the card: refused, against used all the same."""
    picture, light, rng = make(number, seed, 0.8)
    picture = replace(picture, setting=replace(picture.setting, card="half in shadow"))
    scene = paint_scene(picture.plumage, picture.setting, light, int(rng.integers(2**31)))
    photo = shoot(scene, light, rng)
    safe = calibrate(photo, [card_of(picture)])
    with patch.object(calibrating, "REFUSE_STEP", 99.0):
        careless = calibrate(photo, [card_of(picture)])
    both = [list(read(photo, scene, picture, c)) for c in (safe, careless)]
    return both[0], both[1], not safe.calibrated


def falling_light(number: int, seed: int) -> tuple[list[Outcome], list[Outcome], bool]:
    """Light that falls off over the scene: a plane through four cards, against one far card."""
    picture, light, rng = make(number, seed, 0.7)
    scene = paint_scene(picture.plumage, picture.setting, light, int(rng.integers(2**31)))
    height, width = scene.shade.shape
    at = centre(card_of(picture).shape)
    grey = scene.linear[int(at[1]) - 8 : int(at[1]) + 8, int(at[0]) - 8 : int(at[0]) + 8]
    grey = np.median(grey.reshape(-1, 3), axis=0)
    linear, side = scene.linear.copy(), HEIGHT // 12
    cards = []
    for k, (x, y) in enumerate(((0, 0), (width - side, 0), (0, height - side),
                                (width - side, height - side))):  # fmt: skip
        linear[y : y + side, x : x + side] = grey
        inner = Rectangle(x + 6, y + 6, side - 12, side - 12)
        cards.append(Region(f"c{k}", "card", inner, 0.18))
    fall = rng.uniform(0.4, 0.9) * np.linspace(-0.5, 0.5, width, dtype=np.float32)
    sign = 1 if rng.random() < 0.5 else -1
    linear *= np.exp(sign * fall)[None, :, None]
    photo = shoot(replace(scene, linear=linear), light, rng)
    safe = calibrate(photo, cards)
    both = [list(read(photo, scene, picture, c)) for c in (safe, calibrate(photo, cards[:1]))]
    return both[0], both[1], safe.plane != (0.0, 0.0)


def cut_off(number: int, seed: int) -> tuple[list[Outcome], list[Outcome], bool]:
    """A photo exposed too long: clipped pixels left out, against kept."""
    picture, light, rng = make(number, seed, 1.8)
    scene = paint_scene(picture.plumage, picture.setting, light, int(rng.integers(2**31)))
    photo = shoot(scene, light, rng)
    calibration = calibrate(photo, [card_of(picture)])
    safe = list(read(photo, scene, picture, calibration))
    with patch.object(reading_module, "_largest", _never_clipped):
        careless = list(read(photo, scene, picture, calibration))
    return safe, careless, len(safe) < len(careless)


def _never_clipped(codes: np.ndarray) -> np.ndarray:
    """In place of the largest channel, by which reading tells a clipped pixel."""
    return np.minimum(codes.max(axis=-1), 200)


def row(label: str, outcomes: list[Outcome]) -> tuple[str, ...]:
    if not outcomes:
        return (label, "0", "", "", "", "")
    off, stated = np.array(outcomes).T
    return (label, str(len(off)), f"{off.mean():.1f}", f"{np.percentile(off, 95):.1f}",
            f"{(off <= stated).mean():.1%}", f"{np.median(stated):.1f}")  # fmt: skip


Trial = Callable[[int, int], tuple[list[Outcome], list[Outcome], bool]]
TRIALS: tuple[tuple[str, str, str, Trial], ...] = (
    ("shadow edge across the card", "refused: colours as the camera wrote them",
     "used all the same", shadowed_card),
    ("light falls off", "plane of light, four cards", "one card in a corner", falling_light),
    ("too bright a photo", "clipped pixels left out", "clipped pixels kept", cut_off),
)  # fmt: skip


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--scenes", type=int, default=16)
    options.add_argument("--seed", type=int, default=20261126)
    chosen = options.parse_args()
    rows, notes = [], []
    for name, on, off, trial in TRIALS:
        results = [trial(n, chosen.seed) for n in range(chosen.scenes)]
        for label, which in ((on, 0), (off, 1)):
            joined = [o for r in results for o in r[which]]
            rows.append((name, *row(label, joined)))
        notes.append(f"{name}: {sum(r[2] for r in results)} of {chosen.scenes} scenes")
    save(
        "safeguards",
        "Safeguards of the card switched off",
        f"{chosen.scenes} scenes of each kind, seed {chosen.seed}. CIEDE2000 to the painted "
        "reflectance, share inside the stated uncertainty (95 %), and its median.",
        markdown(("scene", "", "n", "mean", "95 %", "inside", "stated"), rows),
        f"The safeguard acted in: {'; '.join(notes)}.",
    )


if __name__ == "__main__":
    main()
