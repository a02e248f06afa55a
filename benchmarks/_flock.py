"""Real birds outlined by eye, with the taps that their outlines stand for."""

import csv
import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from fieldmarks.measure.outlines import Taps
from fieldmarks.measure.photo import Photo, open_photo
from fieldmarks.measure.region import Point, Shape, centre, vertices
from fieldmarks.measure.region_file import region_set_from_text
from fieldmarks.rules import Tables

UNITS = 6.0  # from eye to beak tip in a bird's length, where the tail is not in sight


@dataclass(frozen=True, eq=False)
class Bird:
    """One bird with its outlines by eye."""

    name: str
    lovebird: bool
    photo: Photo
    outlines: Mapping[str, Shape]
    taps: Taps

    @property
    def length(self) -> float:
        """Pixels from the tip of the beak to the end of the tail, where need be guessed."""
        tip, tail = self.taps.beak_tip, self.taps.tail_end
        if tip is None:
            return UNITS * 10 * math.sqrt(cv2.contourArea(_ring(self.outlines["iris"])) / math.pi)
        if tail is None:
            return UNITS * math.dist(self.taps.eye, tip)
        return math.dist(tip, tail)


def _ring(shape: Shape) -> np.ndarray:
    return vertices(shape).astype(np.float32)


def birds(folder: Path, photos: Path, tables: Tables) -> Iterator[Bird]:
    """The birds whose photos are there and are the ones meant."""
    with (folder / "sources.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            path = photos / row["photo"]
            if hashlib.sha256(path.read_bytes()).hexdigest() != row["sha256"]:
                raise SystemExit(f"{path.name} is not the photo that sources.csv means")
            text = (folder / "regions" / f"{row['bird']}.regions.json").read_text(encoding="utf-8")
            shapes = {r.mark: r.shape for r in region_set_from_text(text).regions}
            own = {m: s for m, s in shapes.items() if m in tables.marks}
            lovebird = not row["species"].startswith("(")
            yield Bird(row["bird"], lovebird, open_photo(path), own, taps_of(own))


def taps_of(outlines: Mapping[str, Shape]) -> Taps:
    """The taps that outlines stand for."""
    eye = centre(outlines.get("iris", outlines["eye_ring"]))

    def far(*marks: str) -> Point | None:
        for name in marks:
            if name in outlines:
                x, y = max(vertices(outlines[name]), key=lambda p: math.dist(p, eye))
                return float(x), float(y)
        return None

    return Taps(eye, far("beak_tip"), far("tail_tip", "tail_centre"))
