"""Real photos of a 24-patch chart that a package on PyPI carries: one grey patch, and every model.

Run: python benchmarks/real_photos.py FOLDER

FOLDER holds the example notebooks of the library colour-checker-detection (BSD-3-Clause; version
0.2.3, colour_checker_detection/examples/*.ipynb in its wheel). Four pictures among their outputs
are photographs of a chart: a camera's raw file without white balance, brought to sRGB by dcraw with
no tone curve or saturation of a phone, drawn at 1050 pixels. They are read, never kept here. The
light of the first two is a window, of the last two a warm lamp (as it looks). The chart is that of
colour-science's 'ColorChecker24 - After November 2014' (data/charts/chart24.toml).
"""

from __future__ import annotations

import base64
import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from _tables import markdown, save
from real_chart import kinds, nested

from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.chart import Placed, lay, load_charts, read_patch
from fieldmarks.measure.colour import difference, lightness_to_reflectance, linear_to_lab
from fieldmarks.measure.correction import Correction
from fieldmarks.measure.fitting import Patches, choose_trial, finish
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Polygon, Region, mask, window

CARD = "neutral_5"
BOTTOM = 0.02  # share of pixels with a channel at 0 or 1 from which a patch counts as cut off


@dataclass(frozen=True)
class Shot:
    """A picture among a notebook's outputs, and the chart's outline in it, first patch first."""

    name: str
    notebook: str
    number: int
    corners: tuple[tuple[float, float], ...]


SHOTS = (
    Evidence("small chart by a window", "segmentation", 0,
         ((560.9, 478.5), (560.9, 220.5), (733.6, 220.5), (733.6, 478.5))),
    Evidence("chart by a window", "segmentation", 1,
         ((286.6, 177.0), (784.2, 191.4), (770.3, 514.1), (279.1, 499.7))),
    Evidence("chart on cloth, warm lamp", "inference", 0,
         ((304.5, 288.6), (645.3, 288.9), (666.9, 495.1), (288.5, 503.6))),
    Evidence("chart on a wall, warm lamp", "inference", 1,
         ((503.4, 274.1), (887.6, 289.3), (875.5, 551.5), (492.1, 518.7))),
)  # fmt: skip


def picture(folder: Path, shot: Shot) -> Photo:
    """The n-th picture among a notebook's outputs."""
    path = folder / f"examples_detection_{shot.notebook}.ipynb"
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    found = [
        output["data"]["image/png"]
        for cell in cells
        for output in cell.get("outputs", [])
        if "image/png" in output.get("data", {})
    ]
    return decode_photo(base64.b64decode(found[shot.number]), f"{shot.notebook}{shot.number}.png")


def at_bottom(photo: Photo, region: Region) -> bool:
    """Whether the file's colour space cuts the patch off."""
    win = window(region.shape, photo.width, photo.height)
    own = photo.codes(win)[mask(region.shape, win)]
    return bool((own <= 1).any(axis=1).mean() > BOTTOM)


def readable(photo: Photo, shot: Shot) -> list[tuple[Placed, np.ndarray]]:
    """Patches that are not clipped, with their mean linear light."""
    outline = Region("chart", "chart_patch", Polygon(shot.corners))
    placed = [(p, read_patch(photo, p.region)) for p in lay(outline, load_charts()["chart24"])]
    return [(p, rgb) for p, rgb in placed if rgb is not None]


def as_patches(found: list[tuple[Placed, np.ndarray]]) -> Patches:
    return Patches(
        np.array([rgb for _, rgb in found]),
        np.array([p.patch.colour for p, _ in found]),
        np.array([p.patch.grey for p, _ in found]),
    )


def middle(found: list[tuple[Placed, np.ndarray]]) -> Placed:
    """The patch that is taken for the grey card."""
    return next(p for p, _ in found if p.patch.key == CARD)


def grey_card(photo: Photo, found: list[tuple[Placed, np.ndarray]]) -> Calibration:
    """Calibrated on the chart's middle grey alone."""
    card = middle(found)
    value = lightness_to_reflectance(card.patch.colour[0])
    return calibrate(photo, [replace(card.region, mark="card", value=value)])


def judge(
    photo: Photo, found: list[tuple[Placed, np.ndarray]], corrections: list[Correction | None]
) -> tuple[np.ndarray, np.ndarray]:
    """CIEDE2000 and stated uncertainty of every patch but the card's, each with its correction."""
    card, off, stated = grey_card(photo, found), [], []
    for (placed, _), correction in zip(found, corrections, strict=True):
        if placed.patch.key == CARD:
            continue
        calibration = replace(card, correction=correction)
        reading = read_mark(photo, "patch", [placed.region], calibration)
        if reading is not None:
            off.append(float(difference(reading.lab, placed.patch.colour)))
            stated.append(reading.expanded)
    return np.array(off), np.array(stated)


def stray_light(photo: Photo, found: list[tuple[Placed, np.ndarray]]) -> float:
    """Light that lifts the black patch, and the card with it, as a share of a perfect white."""
    calibration = grey_card(photo, found)
    black, rgb = min(found, key=lambda f: f[0].patch.colour[0])
    true, card = (lightness_to_reflectance(p.colour[0]) for p in (black.patch, middle(found).patch))
    read = lightness_to_reflectance(linear_to_lab(calibration.apply(rgb, 0, 0))[0])
    return card * (read - true) / (card - read)


def row(label: str, off: np.ndarray, stated: np.ndarray) -> tuple[str, ...]:
    return (label, str(len(off)), f"{off.mean():.1f}", f"{np.percentile(off, 95):.1f}",
            f"{(off <= stated).mean():.0%}", f"{np.median(stated):.1f}")  # fmt: skip


def main() -> None:
    folder = Path(sys.argv[1])
    stray = []
    by_card, by_model, pooled = [], [], {"one grey patch": [], "chart, patch left out": []}
    for shot in SHOTS:
        photo = picture(folder, shot)
        found = readable(photo, shot)
        patches = as_patches(found)
        as_is = difference(linear_to_lab(patches.rgb), patches.lab).mean()
        alone = judge(photo, found, [None] * len(found))
        left_out: list[Correction | None] = []
        for index in range(len(found)):
            rest = patches.without(index)
            left_out.append(finish(rest, choose_trial(rest), "other patches"))
        chart = judge(photo, found, left_out)
        cast = grey_card(photo, found).cast
        stray.append(stray_light(photo, found))
        for label, result in zip(pooled, (alone, chart), strict=True):
            pooled[label].append(result)
            by_card.append((shot.name, f"{cast:.0f}", f"{as_is:.1f}", *row(label, *result)))
        inside = [f for f in found if not at_bottom(photo, f[0].region)]
        for label, some in (("all that are not clipped", found), ("none cut off at 0", inside)):
            own = as_patches(some)
            means = {kind: trial.mean for kind, trial in kinds(own).items()}
            cells = [f"{v:.1f}" for v in means.values()]
            off = nested(own)
            by_model.append((shot.name, label, len(some), *cells, f"{off.mean():.1f}",
                             f"{np.median(off):.1f}"))  # fmt: skip
    every = [
        row(label, *(np.concatenate(column) for column in zip(*results, strict=True)))
        for label, results in pooled.items()
    ]
    head = ("calibrated on", "n", "mean", "95 %", "inside", "stated")
    save(
        "real_photos",
        "Four real photos of a 24-patch chart",
        "Pictures in the example notebooks of the library colour-checker-detection 0.2.3: a "
        "camera's raw file brought to sRGB, not a phone's own picture. CIEDE2000 of the patches "
        "that are not clipped, share inside the stated uncertainty (k = 2), and its median.",
        markdown(head, every),
        markdown(("photo", "C* of the cast", "as is", *head), by_card),
        "Stray light, from how much too bright the black patch reads: "
        f"{', '.join(f'{s:.2%}' for s in stray)} of a perfect white; root mean square "
        f"{np.sqrt(np.mean(np.square(stray))):.2%}.",
        "Each patch left out in turn, mean CIEDE2000 of every kind of model. Many patches lie "
        "outside sRGB before the cast is taken out; the file holds 0 for them ('cut off at 0').",
        markdown(("photo", "patches", "n", *means, "chosen without the patch", "its median"),
                 by_model),
    )  # fmt: skip


if __name__ == "__main__":
    main()
