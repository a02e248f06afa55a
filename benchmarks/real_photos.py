"""Real photographs of 24-patch charts: is the stated uncertainty right?

Run: python benchmarks/real_photos.py [../shared/photos]

The folder holds photographs with charts.csv (the four corners of the field of patches) and
chart_readings.csv (further phone photos as numbers: CIELAB after one grey card); its README says
where they come from. They are read by path and never kept here. Reference colours:
data/charts/chart24.toml (colour-science, 'ColorChecker24 - After November 2014').

Every patch is read as a mark is, in five modes: no card; one card (the neutral 5 or the neutral 6.5
patch); the chart, fitted without the patch that is read, its kind of model chosen without it too; a
phone profile, made from one other photo of the same device. z is the root mean square of CIEDE2000
over the stated standard uncertainty and is 1 where the doubt is stated right.
"""

import sys
from collections.abc import Iterator
from dataclasses import astuple, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from _tables import markdown, save
from scipy.optimize import minimize

from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.chart import Patch, Placed, lay, load_charts, read_patch
from fieldmarks.measure.colour import difference, lab_to_linear, lightness_to_reflectance
from fieldmarks.measure.correction import Patches, choose_trial, finish
from fieldmarks.measure.icc import Profile
from fieldmarks.measure.phone_profile import PhoneProfile, with_profile
from fieldmarks.measure.photo import Photo, PhotoFacts, open_photo
from fieldmarks.measure.quantities import Budget, axes_at, coverage_radius, difference_weights
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Polygon, Rectangle, Region
from fieldmarks.measure.uncertainty import END_FACTOR, LEAST_LIGHT, PHONE, at_end

CARDS = {"one card": "neutral_5", "one card, neutral 6.5": "neutral_6_5"}
MODES = ("none", *CARDS, "chart", "profile")
CARD_LIGHT = {"one card": 0.191, "one card, neutral 6.5": 0.356}  # Y of the two patches
SIDE = 40  # pixels of a patch painted from numbers
LOW, HIGH = -0.5, 2.5  # linear light that its code values span


@dataclass(frozen=True)
class Shot:
    """One photo of a chart: its patches that are neither clipped nor too small, as light (n, 3)."""

    device: str
    photo: Photo
    placed: list[Placed]
    rgb: np.ndarray
    as_is: dict[str, float]  # CIEDE2000 as the camera wrote it, where only numbers are left

    @property
    def patches(self) -> Patches:
        """As the fit takes them."""
        return Patches(
            self.rgb,
            np.array([p.patch.colour for p in self.placed]),
            np.array([p.patch.grey for p in self.placed]),
        )

    def card(self, key: str) -> Calibration:
        """Calibrated on one patch."""
        grey = next(p for p in self.placed if p.patch.key == key)
        value = lightness_to_reflectance(grey.patch.colour[0])
        return calibrate(self.photo, [replace(grey.region, mark="card", value=value)])


def shots(folder: Path) -> Iterator[Shot]:
    for row in pd.read_csv(folder / "charts.csv").itertuples():
        photo = open_photo(folder / row.photo)
        device = row.device if row.device == "phone" else row.photo.split("_")[0]
        photo = replace(photo, facts=replace(photo.facts, camera=device))
        corners = ((row.x1, row.y1), (row.x2, row.y2), (row.x3, row.y3), (row.x4, row.y4))
        outline = Region("chart", "chart_patch", Polygon(corners))
        yield _shot(device, photo, lay(outline, load_charts()["chart24"]), {})
    for name, rows in pd.read_csv(folder / "chart_readings.csv").groupby("photo", sort=False):
        yield _from_numbers(str(name), rows)


def _from_numbers(name: str, rows: pd.DataFrame) -> Shot:
    """Even patches of the colours written down, as a photo whose card is grey already."""
    rows = rows[~rows.clipped.astype(bool)]
    light = lab_to_linear(rows[["card_L", "card_a", "card_b"]].to_numpy())
    codes = np.round((np.clip(light, LOW, HIGH - 0.1) - LOW) / (HIGH - LOW) * 65535)
    stored = np.repeat(np.repeat(codes.astype(np.uint16)[None], SIDE, 0), SIDE, 1)
    ramp = (LOW + (HIGH - LOW) * np.arange(65536) / 65535).astype(np.float32)
    device = name.split("_")[0]
    photo = Photo(
        name, "", SIDE * len(rows), SIDE, PhotoFacts("PNG", 16, "numbers", device),
        Profile("numbers", np.stack([ramp] * 3), np.eye(3)), (), stored, 1,
    )  # fmt: skip
    charts = {p.key: p for p in load_charts()["chart24"].patches}
    placed = []
    for k, row in enumerate(rows.itertuples()):
        known = charts[row.patch]
        colour = (row.true_L, row.true_a, row.true_b)
        patch = Patch(key=known.key, lab=colour, neutral=known.grey)
        region = Region(known.key, "chart_patch", Rectangle(SIDE * k, 0, SIDE, SIDE))
        placed.append(Placed(region, patch))
    keys = [p.patch.key for p in placed]
    return _shot(device, photo, placed, dict(zip(keys, rows.de00_as_is, strict=True)))


def _shot(device: str, photo: Photo, placed: list[Placed], as_is: dict[str, float]) -> Shot:
    found = [(p, read_patch(photo, p.region)) for p in placed]
    kept = [(p, rgb) for p, rgb in found if rgb is not None]
    return Shot(device, photo, [p for p, _ in kept], np.array([r for _, r in kept]), as_is)


def readings(shot: Shot, others: list[Shot]) -> Iterator[dict]:
    """Every patch in every mode, as rows of the table."""
    keys = [p.patch.key for p in shot.placed]
    every = range(len(keys))
    bare = Calibration()
    yield from _read(shot, "none", [bare] * len(keys))
    for mode, key in CARDS.items():
        if key in keys:
            yield from _read(shot, mode, [shot.card(key)] * len(keys), key)
    if CARDS["one card"] not in keys:
        return
    card = shot.card(CARDS["one card"])
    rest = [shot.patches.without(k) for k in every]
    left_out = [replace(card, correction=finish(r, choose_trial(r), "other patches")) for r in rest]
    yield from _read(shot, "chart", left_out, CARDS["one card"])
    for other in others:
        whole = other.patches
        facts = other.photo.facts
        profile = PhoneProfile(
            shot.device, facts.camera, facts.software, False, facts.colour_profile, "",
            finish(whole, choose_trial(whole), "patches of another photo"),
        )  # fmt: skip
        used = with_profile(shot.photo, card, profile)
        yield from _read(shot, "profile", [used] * len(keys), CARDS["one card"])


def _read(shot: Shot, mode: str, ways: list[Calibration], card: str = "") -> Iterator[dict]:
    for placed, calibration in zip(shot.placed, ways, strict=True):
        reading = read_mark(shot.photo, "patch", [placed.region], calibration)
        if reading is None or placed.patch.key == card:
            continue
        true = placed.patch.colour
        off = float(difference(reading.lab, true))
        radius = reading.budget.radius(reading.lab)
        if mode == "none" and shot.as_is:  # only its distance is known: stated as at the true one
            off = shot.as_is[placed.patch.key]
        yield {
            "photo": shot.photo.name, "device": shot.device, "mode": mode,
            "patch": placed.patch.key, "true": true, "lab": reading.lab, "off": off,
            "radius": radius, "stated": reading.expanded, "budget": reading.budget,
        }  # fmt: skip


def summary(table: pd.DataFrame) -> tuple[str, ...]:
    off, stated = table.off, table.stated
    z = float(np.sqrt(np.mean((off / table.radius) ** 2)))
    return (str(len(table)), f"{off.mean():.1f}", f"{np.percentile(off, 95):.1f}", f"{z:.2f}",
            f"{(off <= stated).mean():.1%}", f"{stated.median():.1f}")  # fmt: skip


def measured(folder: Path) -> pd.DataFrame:
    """One row per photo, patch and mode (and other photo, for a profile)."""
    every = list(shots(folder))
    rows = []
    for shot in every:
        others = [s for s in every if s.device == shot.device and s is not shot]
        rows += readings(shot, others)
    return pd.DataFrame(rows)


def without_each_device(table: pd.DataFrame) -> Iterator[tuple]:
    """z of each device's photos after one card, the camera's numbers found on the others alone.

    The numbers are those of :class:`~fieldmarks.measure.uncertainty.CameraPart`, by greatest
    likelihood of the errors along L*, C* and H* (normal, the other parts as stated).
    """
    rows = table[table["mode"].isin(CARDS)].reset_index(drop=True)
    read, true = (np.array(rows[k].tolist()) for k in ("lab", "true"))
    light, chroma = read[:, 0], np.hypot(*read[:, 1:].T)
    apart = np.stack([(lab - t) @ axes_at(tuple(lab)) for lab, t in zip(read, true, strict=True)])
    # Near grey the direction of C* is that of the error itself: both share it.
    both = np.sqrt((apart[:, 1:] ** 2).mean(axis=1))[:, None]
    apart[:, 1:] = np.where(chroma[:, None] > 8, apart[:, 1:], both)
    other = np.array([Budget(tuple(p for p in b.parts if p.name != "camera")).combined
                      for b in rows.budget])  # fmt: skip
    factor = np.array([END_FACTOR if at_end(tuple(lab), 0.0) else 1.0 for lab in read])[:, None]
    weights = np.array([difference_weights(tuple(lab)) for lab in read])
    own = np.maximum([lightness_to_reflectance(v) for v in light], LEAST_LIGHT / 2)
    away = np.abs(np.log(own / rows["mode"].map(lambda m: CARD_LIGHT[m]).to_numpy()))

    def sigma(numbers: np.ndarray) -> np.ndarray:
        flat, colour, tone, saturation, hue = numbers
        plain = np.column_stack([
            np.hypot(flat, (light + 16) / 3 * tone * away),
            np.sqrt(colour**2 + (saturation * chroma) ** 2 + (chroma / 3 * tone * away) ** 2),
            np.hypot(colour, hue * chroma),
        ])  # fmt: skip
        return np.hypot(factor * plain, other)

    for device in rows.device.unique():
        out = (rows.device == device).to_numpy()

        def loss(numbers: np.ndarray, kept: np.ndarray = ~out) -> float:
            s = sigma(numbers)[kept]
            return float((np.log(s) + (apart[kept] / s) ** 2 / 2).sum())

        found = np.abs(minimize(loss, astuple(PHONE), method="Nelder-Mead").x)
        deviations = sigma(found) / weights
        z = rows.off / np.linalg.norm(deviations, axis=1)
        inside = rows.off <= coverage_radius(deviations)
        cells = [f"{v:.2f}" for v in found]
        for mode in CARDS:
            k = out & (rows["mode"] == mode)
            cells += [f"{np.sqrt((z[k] ** 2).mean()):.2f}", f"{inside[k].mean():.0%}"]
        yield device, *cells


def main() -> None:
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "../shared/photos")
    table = measured(folder)
    head = ("n", "mean", "95 %", "z", "inside", "stated")
    by_device = table.groupby(["mode", "device"], sort=False)
    save(
        "real_photos",
        "Real photos of 24-patch charts",
        f"{table.photo.nunique()} photos by {table.device.nunique()} devices. CIEDE2000 of the "
        "patches that are not clipped (the card left out), z, share inside the stated uncertainty "
        "(95 %), and its median.",
        markdown(("mode", *head), ((m, *summary(table[table["mode"] == m])) for m in MODES)),
        "By device:",
        markdown(("mode", "device", *head), ((*key, *summary(t)) for key, t in by_device)),
        "The camera part after one card found anew without each device, and what it says of that "
        "device's photos (first with neutral 5, then with neutral 6.5):",
        markdown(
            (
                "left out",
                "lightness",
                "colour",
                "tone",
                "saturation",
                "hue",
                "z",
                "inside",
                "z",
                "inside",
            ),
            without_each_device(table),
        ),
    )


if __name__ == "__main__":
    main()
