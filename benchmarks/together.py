"""Several photos of one painted bird together against the verdict on the whole bird.

    python benchmarks/together.py [BIRD ...]

The shipped demo birds are photographed again: their pixels under other light, only some of their
marks outlined. They show that the program adds photos up as it should, not what feathers look like.
"""

import io
import itertools
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from PIL import Image

from fieldmarks.judge.assess import Assessment, assess_photos
from fieldmarks.measure.colour import decode_srgb, encode_srgb
from fieldmarks.measure.measure import Measurement, measure
from fieldmarks.measure.photo import decode_photo, open_photo
from fieldmarks.measure.region import Region, RegionSet, mask
from fieldmarks.pipeline import demo_birds, demo_question, regions_of
from fieldmarks.rules import load_rules

TABLES = load_rules()
Array = npt.NDArray[np.float64]
# Marks in sight from three sides of a bird.
SIDES: Mapping[str, Sequence[str]] = {
    "front": ("face", "forehead", "bib", "chest", "belly", "beak_base", "beak_tip", "cere"),
    "side": ("cheek", "ear", "crown", "collar", "mask_edge", "eye_ring", "iris", "pupil", "wing"),
    "back": ("nape", "back_of_head", "back", "rump", "tail_tip", "flights"),
}
# Light on each photo: gain of red, green and blue; the card has it too.
LIGHTS = {"front": (0.9, 0.85, 0.75), "side": (0.7, 0.72, 0.8), "back": (0.85, 0.8, 0.78)}
WARM = (1.25, 1.0, 0.62)  # lamplight on the bird while the card lies in daylight
# Marks outlined on each other's place by mistake.
SWAPPED = {"collar": "back", "back": "collar", "rump": "belly", "belly": "rump"}


class Bird:
    """A demo bird that can be photographed again."""

    def __init__(self, name: str) -> None:
        path = demo_birds()[name]
        photo = open_photo(path)
        self.name, self.question = name, demo_question(path)[0]
        self.regions = regions_of(path, None, photo).regions
        self.codes = photo.codes((0, 0, photo.width, photo.height))

    def photograph(
        self, name: str, marks: Sequence[str] | None = None, bad: str = ""
    ) -> Measurement:
        """Measure a photo of it under another light.

        Parameters
        ----------
        name : str
            Key of ``LIGHTS``.
        marks : sequence of str, optional
            Those in sight, all by default.
        bad : {"", "wrong card", "warm cast", "wrong outlines"}
            What went wrong.
        """
        height, width = self.codes.shape[:2]
        card = [r for r in self.regions if r.mark == "card"]
        levels = decode_srgb(np.arange(256) / 255)
        picture = relit(self.codes, levels, LIGHTS[name])
        if bad == "warm cast":
            warm = relit(self.codes, levels, tuple(np.multiply(LIGHTS[name], WARM)))
            keep = np.zeros((height, width), bool)
            for region in card:
                keep |= mask(region.shape, (0, 0, width, height))
            picture = np.where(keep[..., None], picture, warm)
        shown = [r for r in self.regions if marks is None or r.mark in marks]
        if bad == "wrong outlines":
            shown = [replace(r, mark=SWAPPED.get(r.mark, r.mark)) for r in shown]
        if bad == "wrong card":
            back = next(r for r in self.regions if r.mark == "back")
            card = [Region("card", "card", back.shape)]
            shown = [r for r in shown if r.mark != "back"]
        shown = [r for r in shown if r.mark != "card"] + card
        buffer = io.BytesIO()
        Image.fromarray(picture).save(buffer, "PNG", compress_level=0)
        photo = decode_photo(buffer.getvalue(), f"{name}{bad and ' ' + bad}.png")
        drawn = RegionSet(photo.name, width, height, tuple(shown), photo.sha256)
        return measure(photo, drawn, TABLES)

    def verdict(self, photos: Sequence[Measurement]) -> Assessment:
        """What photos of it come to together."""
        return assess_photos(photos, TABLES, self.question)


def relit(codes: Array, levels: Array, gain: Sequence[float]) -> npt.NDArray[np.uint8]:
    """The picture with another gain of each channel, sRGB."""
    curves = encode_srgb(np.clip(levels[:, None] * np.array(gain), 0, 1))
    curves = np.round(curves * 255).astype(np.uint8)
    return np.stack([curves[codes[..., c], c] for c in range(3)], axis=-1)


def verdict_of(result: Assessment) -> tuple[str, tuple[str, ...]]:
    """Kind of conclusion and the species left: what must not turn."""
    return result.conclusion.outcome, result.conclusion.candidates


def main() -> None:
    """Print one line per bird and case, and the counts."""
    counts: dict[str, list[bool]] = {}
    for name in sys.argv[1:] or demo_birds():
        bird = Bird(name)
        whole = {light: bird.photograph(light) for light in LIGHTS}
        wanted = verdict_of(bird.verdict([whole["front"]]))
        print(f"{name}: whole bird {wanted}")
        sides = {side: bird.photograph(side, marks) for side, marks in SIDES.items()}
        cases = {f"{side} alone": [photo] for side, photo in sides.items()}
        cases["three sides"] = list(sides.values())
        cases["three whole photos"] = list(whole.values())
        for bad, light in itertools.product(("wrong card", "warm cast", "wrong outlines"), LIGHTS):
            spoilt = bird.photograph(light, bad=bad)
            others = [photo for key, photo in whole.items() if key != light]
            cases[f"{bad}, {light}, alone"] = [spoilt]
            cases[f"{bad}, {light}"] = [*others, spoilt]
        for case, photos in cases.items():
            result = bird.verdict(photos)
            same = verdict_of(result) == wanted
            kind = case.split(",")[0] + (" alone" if case.endswith(", alone") else "")
            counts.setdefault(kind, []).append(same)
            apart = len(result.disagreements)
            print(f"  {'same ' if same else 'OTHER'} {case}: {verdict_of(result)}, {apart} apart")
            if not same:
                print(f"        {result.conclusion.sentence}")
    for kind, same in counts.items():
        print(f"{kind}: {sum(same)} of {len(same)} as the whole bird")


if __name__ == "__main__":
    main()
