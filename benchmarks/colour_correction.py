"""Grey card, neutral steps, 12 and 24 patches on simulated photos, by lamp and camera.

Run: python benchmarks/colour_correction.py

A phone's profile is made on the same camera's chart under D65 and used with the card alone.

Every photo holds the 24-patch chart (published reflectances), a grey card and 76 colours that no
fit sees: 36 plumage materials and 40 random plumage-like spectra (simulator.spectra). All
go through the program's own chain: picture file, regions, calibration, reading. Phone rendering 0
is a straight camera, 1 a lively phone, HDR a lively phone that evens out the light. "Left out" are
chart patches predicted by a fit without them; "plumage" are the unseen colours.
"""

import io

import numpy as np
from _tables import markdown, save
from PIL import Image
from simulator.camera import CAMERAS, LAMPS, response_weights
from simulator.chart import simulated_patches
from simulator.phone import render_picture
from simulator.spectra import (
    MATERIALS,
    Array,
    chart_reflectances,
    neutral,
    observer_weights,
    random_reflectances,
    reflectance_to_lab,
    xyz_to_lab,
)

from fieldmarks.measure.calibration import Calibration, calibrate
from fieldmarks.measure.chart import calibrate_with_chart, load_charts, with_steps
from fieldmarks.measure.colour import (
    decode_srgb,
    difference,
    lightness_to_reflectance,
    linear_to_lab,
)
from fieldmarks.measure.correction import Patches, candidates, choose_trial, finish, leave_one_out
from fieldmarks.measure.phone_profile import PhoneProfile, make_profile, with_profile
from fieldmarks.measure.photo import Photo, decode_photo
from fieldmarks.measure.reading import read_mark
from fieldmarks.measure.region import Rectangle, Region

CHART = "chart24_mean"
SIDE = 24
COLUMNS = 12
PHONES = (0.0, 0.5, 1.0)
HDR = 0.25  # local gain of a phone that blends exposures
# Twelve patches: six neutrals are few colours, so every second colour and three greys.
TWELVE = (0, 2, 3, 5, 6, 8, 13, 14, 15, 18, 21, 23)


def unseen() -> Array:
    """Reflectances that no fit sees, (76, 81)."""
    plumage = np.array([m.reflectance() for m in MATERIALS.values()])
    return np.vstack([plumage, random_reflectances(40, seed=1)])


def tiles(
    lamp: str, camera: str, phone: float, local_gain: float = 0.0
) -> tuple[Photo, Array, Array]:
    """A photo of even tiles (24 patches, a card, the unseen), their codes and true CIELAB.

    With ``local_gain`` the picture is rendered as a whole: bright and dark areas are evened out and
    edges sharpened, so one patch's rendering depends on its neighbours.
    """
    _, chart = chart_reflectances()
    everything = np.vstack([chart, neutral(0.18)[None], unseen()])
    srgb, lab = simulated_patches(
        everything, lamp, camera, phone_strength=0.0 if local_gain else phone
    )
    rows = -(-len(srgb) // COLUMNS)
    grid = np.full((rows * COLUMNS, 3), 0.4)
    grid[: len(srgb)] = srgb
    picture = grid.reshape(rows, COLUMNS, 3).repeat(SIDE, axis=0).repeat(SIDE, axis=1)
    if local_gain:
        picture = render_picture(decode_srgb(picture), phone, local_gain)
    picture = picture + np.random.default_rng(0).normal(0, 0.6 / 255, picture.shape)
    buffer = io.BytesIO()
    Image.fromarray(np.round(np.clip(picture, 0, 1) * 255).astype(np.uint8)).save(buffer, "PNG")
    return decode_photo(buffer.getvalue(), "tiles.png"), srgb, lab


def tile(index: int, mark: str = "card", value: float | None = None, note: str = "") -> Region:
    """The region of one tile."""
    row, column = divmod(index, COLUMNS)
    shape = Rectangle(column * SIDE + 3, row * SIDE + 3, SIDE - 6, SIDE - 6)
    return Region(f"{mark}{index}", mark, shape, value, note)


def learn_phone(camera: str, phone: float) -> PhoneProfile:
    """A profile from a chart photo under D65."""
    photo, _, lab = tiles("D65", camera, phone)
    return make_profile("phone", photo, setups(photo, lab)["24 patches"])


def setups(photo: Photo, lab: Array, profile: PhoneProfile | None = None) -> dict[str, Calibration]:
    """The same photo calibrated in every way."""
    patches = load_charts()[CHART].patches
    card = [tile(24)]
    steps = [tile(i, value=lightness_to_reflectance(lab[i, 0])) for i in (18, 21, 23)]
    six = [tile(i, value=lightness_to_reflectance(lab[i, 0])) for i in range(18, 24)]
    marked = [tile(i, "chart_patch", note=f"{CHART}/{p.key}") for i, p in enumerate(patches)]
    plain = calibrate(photo, card)
    return {
        "as is": Calibration(),
        "grey card": plain,
        "profile": with_profile(photo, plain, profile) if profile else plain,
        "3 steps": with_steps(calibrate(photo, [*card, *steps])),
        "6 steps": with_steps(calibrate(photo, [*card, *six])),
        "12 patches": calibrate_with_chart(photo, card, [marked[i] for i in TWELVE]),
        "24 patches": calibrate_with_chart(photo, card, marked),
    }


def judge(photo: Photo, lab: Array, calibration: Calibration) -> tuple[Array, Array]:
    """CIEDE2000 and stated uncertainty (95 %) of the unseen tiles that can be read."""
    off, stated = [], []
    for index in range(25, len(lab)):
        reading = read_mark(photo, "tile", [tile(index)], calibration)
        if reading is not None:
            off.append(float(difference(reading.lab, lab[index])))
            stated.append(reading.expanded)
    return np.array(off), np.array(stated)


def models(srgb: Array, lab: Array) -> dict[str, float]:
    """Mean left-out CIEDE2000 of every kind of model on the chart, and of the choice."""
    rgb = decode_srgb(np.round(srgb * 255) / 255)
    patches = Patches(rgb[:24], lab[:24], np.arange(24) >= 18)
    found: dict[str, float] = {}
    for candidate in candidates(patches):
        curve = "tone + " if len(candidate.tones) > 1 else ""
        mean = leave_one_out(patches, candidate).mean
        found[curve + candidate.basis] = min(mean, found.get(curve + candidate.basis, np.inf))
    trial = choose_trial(patches)
    found["chosen"] = trial.mean
    fitted = linear_to_lab(finish(patches, trial).apply(patches.rgb))
    found["chosen, not left out"] = float(difference(fitted, patches.lab).mean())
    return found


def knows_everything(lamp: str, camera: str) -> float:
    """Mean CIEDE2000 of the linear estimate that knows lamp and sensor, straight camera.

    Wiener estimate of the reflectance from the camera's three numbers (Pratt & Mancill 1976), with
    the second moments of the 190 training spectra of the Academy's rawtoaces set.
    """
    from simulator._library import colour_science

    colour = colour_science()
    training = colour.characterisation.read_training_data_rawtoaces_v1()
    spectra = training.copy().align(colour.SpectralShape(380, 780, 5)).values.T
    moments = spectra.T @ spectra / len(spectra)
    sensor = response_weights(lamp, camera)
    inner = sensor.T @ moments @ sensor + 1e-7 * np.eye(3)
    to_xyz = observer_weights("D65").T @ moments @ sensor @ np.linalg.inv(inner)
    _, chart = chart_reflectances()
    estimate = xyz_to_lab(chart @ sensor @ to_xyz.T)
    return float(difference(estimate, reflectance_to_lab(chart)).mean())


def main() -> None:
    by_lamp, by_model, covered = [], [], {}
    for phone in PHONES:
        for camera in CAMERAS:
            profile = learn_phone(camera, phone)
            for lamp in LAMPS:
                photo, srgb, lab = tiles(lamp, camera, phone)
                if phone == PHONES[-1]:
                    blended, _, _ = tiles(lamp, camera, phone, HDR)
                    for setup, calibration in setups(blended, lab, profile).items():
                        result = judge(blended, lab, calibration)
                        covered.setdefault((f"{phone:.1f} HDR", setup), []).append(result)
                name = (f"{phone:.1f}", camera.split(" (")[0], lamp)
                means = []
                for setup, calibration in setups(photo, lab, profile).items():
                    off, stated = judge(photo, lab, calibration)
                    means.append(f"{off.mean():.2f} ({np.percentile(off, 95):.1f})")
                    covered.setdefault((f"{phone:.1f}", setup), []).append((off, stated))
                by_lamp.append((*name, *means))
                found = models(srgb, lab)
                best = knows_everything(lamp, camera) if phone == 0 else np.nan
                cells = [f"{v:.2f}" for v in found.values()]
                by_model.append((*name, *cells, "" if np.isnan(best) else f"{best:.2f}"))
    summary = []
    for (phone, setup), parts in sorted(covered.items(), key=lambda item: item[0][0]):
        off, stated = (np.concatenate(column) for column in zip(*parts, strict=True))
        summary.append(
            (phone, setup, f"{off.mean():.2f}", f"{np.percentile(off, 95):.1f}",
             f"{(off <= stated).mean():.1%}", f"{np.median(stated):.1f}")
        )  # fmt: skip
    head = ("phone", "camera", "lamp")
    kinds = ("as is", "grey card", "profile", "3 steps", "6 steps", "12 patches", "24 patches")
    save(
        "colour_correction",
        "Simulated charts: one card, steps, 12 and 24 patches",
        "Unseen plumage colours, all lamps and cameras together: CIEDE2000, share inside the "
        "stated uncertainty (95 %), and its median.",
        markdown(("phone", "calibrated on", "mean", "95 %", "inside", "stated"), summary),
        "Unseen plumage colours, mean CIEDE2000 (95th percentile):",
        markdown((*head, *kinds), by_lamp),
        "Chart patches left out one by one, mean CIEDE2000 of each kind of model. 'Not left out' "
        "is the chosen model on the patches it was fitted on: the light that three numbers cannot "
        "tell apart. 'Knows lamp and sensor' is the best linear estimate of one who knows both.",
        markdown((*head, *list(found), "knows lamp and sensor"), by_model),
    )


if __name__ == "__main__":
    main()
