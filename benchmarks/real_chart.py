"""One grey patch, then every kind of model, on a real photo of a 24-patch chart.

Run: python benchmarks/real_chart.py PHOTO PATCHES.json

PATCHES.json maps the chart's patch names (as colour-science spells them) to the centre of the patch
in photo pixels, plus "side" (edge of the square read, pixels) and "card" (the patch taken as the
grey card). benchmarks/chart_under_leaf.json fits the photo chart_under_leaf.png of the library
plantcv (its test data partial_card_rgb.png). The reference is colour-science's
'ColorChecker24 - After November 2014', adapted from D50 to D65 with Bradford.
"""

from __future__ import annotations

import json
import sys
import warnings
from itertools import product
from pathlib import Path

import numpy as np
from _tables import markdown, save
from simulator.spectra import WAVELENGTHS, chart_reflectances

from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.chart import read_patch
from fieldmarks.measure.colour import difference, lab_to_linear, linear_to_lab
from fieldmarks.measure.fitting import (
    Patches,
    Trial,
    candidates,
    choose_trial,
    finish,
    leave_one_out,
)
from fieldmarks.measure.photo import Photo, open_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Rectangle, Region
from fieldmarks.measure.uncertainty import SHOULDER

CHART = "ColorChecker24 - After November 2014"
REDS = ("red", "moderate red")
CEILING = 0.90  # share of the file's white above which this photo's patches crowd together


def reference() -> dict[str, np.ndarray]:
    """CIELAB (D65, 2 degrees) of every patch."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    chart = colour.CCS_COLOURCHECKERS[CHART]
    d65 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
    white = [colour.xy_to_XYZ(w) for w in (chart.illuminant, d65)]
    xyz = colour.adaptation.chromatic_adaptation_VonKries(xyz, *white, transform="Bradford")
    return dict(zip(chart.data, colour.XYZ_to_Lab(xyz, d65), strict=True))


def patches_of(photo: Photo, places: dict, side: float, truth: dict) -> tuple[list[str], Patches]:
    """Patches that are not clipped, as the fit takes them."""
    names, rgb = [], []
    for name, at in places.items():
        found = read_patch(photo, Region(name, "chart_patch", _square(at, side)))
        if found is not None:
            names.append(name)
            rgb.append(found)
    neutral = np.array([n.startswith(("neutral", "black", "white")) for n in names])
    return names, Patches(np.array(rgb), np.array([truth[n] for n in names]), neutral)


def kinds(patches: Patches) -> dict[str, Trial]:
    """The best trial of every kind of model."""
    best: dict[str, Trial] = {}
    for candidate in candidates(patches):
        curve = {1: "", 25: "bend + "}.get(len(candidate.tones), "bend and contrast + ")
        kind = curve + candidate.basis
        trial = leave_one_out(patches, candidate)
        if kind not in best or trial.mean < best[kind].mean:
            best[kind] = trial
    return best


def nested(patches: Patches) -> np.ndarray:
    """Errors of left-out patches when even the kind of model is chosen without them."""
    errors = []
    for index in range(len(patches.rgb)):
        rest = patches.without(index)
        correction = finish(rest, choose_trial(rest))
        read = linear_to_lab(correction.apply(patches.rgb[index]))
        errors.append(float(difference(read, patches.lab[index])))
    return np.array(errors)


def model_table(patches: Patches) -> str:
    """Left-out CIEDE2000 by kind of model; the last row chooses the kind without the patch too."""
    rows = [
        (kind, f"{t.mean:.1f}", f"{np.median(t.errors):.1f}", f"{np.percentile(t.errors, 95):.1f}")
        for kind, t in kinds(patches).items()
    ]
    off = nested(patches)
    rows.append(
        ("chosen without the patch", f"{off.mean():.1f}", f"{np.median(off):.1f}",
         f"{np.percentile(off, 95):.1f}")
    )  # fmt: skip
    return markdown(("model", "mean", "median", "95 %"), rows)


def with_plane(patches: Patches, at: np.ndarray) -> float:
    """Least mean left-out error when the light may also fall off along a plane."""
    place = (at - at.mean(axis=0)) / np.ptp(at, axis=0).max()
    best = np.inf
    for slope in product(np.linspace(-0.8, 0.8, 9), repeat=2):
        light = np.exp(place @ slope)[:, None]
        even = Patches(patches.rgb * light, patches.lab, patches.neutral)
        best = min(best, choose_trial(even).mean)
    return float(best)


def red_says(names: list[str], patches: Patches) -> str:
    """Whether any lamp can make the red patch look as it does."""
    keys, reflectance = chart_reflectances()
    keys = tuple(k.lower() for k in keys)
    green = (WAVELENGTHS >= 480) & (WAVELENGTHS <= 600)
    ratio = reflectance[keys.index("red"), green] / reflectance[keys.index("magenta"), green]
    seen = patches.rgb[names.index("red"), 1] / patches.rgb[names.index("magenta"), 1]
    return (
        "The two reds photograph as golden and peach. Between 480 and 600 nm the published red "
        f"reflects {ratio.min():.2f} to {ratio.max():.2f} times what the magenta does, so under no "
        "lamp can a sensor that sees green there find it brighter; in this file its green is "
        f"{seen:.1f} times that of the magenta. Either these patches are not the published ones or "
        "the file was worked on."
    )


def main() -> None:
    photo = open_photo(sys.argv[1])
    places = json.loads(Path(sys.argv[2]).read_text(encoding="utf-8"))
    side, card_name = places.pop("side"), places.pop("card")
    truth = reference()

    def region(name: str) -> Region:
        value = float(lab_to_linear(truth[name])[1])
        return Region(name, "card", _square(places[name], side), value)

    calibration = calibrate(photo, [region(card_name)])
    rows, kept = [], []
    for name in places:
        before, after = (
            read_mark(photo, name, [region(name)], c) for c in (Calibration(), calibration)
        )
        if before is None or after is None:
            rows.append((name, "not read", "", "", "", ""))
            continue
        peak = float(photo.codes(_window(places[name], side)).max(axis=2).mean()) / photo.white
        off = [float(difference(r.lab, truth[name])) for r in (before, after)]
        inside = off[1] <= after.expanded
        rows.append(
            (
                name,
                f"{off[0]:.1f}",
                f"{off[1]:.1f}",
                f"{after.expanded:.1f}",
                "yes" if inside else "no",
                "bright end" if peak > SHOULDER else "",
            )
        )
        if name != card_name:
            kept.append((*off, after.expanded, inside, peak > SHOULDER))
    table = np.array(kept, dtype=float)
    plain = table[table[:, 4] == 0]
    summary = [
        (
            label,
            len(t),
            f"{t[:, 0].mean():.1f}",
            f"{t[:, 1].mean():.1f}",
            f"{np.median(t[:, 1]):.1f}",
            f"{np.percentile(t[:, 1], 95):.1f}",
            f"{t[:, 3].mean():.0%}",
            f"{np.median(t[:, 2]):.1f}",
        )
        for label, t in (("all read", table), ("not at the bright end", plain))
    ]
    names, patches = patches_of(photo, places, side, truth)
    at = np.array([places[n] for n in names], float)
    mild = [i for i, n in enumerate(names) if n not in REDS]
    peak = [photo.codes(_window(places[n], side)).max(axis=2).mean() / photo.white for n in names]
    below = [i for i in mild if peak[i] <= CEILING]
    everywhere = (0, 0, photo.width, photo.height)
    header = ("patches", "n", "as is", "after card", "median", "95 %", "inside", "stated")
    save(
        f"real_{Path(sys.argv[1]).stem}",
        f"Real photo {Path(sys.argv[1]).name}: one grey patch, and every kind of model",
        calibration.summary,
        markdown(header, summary),
        markdown(("patch", "as is", "after card", "stated k=2", "inside", "note"), rows),
        f"Every kind of model, each of {len(names)} patches left out in turn, CIEDE2000:",
        model_table(patches),
        red_says(names, patches),
        f"The same without the two reds, {len(mild)} patches:",
        model_table(patches.chosen(mild)),
        f"No pixel of the file is brighter than {int(photo.codes(everywhere).max())} of 255, and "
        "the bright patches crowd below that: they are cut off. The same without the reds and "
        f"without what lies above {CEILING:.0%}, {len(below)} patches:",
        model_table(patches.chosen(below)),
        "A plane of light fitted as well (chosen by the left-out error itself, so a little too "
        f"good): {with_plane(patches.chosen(mild), at[mild]):.1f} without the reds, "
        f"{with_plane(patches.chosen(below), at[below]):.1f} without the bright ones.",
    )


def _square(at: tuple[float, float], side: float) -> Rectangle:
    return Rectangle(at[0] - side / 2, at[1] - side / 2, side, side)


def _window(at: tuple[float, float], side: float) -> tuple[int, int, int, int]:
    x, y, half = int(at[0]), int(at[1]), int(side / 2)
    return x - half, y - half, x + half, y + half


if __name__ == "__main__":
    main()
