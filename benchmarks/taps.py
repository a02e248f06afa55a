"""Marks proposed from a few taps, judged on real birds that were outlined by eye.

Run: python benchmarks/taps.py PHOTOS [--birds ../shared/real_birds] [--charts ../shared/photos]

PHOTOS holds the photographs that sources.csv of the birds names (by the name in its column photo);
they are measured where they lie and never kept here. The taps are taken from the outlines: the
middle of the iris, the corner of the beak tip's outline farthest from it, and likewise of the tail.
Thirteen of the birds are lovebirds; the other parrot is told apart.

What the outlines say: they are patches drawn inside each mark, not the mark's borders, so a core
elsewhere on the same mark counts as outside. Both shares are given: of the proposal inside the
outline, and by how much the reading differs.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import math
import os
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np
import shapely
from _tables import markdown, save
from scipy.spatial.distance import cdist
from skimage.segmentation import slic

from fieldmarks._util.errors import FieldmarksError, RegionError
from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.card_places import find_card
from fieldmarks.measure.colour import difference
from fieldmarks.measure.outlines import Taps, places, propose, silhouette
from fieldmarks.measure.outlines.frame import Frame, frame_of, look_at
from fieldmarks.measure.outlines.proposal import scene_of
from fieldmarks.measure.photo import Photo, decode_photo, open_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Point, Region, Shape, centre, mask, overlap, vertices, window
from fieldmarks.measure.region_file import region_set_from_text
from fieldmarks.measure.suggest import suggest_outline
from fieldmarks.rules import Tables, load_rules

SCREEN = 1600  # longest side on which tap-to-find looks in the app
UNITS = 6.0  # from eye to beak tip in a bird's length, where the tail is not in sight
MOVED = 0.03  # of the bird's length
TRIALS = 4
REACH = 0.18  # of the shorter side: how far tap-to-find goes with the whole photo in sight
TWELVE = (4000, 3000)
# Ways of telling a place that a leave-one-out can learn from outlines.
LEARNED = ("head", "rim", "neck", "trunk", "eye", "low", "tip")


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


@dataclass(frozen=True)
class Row:
    """How one mark of one bird came out; NaN for what there is none of."""

    bird: Bird
    mark: str
    inside: float = math.nan
    shared: float = math.nan
    size: float = math.nan
    apart: float = math.nan
    certainty: float = math.nan

    @property
    def proposed(self) -> bool:
        """Whether the mark was proposed at all."""
        return not math.isnan(self.inside)


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


def cuts(mark: str, shapes: Mapping[str, Shape], tables: Tables) -> list[Shape]:
    """What is cut out of a mark, of the shapes at hand."""
    return [shapes[k] for k in tables.marks[mark].without if k in shapes]


def lab(photo: Photo, mark: str, shape: Shape, without: list[Shape]) -> np.ndarray | None:
    """The mark's reading without a card."""
    found = read_mark(photo, mark, [Region("A", mark, shape)], calibrate(photo, []), without)
    return None if found is None else np.array(found.lab)


def apart(one: np.ndarray | None, other: np.ndarray | None) -> float:
    """CIEDE2000 of two readings."""
    return math.nan if one is None or other is None else float(difference(one, other))


def judged(bird: Bird, found: Mapping[str, Shape], sure: Mapping[str, float], tables: Tables):
    """A row for every mark outlined by eye."""
    for mark, true in bird.outlines.items():
        if mark not in found:
            yield Row(bird, mark)
            continue
        own_cuts, true_cuts = cuts(mark, found, tables), cuts(mark, bird.outlines, tables)
        win = window(found[mark], bird.photo.width, bird.photo.height)
        own = mask(found[mark], win, own_cuts)
        shared = int((own & mask(true, win, true_cuts)).sum())
        there = int(mask(true, (0, 0, bird.photo.width, bird.photo.height), true_cuts).sum())
        yield Row(
            bird,
            mark,
            shared / max(int(own.sum()), 1),
            shared / max(int(own.sum()) + there - shared, 1),
            int(own.sum()) / max(there, 1),
            apart(
                lab(bird.photo, mark, found[mark], own_cuts),
                lab(bird.photo, mark, true, true_cuts),
            ),
            sure[mark],
        )


def run(bird: Bird, tables: Tables, taps: Taps | None = None):
    """Shapes and certainties proposed for a bird."""
    proposed = propose(bird.photo, taps or bird.taps, tables.marks)
    return {p.mark: p.shape for p in proposed}, {p.mark: p.certainty for p in proposed}


def without_bird(flock: list[Bird]) -> dict[str, dict[str, places.Place]]:
    """For each bird the table of places learned on the other lovebirds."""
    told: dict[tuple[str, str, str], np.ndarray] = {}
    for bird in flock:
        if not bird.lovebird or bird.taps.beak_tip is None:
            continue
        scene = scene_of(bird.photo, bird.taps)
        for mark, place in places.places().items():
            if mark not in bird.outlines:
                continue
            view = scene.head if place.on_head else scene.whole
            for way in set(place.ways) & set(LEARNED):
                at = places.told(way, view.look.into(centre(bird.outlines[mark])), view)
                if at is not None:
                    if way == "rim" and at[0] - place.ways[way][0] > 180:
                        at = at - np.array([360.0, 0.0])
                    if way == "rim" and at[0] - place.ways[way][0] < -180:
                        at = at + np.array([360.0, 0.0])
                    told[bird.name, mark, way] = at
    tables = {}
    for bird in flock:
        own = {}
        for mark, place in places.places().items():
            new = {}
            for way in set(place.ways) & set(LEARNED):
                others = [at for (b, m, w), at in told.items()
                          if (m, w) == (mark, way) and b != bird.name]  # fmt: skip
                if len(others) >= 3:
                    new[way] = tuple(float(v) for v in np.median(others, axis=0))
            own[mark] = place.model_copy(update=new)
        tables[bird.name] = own
    return tables


def tap_to_find(bird: Bird, tables: Tables) -> Iterator[Row]:
    """What version 0.2.0 proposes for a tap deep inside each outline, off what is cut out of it."""
    screen = np.asarray(bird.photo.preview(SCREEN))
    scale = bird.photo.width / screen.shape[1]
    found = {}
    far = REACH * min(bird.photo.width, bird.photo.height)
    for mark, shape in bird.outlines.items():
        area = shapely.Polygon(vertices(shape))
        for cut in cuts(mark, bird.outlines, tables):
            area = area.difference(shapely.Polygon(vertices(cut)))
        deep = shapely.maximum_inscribed_circle(area).coords[0]
        try:
            found[mark] = suggest_outline(screen, deep, scale=scale, reach=far)
        except RegionError:
            continue
    return judged(bird, found, dict.fromkeys(found, math.nan), tables)


def moved(bird: Bird, tables: Tables, rng: np.random.Generator) -> Iterator[tuple[str, float]]:
    """How far readings move when every tap does, by mark; NaN when a mark is lost."""
    before, _ = run(bird, tables)
    readings = {m: lab(bird.photo, m, s, cuts(m, before, tables)) for m, s in before.items()}

    def off(point: Point | None) -> Point | None:
        if point is None:
            return None
        turn = rng.uniform(0, 2 * math.pi)
        x = point[0] + MOVED * bird.length * math.cos(turn)
        y = point[1] + MOVED * bird.length * math.sin(turn)
        return float(np.clip(x, 0, bird.photo.width)), float(np.clip(y, 0, bird.photo.height))

    for _ in range(TRIALS):
        eye = off(bird.taps.eye)
        assert eye is not None
        taps = Taps(eye, off(bird.taps.beak_tip), off(bird.taps.tail_end))
        try:
            after, _ = run(bird, tables, taps)
        except FieldmarksError:
            after = {}
        for mark, reading in readings.items():
            if mark in after:
                new = lab(bird.photo, mark, after[mark], cuts(mark, after, tables))
                yield mark, apart(reading, new)
            else:
                yield mark, math.nan


def seconds(bird: Bird, tables: Tables) -> tuple[float, float]:
    """Seconds on the clock, and of all cores, for a photo enlarged to twelve megapixels; best of 3.

    The photo is turned rather than stretched to fit 4000 x 3000.
    """
    codes = bird.photo.codes((0, 0, bird.photo.width, bird.photo.height))
    scale = math.sqrt(TWELVE[0] * TWELVE[1] / (bird.photo.width * bird.photo.height))
    large = cv2.resize(np.ascontiguousarray(codes), None, fx=scale, fy=scale)
    _, data = cv2.imencode(".jpg", large[..., ::-1])
    photo = decode_photo(data.tobytes(), "large.jpg")

    def there(point: Point | None) -> Point | None:
        return None if point is None else (point[0] * scale, point[1] * scale)

    eye = there(bird.taps.eye)
    assert eye is not None
    taps = Taps(eye, there(bird.taps.beak_tip), there(bird.taps.tail_end))
    times = []
    for _ in range(3):
        clock, work = time.perf_counter(), time.process_time()
        propose(photo, taps, tables.marks)
        times.append((time.perf_counter() - clock, time.process_time() - work))
    return min(t[0] for t in times), min(t[1] for t in times)


def cut_by(method: str, rgb: np.ndarray, frame: Frame, tail: np.ndarray | None) -> np.ndarray:
    """The bird cut out from the same seeds in one of two ways."""
    if method == "GrabCut":
        return silhouette.find_silhouette(rgb, frame, tail) > 0
    marks, _ = silhouette.seeds(rgb.shape[:2], frame, tail)
    space = cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    parts = slic(rgb, n_segments=600, compactness=10, start_label=0)
    count = parts.max() + 1
    size = np.bincount(parts.ravel(), minlength=count)
    colours = np.stack(
        [np.bincount(parts.ravel(), space[..., k].ravel(), count) / size for k in range(3)], axis=1
    )
    near = []
    for code in (cv2.GC_FGD, cv2.GC_BGD):
        share = np.bincount(parts.ravel(), (marks == code).ravel(), count) / size
        near.append(cdist(colours, colours[share > 0.5]).min(axis=1))
    return (near[0] < near[1])[parts]


def ways_to_cut(flock: list[Bird]) -> list[list[object]]:
    """How two ways to cut out a bird keep its own outlines and keep out its neighbour's."""
    out = []
    for method in ("GrabCut", "SLIC, nearest seed colour"):
        own, other, spent = [], [], []
        for bird in flock:
            tip, tail = bird.taps.beak_tip, bird.taps.tail_end
            if tip is None:
                continue
            eye = np.array(bird.taps.eye)
            down = np.array([0.0, 1.0]) if tail is None else np.array(tail) - eye
            frame = frame_of(eye, np.array(tip), down)
            scale = silhouette.UNIT / frame.unit
            look = look_at(bird.photo, eye, silhouette.REACH * frame.unit, scale)
            began = time.process_time()
            there = None if tail is None else look.into(np.array(tail))
            cut = cut_by(method, look.rgb, look.frame(frame), there)
            spent.append(time.process_time() - began)
            for near in flock:
                if near.photo.sha256 != bird.photo.sha256:
                    continue
                for shape in near.outlines.values():
                    column, row = np.floor(look.into(centre(shape))).astype(int)
                    if 0 <= row < cut.shape[0] and 0 <= column < cut.shape[1]:
                        (own if near is bird else other).append(bool(cut[row, column]))
        out.append([method, f"{np.mean(own):.0%}", f"{np.mean(other):.0%}",
                    f"{np.median(spent):.2f} s"])  # fmt: skip
    return out


def middle(values: list[float]) -> float:
    """Median of what is there."""
    there = [v for v in values if not math.isnan(v)]
    return float(np.median(there)) if there else math.nan


def summary(name: str, rows: list[Row]) -> list[object]:
    """One line of figures over all marks."""
    got = [r for r in rows if r.proposed]
    return [
        name,
        f"{len(got)} of {len(rows)} ({len(got) / len(rows):.0%})",
        f"{middle([r.inside for r in got]):.2f}",
        f"{np.mean([r.inside >= 0.9 for r in got]):.0%}",
        f"{middle([r.shared for r in got]):.2f}",
        f"{middle([r.apart for r in got]):.1f}",
    ]


def by_mark(rows: list[Row], moves: list[tuple[str, float]]) -> list[list[object]]:
    """Figures of each mark, the most often outlined first."""
    marks = defaultdict(list)
    for row in rows:
        marks[row.mark].append(row)
    shifts = defaultdict(list)
    for mark, shift in moves:
        shifts[mark].append(shift)
    out = []
    for mark, own in sorted(marks.items(), key=lambda item: (-len(item[1]), item[0])):
        got = [r for r in own if r.proposed]
        figures = [
            f"{middle([r.inside for r in got]):.2f}",
            f"{np.mean([r.inside for r in got]):.2f}",
            f"{middle([r.size for r in got]):.2f}",
            f"{middle([r.shared for r in got]):.2f}",
            f"{middle([r.apart for r in got]):.1f}",
            f"{middle(shifts[mark]):.1f}" if mark in shifts else "-",
        ] if got else ["-"] * 6  # fmt: skip
        out.append([mark, f"{len(got)} of {len(own)}", *figures])
    return out


def how_sure(rows: list[Row]) -> list[list[object]]:
    """What became of proposals by their stated certainty."""
    out = []
    for low, high in ((0.0, 0.45), (0.45, 0.6), (0.6, 0.8), (0.8, 1.01)):
        own = [r for r in rows if low <= r.certainty < high]
        if own:
            on = np.mean([r.inside > 0.5 for r in own])
            out.append([f"{low:g} to {min(high, 1):g}", len(own), f"{on:.0%}",
                        f"{middle([r.apart for r in own]):.1f}"])  # fmt: skip
    return out


def cards(photos: Path, charts: Path) -> list[list[object]]:
    """Cards found in photos that hold none of ours, one, or a chart."""
    demo = Path(__file__).parents[1] / "demo_images"
    out = []
    for name, paths in (
        ("real birds, no card", sorted(photos.glob("*.jpg"))),
        ("photos of a 24-patch chart", sorted(p for p in charts.glob("*.[jp][pn]g"))),
        ("painted demo, card in the light", sorted(
            p for p in demo.glob("*.jpg") if "no_card" not in p.name and "shadow" not in p.name)),
        ("painted demo, card in shadow or none", sorted(
            p for p in demo.glob("*.jpg") if "no_card" in p.name or "shadow" in p.name)),
    ):  # fmt: skip
        found, right = 0, 0
        for path in paths:
            card = find_card(open_photo(path))
            found += card is not None
            regions = path.with_suffix(".regions.json")
            if card is not None and regions.exists():
                drawn = region_set_from_text(regions.read_text(encoding="utf-8")).of("card")
                right += any(overlap(card.regions[0].shape, r.shape) > 0.5 for r in drawn)
        out.append([name, len(paths), found, right if "demo" in name else "-"])
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("photos", type=Path)
    parser.add_argument("--birds", type=Path, default=Path("../shared/real_birds"))
    parser.add_argument("--charts", type=Path, default=Path("../shared/photos"))
    options = parser.parse_args()
    tables = load_rules()
    flock = list(birds(options.birds, options.photos, tables))
    rng = np.random.default_rng(14)
    learned = without_bird(flock)
    plain: list[Row] = []
    left_out: list[Row] = []
    old: list[Row] = []
    moves: list[tuple[str, float]] = []
    extra: dict[str, int] = defaultdict(int)
    for bird in flock:
        found, sure = run(bird, tables)
        plain += judged(bird, found, sure, tables)
        if bird.lovebird:
            for name in set(found) - set(bird.outlines):
                extra[name] += 1
            moves += moved(bird, tables, rng)
        with patch.object(places, "places", lambda own=learned[bird.name]: own):
            left_out += judged(bird, *run(bird, tables), tables)
        old += tap_to_find(bird, tables)
    own = [r for r in plain if r.bird.lovebird]
    others = [r for r in plain if not r.bird.lovebird]
    skin = [r for r in own if r.mark in ("eye_ring", "iris", "beak_base", "beak_tip")]
    shifts = [s for _, s in moves]
    times = [seconds(bird, tables) for bird in flock if bird.name in ("tarikk", "viskez_l")]
    head = ["", "proposed", "inside", "at least 0.9 inside", "IoU", "CIEDE2000 to by-eye reading"]
    save(
        "taps",
        "Marks proposed from a few taps",
        "Written by `benchmarks/taps.py` on 13 real lovebirds and one other parrot; medians over "
        "marks in sight. *inside*: share of the proposal that lies inside the outline drawn by eye "
        "(with what is cut out of each mark left out of both). The outlines are patches inside the "
        "marks, so a core elsewhere on the same mark counts as outside.",
        markdown(head, [
            summary("13 lovebirds", own),
            summary("each bird with places learned on the others", [
                r for r in left_out if r.bird.lovebird]),
            summary("eye ring, iris and beak only", skin),
            summary("the other parrot", others),
            summary("0.2.0 tap-to-find, one tap inside each mark", [
                r for r in old if r.bird.lovebird]),
        ]),
        "For tap-to-find a person has picked each mark and tapped well inside it, "
        "once for each; the three taps say neither.",
        "## Taps moved by 3 % of the bird's length",
        f"Every tap moved at once, {TRIALS} times a bird: readings move by "
        f"{middle(shifts):.1f} CIEDE2000 (median; 75 % within "
        f"{np.nanpercentile(shifts, 75):.1f}); {np.mean(np.array(shifts) <= 2):.0%} stay within 2; "
        f"{np.isnan(shifts).mean():.0%} are lost or give no reading.",
        "## Speed",
        f"Photos of two birds enlarged to 12 megapixels, {os.cpu_count()} cores shared with "
        f"{os.getloadavg()[0]:.0f} other programs, best of three: "
        + "; ".join(f"{a:.2f} s on the clock, {b:.2f} s of work" for a, b in times) + ".",
        "## By mark, 13 lovebirds",
        markdown(["mark", "proposed", "inside, median", "inside, mean", "area over outline's",
                  "IoU", "CIEDE2000", "moved taps"], by_mark(own, moves)),
        "Proposed though not outlined by eye (not in sight, or in sight and left out): "
        + ", ".join(f"{m} {n}" for m, n in sorted(extra.items(), key=lambda i: -i[1])) + ".",
        "0.2.0 tap-to-find:",
        markdown(["mark", "proposed", "inside, median", "inside, mean", "area over outline's",
                  "IoU", "CIEDE2000", "moved taps"],
                 by_mark([r for r in old if r.bird.lovebird], [])),
        "## Ways to cut the bird out",
        "From the same seeds; the middle of each outline by eye is asked for.",
        markdown(["way", "own marks kept", "neighbour's marks taken in", "work"],
                 ways_to_cut(flock)),
        "## How sure",
        markdown(["stated", "proposals", "more than half inside", "CIEDE2000"], how_sure(own)),
        "## Cards that find themselves",
        markdown(["photos", "number", "card proposed", "on the card"],
                 cards(options.photos, options.charts)),
        "## What was chosen on these birds",
        "The places, their number of ways and the sizes of the cores in `data/guide/places.toml` "
        "(the second line learns the places anew without each bird, not the choice of ways and "
        "sizes); the first shapes of bird and beak and the limits of the eye in "
        "`measure/outlines`, which were set once by looking at all of them. They are no "
        "independent test: other birds are.",
    )  # fmt: skip


if __name__ == "__main__":
    main()
