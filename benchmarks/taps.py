"""Marks proposed from a few taps, judged on real birds that were outlined by eye.

Run: python benchmarks/taps.py PHOTOS [--birds ../shared/real_birds]

PHOTOS holds the photographs that sources.csv of the birds names (by the name in its column photo);
they are measured where they lie and never kept here. The taps are taken from the outlines: the
middle of the iris, the corner of the beak tip's outline farthest from it, and likewise of the tail.
Thirteen of the birds are lovebirds; the other parrot is told apart.

What the outlines say: they are patches drawn inside each mark, not the mark's borders, so a core
elsewhere on the same mark counts as outside. Both shares are given: of the proposal inside the
outline, and by how much the reading differs.
"""

import argparse
import math
import os
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np
from _flock import Bird, birds
from _tables import markdown, save

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.proposed import LIKELY, SURE
from fieldmarks.measure.calibration import calibrate
from fieldmarks.measure.colour import difference
from fieldmarks.measure.outlines import Taps, places, propose
from fieldmarks.measure.outlines.proposal import outline_of, scene_of
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Point, Region, Shape, centre, mask, window
from fieldmarks.rules import Tables, load_rules

MOVED = 0.03  # of the bird's length
TRIALS = 4
TWELVE = (4000, 3000)
# Outlined by eye and not proposed: placed all the same, to see whether they could be.
TRIED = {
    "back": places.Place(at={"low": (0, 0)}, size=(0.07, 0.07), sure=0.5),
    "rump": places.Place(at={"trunk": (0, 0)}, size=(0.1, 0.1), sure=0.5),
    "flights": places.Place(at={"low": (0, 0)}, size=(0.1, 0.08), sure=0.5),
    "foot": places.Place(at={"low": (0, 0)}, size=(0.1, 0.05), sure=0.5),
}
DRAWN = 4  # birds' worth of the mean of all marks in each mark's share
BANDS = (0.0, LIKELY, SURE, 1.01)  # as the app calls them unsure, fairly sure and sure


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


def told_by(way: places.Way, at: np.ndarray, view: places.View) -> np.ndarray | None:
    """How a way of the table tells a place in pixels of the view: what places.where undoes."""
    axes = places.axes_for(way, view)
    own = axes.of_pixels([at])[0]
    if way == "rim":
        turn = math.atan2(own[1], own[0])
        return np.array([math.degrees(turn), float(np.hypot(*own)) / places.edge(view, turn)])
    if way in ("neck", "trunk"):
        across = places.chord(view, axes, float(own[0]))
        if across is None:
            return None
        return np.array([own[0], (own[1] - across[0]) / (across[1] - across[0])])
    return own


def without_bird(flock: list[Bird]) -> dict[str, dict[str, places.Place]]:
    """For each bird the table of places, and of those tried, learned on the other lovebirds."""
    every = {**places.places(), **TRIED}
    told: dict[tuple[str, str, str], np.ndarray] = {}
    for bird in flock:
        if not bird.lovebird or bird.taps.beak_tip is None:
            continue
        scene = scene_of(bird.photo, bird.taps)
        for mark, place in every.items():
            if mark not in bird.outlines:
                continue
            view = scene.head if place.on_head else scene.whole
            for way in set(place.at) - {"tail"}:
                at = told_by(way, view.crop.into(centre(bird.outlines[mark])), view)
                if at is not None:
                    if way == "rim":  # degrees, all on one side of a full turn
                        first = place.at[way][0]
                        at = np.array([first + (at[0] - first + 180) % 360 - 180, at[1]])
                    told[bird.name, mark, way] = at
    tables = {}
    for bird in flock:
        own = {}
        for mark, place in every.items():
            new = {}
            for way in place.at:
                others = [at for (b, m, w), at in told.items()
                          if (m, w) == (mark, way) and b != bird.name]  # fmt: skip
                if len(others) >= 3:
                    new[way] = tuple(float(v) for v in np.median(others, axis=0))
            own[mark] = place.model_copy(update={"at": {**place.at, **new}})
        tables[bird.name] = own
    return tables


def on_the_line(flock: list[Bird], tables: Tables) -> Iterator[Row]:
    """The marks tried, placed instead by where the others' lie along and beside the line from eye
    to tail end, in shares of its length."""

    def line(bird: Bird) -> tuple[np.ndarray, np.ndarray]:
        eye = np.array(bird.taps.eye)
        along = np.array(bird.taps.tail_end) - eye
        beside = np.array([-along[1], along[0]])
        if beside @ (np.array(bird.taps.beak_tip) - eye) < 0:
            beside = -beside
        return eye, np.stack([along, beside])

    tapped = [b for b in flock if b.lovebird and b.taps.beak_tip and b.taps.tail_end]
    for mark, place in TRIED.items():
        own = [b for b in tapped if mark in b.outlines]
        at = {}
        for bird in own:
            eye, axes = line(bird)
            at[bird.name] = np.linalg.solve(axes.T, np.array(centre(bird.outlines[mark])) - eye)
        for bird in own:
            others = [place for name, place in at.items() if name != bird.name]
            eye, axes = line(bird)
            scene = scene_of(bird.photo, bird.taps)
            middle = scene.whole.crop.into(eye + np.median(others, axis=0) @ axes)
            drawn = places.draw(place, scene.whole, middle, scene.free_body, whole=False)
            found = {}
            if drawn is not None:
                shape = outline_of(bird.photo, scene.whole.crop, drawn.mask, drawn.corner)
                found = {} if shape is None else {mark: shape}
            yield from (r for r in judged(bird, found, {mark: 0.5}, tables) if r.mark == mark)


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


def middle(values: list[float]) -> float:
    """Median of what is there."""
    there = [v for v in values if not math.isnan(v)]
    return float(np.median(there)) if there else math.nan


def covered(rows: list[Row], mark: str) -> float:
    """Share of a mark's outline that lies inside what is proposed."""
    return middle([r.inside * r.size for r in rows if r.mark == mark])


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


def in_short(rows: list[Row]) -> str:
    """Number, share inside and distance of readings in one phrase."""
    return (
        f"{len(rows)} ({middle([r.inside for r in rows]):.2f} inside, "
        f"{middle([r.apart for r in rows]):.1f} CIEDE2000)"
    )


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


def stated(rows: list[Row], share_inside: float = 0.5) -> list[float]:
    """How sure each is said to be by how many of the other birds' lie so far on their marks."""
    full = {r.mark: max(o.certainty for o in rows if o.mark == r.mark) for r in rows}
    out = []
    for row in rows:
        others = [r for r in rows if r.bird is not row.bird]
        same = [r.inside >= share_inside for r in others if r.mark == row.mark]
        mean = np.mean([r.inside >= share_inside for r in others])
        share = (sum(same) + DRAWN * mean) / (len(same) + DRAWN)
        out.append(float(share) * row.certainty / full[row.mark])
    return out


def how_sure(rows: list[Row]) -> list[list[object]]:
    """What became of proposals by how sure they were said to be."""
    said = np.array(stated(rows))
    out = []
    for low, high in pairwise(BANDS):
        own = [r for r, sure in zip(rows, said, strict=True) if low <= sure < high]
        if own:
            mean = said[(said >= low) & (said < high)].mean()
            out.append([f"{low:g} to {min(high, 1):g}", len(own), f"{mean:.0%}",
                        f"{np.mean([r.inside >= 0.5 for r in own]):.0%}",
                        f"{np.mean([r.inside >= 0.9 for r in own]):.0%}",
                        f"{middle([r.inside for r in own]):.2f}",
                        f"{middle([r.apart for r in own]):.1f}"])  # fmt: skip
    return out


def squares(rows: list[Row], share_inside: float) -> str:
    """Mean squared error of what is said, and of saying the mean of all (Brier 1950)."""
    there = np.array([r.inside >= share_inside for r in rows], float)
    error = np.mean((np.array(stated(rows, share_inside)) - there) ** 2)
    return f"{error:.3f} ({there.var():.3f} if the mean of all were said of each)"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("photos", type=Path)
    parser.add_argument("--birds", type=Path, default=Path("../shared/real_birds"))
    options = parser.parse_args()
    tables = load_rules()
    flock = list(birds(options.birds, options.photos, tables))
    rng = np.random.default_rng(14)
    learned = without_bird(flock)
    plain: list[Row] = []
    left_out: list[Row] = []
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
    own = [r for r in plain if r.bird.lovebird]
    left_out = [r for r in left_out if r.bird.lovebird]
    tried = [r for r in left_out if r.mark in TRIED]
    apart_from_own = [r for r in left_out if r.proposed and r.mark not in TRIED]
    sure_enough = [s >= LIKELY for s in stated(apart_from_own)]
    taken = [r for r, s in zip(apart_from_own, sure_enough, strict=True) if s]
    asked = [r for r, s in zip(apart_from_own, sure_enough, strict=True) if not s]
    others = [r for r in plain if not r.bird.lovebird]
    skin = [r for r in own if r.mark in ("eye_ring", "iris", "beak_base", "beak_tip")]
    shifts = [s for _, s in moves]
    times = [seconds(bird, tables) for bird in flock if bird.name in ("tarikk", "viskez_l")]
    columns = ["mark", "proposed", "inside, median", "inside, mean", "area over outline's", "IoU",
               "CIEDE2000", "moved taps"]  # fmt: skip
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
                replace(r, inside=math.nan) if r.mark in TRIED else r for r in left_out]),
            summary("eye ring, iris and beak only", skin),
            summary("the other parrot", others),
        ]),
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
        markdown(columns, by_mark(own, moves)),
        "Proposed though not outlined by eye (not in sight, or in sight and left out): "
        + ", ".join(f"{m} {n}" for m, n in sorted(extra.items(), key=lambda i: -i[1])) + ".",
        "## How sure",
        "Said of each bird by what became of the others', with places learned on the others: the "
        "share of proposals at least half of which lies on the mark (the reading is a median). "
        f"Mean squared error {squares(apart_from_own, 0.5)}. Whether at least 0.9 lies inside "
        f"cannot be foretold in this way: {squares(apart_from_own, 0.9)}.",
        markdown(["said", "proposals", "mean said", "at least half inside", "at least 0.9 inside",
                  "inside, median", "CIEDE2000"], how_sure(apart_from_own)),
        f"The app takes what is at least {LIKELY:g} sure and asks about the rest. Taken: "
        f"{in_short(taken)}; asked about: {in_short(asked)}.",
        "## What was chosen on these birds",
        "The places, their number of ways, the sizes of the cores and the certainties in "
        "`data/guide/places.toml` (the second line learns the places anew without each bird, not "
        "the choice of ways and sizes); how much of a core's colours is kept; the first shapes of "
        "bird and beak and the limits of the eye in `measure/outlines`, which were set once by "
        "looking at all of them. They are no independent test: other birds are.",
        "## Tried and not proposed",
        "Placed as the other marks are, by the other birds:",
        markdown(["mark", *columns[1:-1]], [row[:-1] for row in by_mark(tried, [])]),
        "Placed along and beside the line from eye to tail end, in shares of its length (birds "
        "with all three taps):",
        markdown(["mark", *columns[1:-1]],
                 [row[:-1] for row in by_mark(list(on_the_line(flock, tables)), [])]),
        "Lines are not proposed. A pupil is proposed in a light eye alone, and none of these birds "
        "has one: it was tried on painted birds. Collar and bib are followed to their borders; of "
        f"the collar's outline {covered(own, 'collar'):.0%} (median) lies inside what is proposed, "
        f"of the bib's {covered(own, 'bib'):.0%}: too little to be called whole without asking.",
    )  # fmt: skip


if __name__ == "__main__":
    main()
