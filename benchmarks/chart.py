"""How well one grey card works on a simulated 24-patch chart, lamp by lamp.

Run: python benchmarks/chart.py

The published reflectances of the chart (colour-science) under six lamps, seen by two measured
cameras, white balance wrong by +12 % in red and -10 % in blue, are put into a picture file and go
through the program's own chain: open, card, region, reading. The truth is the CIELAB of the
reflectances under D65, 2 degrees. Phone rendering 0 is a straight camera, 1 a lively phone.
"""

import io
from functools import lru_cache

import numpy as np
from _tables import markdown, save
from PIL import Image
from simulator.camera import CAMERAS, LAMPS
from simulator.chart import simulated_patches
from simulator.spectra import chart_reflectances, neutral

from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.colour import difference
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Rectangle, Region

PATCH = 48
COLUMNS = 6


@lru_cache(maxsize=64)
def chart_photo(lamp: str, camera: str, phone: float) -> tuple[Photo, np.ndarray]:
    """A photo of the chart with a grey card beside it, and the true CIELAB of its 24 patches."""
    _, reflectance = chart_reflectances()
    everything = np.vstack([reflectance, neutral(0.18)[None]])
    srgb, lab = simulated_patches(everything, lamp, camera, phone_strength=phone)
    tiles = np.vstack([srgb[:24], np.repeat(srgb[24:], COLUMNS, axis=0)])
    picture = tiles.reshape(5, COLUMNS, 3).repeat(PATCH, axis=0).repeat(PATCH, axis=1)
    # Sub-code noise, so that 8 bits do not round every pixel of a patch the same way.
    picture = picture + np.random.default_rng(0).normal(0, 0.6 / 255, picture.shape)
    buffer = io.BytesIO()
    Image.fromarray(np.round(np.clip(picture, 0, 1) * 255).astype(np.uint8)).save(buffer, "PNG")
    return decode_photo(buffer.getvalue(), "chart.png"), lab[:24]


def read_chart(photo: Photo, calibration: Calibration) -> list:
    """Readings of the 24 patches."""
    readings = []
    for number in range(24):
        row, column = divmod(number, COLUMNS)
        shape = Rectangle(column * PATCH + 4, row * PATCH + 4, PATCH - 8, PATCH - 8)
        region = Region(str(number), "patch", shape)
        readings.append(read_mark(photo, "patch", [region], calibration))
    return readings


def judge(lamp: str, camera: str, phone: float) -> dict[str, float]:
    """Mean and 95th percentile CIEDE2000, and how the stated uncertainty held."""
    photo, truth = chart_photo(lamp, camera, phone)
    card = Region("card", "card", Rectangle(4, 4 * PATCH + 4, COLUMNS * PATCH - 8, PATCH - 8))
    out = {}
    for name, calibration in (("before", Calibration()), ("after", calibrate(photo, [card]))):
        readings = read_chart(photo, calibration)
        kept = [(r, t) for r, t in zip(readings, truth, strict=True) if r is not None]
        off = np.array([float(difference(r.lab, t)) for r, t in kept])
        out[name] = off.mean()
        out[f"{name} 95 %"] = np.percentile(off, 95)
    stated = np.array([r.expanded for r, _ in kept])
    out["inside"] = float((off <= stated).mean())
    out["stated"] = float(np.median(stated))
    out["unread"] = 24 - len(kept)
    return out


def main() -> None:
    rows, totals = [], {}
    for phone in (0.0, 0.5, 1.0):
        for camera in CAMERAS:
            for lamp in LAMPS:
                found = judge(lamp, camera, phone)
                totals.setdefault(phone, []).append(found)
                rows.append(
                    (
                        f"{phone:.1f}",
                        camera.split(" (")[0],
                        lamp,
                        f"{found['before']:.1f}",
                        f"{found['after']:.2f}",
                        f"{found['after 95 %']:.1f}",
                        f"{found['inside']:.0%}",
                        f"{found['stated']:.1f}",
                        found["unread"],
                    )
                )
    summary = [
        (
            f"{phone:.1f}",
            f"{np.mean([f['before'] for f in found]):.1f}",
            f"{np.mean([f['after'] for f in found]):.2f}",
            f"{np.mean([f['inside'] for f in found]):.1%}",
            f"{np.median([f['stated'] for f in found]):.1f}",
        )
        for phone, found in totals.items()
    ]
    save(
        "chart",
        "Simulated 24-patch chart, one grey card",
        "CIEDE2000 to the true colour. 'Inside' is the share of patches whose true colour lies "
        "within the stated uncertainty (95 %); 'stated' is its median. Patches that are clipped "
        "all over are not read.",
        markdown(("phone", "before", "after card", "inside", "stated"), summary),
        markdown(
            (
                "phone",
                "camera",
                "lamp",
                "before",
                "after card",
                "95 %",
                "inside",
                "stated",
                "unread",
            ),
            rows,
        ),
    )


if __name__ == "__main__":
    main()
