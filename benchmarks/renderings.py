"""Renderings of real chart photos: how strange they are, which sizes what the model expects.

Run: python benchmarks/renderings.py [--shared FOLDER]

FOLDER holds photographs of 24-patch charts by others with their corners (``charts.csv``) and the
colours of more of them after one grey card (``chart_readings.csv``). Chart: colour-science,
'ColorChecker24 - After November 2014' (data/charts/chart24.toml). The rendering of
``fieldmarks.judge`` is fitted to the patches of each, with a robust loss, as the camera wrote them
and after one grey card (neutral 5).
"""

import argparse
import csv
from collections import defaultdict
from pathlib import Path

import cv2
import numpy as np
from _tables import markdown, save
from scipy.optimize import least_squares

from fieldmarks.judge.rendering import TERMS, lab_to_linear, render
from fieldmarks.measure.chart import load_charts
from fieldmarks.measure.colour import decode_srgb, linear_to_lab

SHARED = Path(__file__).parents[1] / ".." / "shared" / "photos"
GREY = 21  # place of the patch neutral 5
HALF = 22  # of a patch of 100: what is read either side of its middle
LOOSE = np.array([1.0, 0.4, 0.4, 0.4, 0.4, 3.0])  # keeps terms that a chart hardly tells in reach
ERROR = np.array([3.0, 4.0, 4.0])  # of a patch by itself, L*, a*, b*


def patches(path: Path, corners: np.ndarray) -> np.ndarray:
    """Median 8-bit sRGB of the 24 patches, (24, 3)."""
    picture = cv2.imread(str(path))[..., ::-1]
    sheet = np.float32([[0, 0], [600, 0], [600, 400], [0, 400]])
    turn = cv2.getPerspectiveTransform(sheet, np.float32(corners))
    found = []
    for place in range(24):
        x, y = place % 6 * 100 + 50, place // 6 * 100 + 50
        steps = np.meshgrid(
            np.linspace(x - HALF, x + HALF, 15), np.linspace(y - HALF, y + HALF, 15)
        )
        grid = np.stack(steps, -1).reshape(-1, 1, 2).astype(np.float32)
        column, row = cv2.perspectiveTransform(grid, turn).reshape(-1, 2).round().astype(int).T
        found.append(np.median(picture[row, column], axis=0))
    return np.array(found)


def shots(folder: Path) -> dict[str, list[tuple[str, np.ndarray, np.ndarray]]]:
    """Name, true and shown CIELAB of every chart, by "card" and "none"."""
    chart = load_charts()["chart24"]
    true = np.array([patch.lab for patch in chart.patches])
    found = defaultdict(list)
    with (folder / "charts.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            corners = [[float(row[f"{c}{n}"]) for c in "xy"] for n in (1, 2, 3, 4)]
            read = patches(folder / row["photo"], np.array(corners))
            keep = (read < 250).all(axis=1)
            linear = decode_srgb(read / 255)
            found["none"].append((row["photo"], true[keep], linear_to_lab(linear[keep])))
            put_right = linear / linear[GREY] * lab_to_linear(true[GREY])
            found["card"].append((row["photo"], true[keep], linear_to_lab(put_right[keep])))
    with (folder / "chart_readings.csv").open(encoding="utf-8") as file:
        by_photo = defaultdict(list)
        for row in csv.DictReader(file):
            if row["clipped"] != "True":
                by_photo[row["photo"]].append(row)
    for photo, rows in by_photo.items():
        one, other = (np.array([[float(r[f"{k}_{c}"]) for c in "Lab"] for r in rows])
                      for k in ("true", "card"))  # fmt: skip
        found["card"].append((photo, one, other))
    return found


def fitted(true: np.ndarray, shown: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rendering that fits best, and root mean square of what is left in L*, a*, b*."""

    light = lab_to_linear(true)

    def misses(terms: np.ndarray) -> np.ndarray:
        return np.concatenate([((render(light, terms)[0] - shown) / ERROR).ravel(), terms / LOOSE])

    terms = least_squares(misses, np.zeros(len(TERMS)), loss="soft_l1").x
    return terms, np.sqrt(((render(light, terms)[0] - shown) ** 2).mean(axis=0))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--shared", type=Path, default=SHARED)
    folder = parser.parse_args().shared
    parts = ["Rendering of each chart photo, and what every patch keeps by itself (L*, a*, b*)."]
    for mode, words in (("none", "As the camera wrote them"), ("card", "After one grey card")):
        results = [(name, *fitted(true, shown)) for name, true, shown in shots(folder)[mode]]
        terms, left = (np.array([r[place] for r in results]) for place in (1, 2))
        lines = [(name, *(f"{v:.2f}" for v in one), *(f"{v:.1f}" for v in rest))
                 for name, one, rest in results]  # fmt: skip
        middle, spread = (terms.mean(0), left.mean(0)), (terms.std(0, ddof=1), left.std(0, ddof=1))
        for title, (value, rest) in (("mean", middle), ("standard deviation", spread)):
            lines.append((title, *(f"{v:.2f}" for v in value), *(f"{v:.1f}" for v in rest)))
        parts.append(f"## {words}\n\n" + markdown(("photo", *TERMS, "L*", "a*", "b*"), lines))
    save("renderings", "Renderings of real chart photos", *parts)


if __name__ == "__main__":
    main()
