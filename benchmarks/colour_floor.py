"""Why leave-one-out cannot be as small as one likes: light that three numbers cannot tell apart.

Run: python benchmarks/colour_floor.py

Three numbers of a camera do not fix a reflectance, so under a lamp unlike daylight two surfaces may
look alike to the camera and differ to the eye. No map from camera to CIELAB can mend that. All
figures are CIEDE2000 on the 24-patch chart as the sensor sees it: a straight camera, gains right,
neither rounded nor cut off by a file.

- "left out": each patch predicted by the program's model fitted on the other 23; "nested" when the
  kind of model is chosen without the patch as well; "degree 3": the same with root-polynomials of
  degree 3 (13 terms; Finlayson, Mackiewicz & Hurlbert 2015) among the kinds.
- "n others": a Gaussian process (linear plus radial kernel on the camera's own CIELAB, its widths
  chosen by leave-one-out among the n) that learned n other reflectances under the same lamp and
  camera; mean of 6 draws. The reflectances are the 190 of the Academy's rawtoaces set and the 99
  of CIE 224, both from colour-science. "312 others" adds the other 23 patches.
- "floor": a low estimate of what is left to one who knows everything. 240 000 mixtures of two of
  the 289 reflectances; round each patch the 60 that are nearest *to the camera*; a plane is fitted
  to their true CIELAB, and what it leaves is the floor. Mixtures differ less than surfaces do, so
  the true floor lies between this column and the one before it.
"""

import numpy as np
from _tables import markdown, save
from scipy.spatial import cKDTree
from simulator._library import colour_science
from simulator.camera import CAMERAS, LAMPS, photograph
from simulator.spectra import Array, chart_reflectances, reflectance_to_lab

from fieldmarks.measure import correction
from fieldmarks.measure.colour import difference, lab_to_linear, linear_to_lab
from fieldmarks.measure.correction import (
    Candidate,
    Patches,
    Trial,
    choose_trial,
    finish,
    leave_one_out,
)

AIM = {CAMERAS[0]: 1.0, CAMERAS[1]: 1.5}
COUNTS = (23, 50, 100, 200)
DRAWS = 6
WIDTHS = (20.0, 45.0, 70.0, 100.0)
NOISES = (3e-4, 3e-3, 1e-2, 3e-2)
MIXTURES, NEIGHBOURS = 240_000, 60
DEGREE_3 = "root-polynomial of degree 3"


def reflectances() -> Array:
    """(289, 81) measured reflectances of things of many kinds."""
    colour = colour_science()
    from colour.quality.cfi2017 import load_TCS_CIE2017

    shape = colour.SpectralShape(380, 780, 5)
    academy = colour.characterisation.read_training_data_rawtoaces_v1().copy().align(shape).values.T
    return np.clip(np.vstack([academy, load_TCS_CIE2017(shape).values.T]), 0, 1)


def seen(reflectance: Array, lamp: str, camera: str) -> Array:
    """CIELAB as a camera with the right gains would have it."""
    return linear_to_lab(photograph(reflectance, lamp, camera, (1.0, 1.0, 1.0), 1.0))


def kernel(one: Array, other: Array, width: float) -> Array:
    apart = ((one[:, None] - other[None]) ** 2).sum(axis=-1)
    line = 1 + one @ other.T / 2500
    return np.asarray(np.exp(-apart / (2 * width**2)) + 10 * line)


def learn(known: Array, true: Array, new: Array) -> Array:
    """Prediction of a Gaussian process whose width and noise predict its own left-out best."""
    best = (np.inf, np.zeros(0), 0.0)
    for width in WIDTHS:
        plain = kernel(known, known, width)
        for noise in NOISES:
            inverse = np.linalg.inv(plain + noise * np.eye(len(known)))
            pull = inverse @ (true - known)
            left = true - pull / np.diag(inverse)[:, None]
            off = float(difference(left, true).mean())
            if off < best[0]:
                best = (off, pull, width)
    _, pull, width = best
    return np.asarray(new + kernel(new, known, width) @ pull)


def floor(natural: Array, chart: Array, lamp: str, camera: str, rng: np.random.Generator) -> float:
    """Mean CIEDE2000 that the camera's three numbers leave open round each patch."""
    share = rng.uniform(0, 1, (MIXTURES, 1))
    pair = rng.integers(len(natural), size=(2, MIXTURES))
    many = np.vstack([natural, share * natural[pair[0]] + (1 - share) * natural[pair[1]]])
    by_camera, true = seen(many, lamp, camera), reflectance_to_lab(many)
    tree, left = cKDTree(by_camera), []
    for place in seen(chart, lamp, camera):
        _, near = tree.query(place, k=NEIGHBOURS)
        plane = np.column_stack([np.ones(NEIGHBOURS), by_camera[near] - place])
        fitted = plane @ np.linalg.lstsq(plane, true[near], rcond=None)[0]
        # Four numbers per coordinate were fitted.
        free = np.sqrt(NEIGHBOURS / (NEIGHBOURS - 4))
        left.append(difference(fitted, true[near]).mean() * free)
    return float(np.mean(left))


def third_degree() -> None:
    """Teach the correction module a third degree, for this comparison only."""
    plain = correction.terms

    def terms(rgb: Array, basis: str) -> Array:
        if basis != DEGREE_3:
            return plain(rgb, basis)
        r, g, b = np.moveaxis(np.maximum(rgb, 0), -1, 0)
        products = (r * g * g, g * b * b, r * b * b, g * r * r, b * g * g, b * r * r, r * g * b)
        roots = np.cbrt(np.stack(products, axis=-1))
        return np.concatenate([plain(rgb, "root-polynomial"), roots], axis=-1)

    correction.terms = terms  # type: ignore[assignment]
    correction.TERMS[DEGREE_3] = 13


def best_of_degree_3(patches: Patches) -> Trial:
    """The better of the program's choice and degree 3 at three loosenesses."""
    trials = [
        leave_one_out(patches, Candidate(DEGREE_3, loose, correction.STRAIGHT))  # type: ignore[arg-type]
        for loose in (0.1, 0.3, 1.0)
    ]
    best = min(trials, key=lambda t: t.mean)
    usual = choose_trial(patches, tone=False)
    return best if best.mean < correction.BETTER * usual.mean else usual


def nested(patches: Patches, choice: object) -> float:
    """Mean error of left-out patches when the kind of model is chosen without them."""
    off = []
    for index in range(len(patches.rgb)):
        rest = patches.without(index)
        model = finish(rest, choice(rest))  # type: ignore[operator]
        read = linear_to_lab(model.apply(patches.rgb[index]))
        off.append(float(difference(read, patches.lab[index])))
    return float(np.mean(off))


def main() -> None:
    third_degree()
    natural, (_, chart) = reflectances(), chart_reflectances()
    true, chart_true = reflectance_to_lab(natural), reflectance_to_lab(chart)
    rows = []
    for camera in CAMERAS:
        for lamp in LAMPS:
            rng = np.random.default_rng(0)
            own, others = seen(chart, lamp, camera), seen(natural, lamp, camera)
            patches = Patches(lab_to_linear(own), chart_true, np.arange(24) >= 18)
            plain = choose_trial(patches, tone=False)
            found = [plain.mean, nested(patches, lambda p: choose_trial(p, tone=False)),
                     best_of_degree_3(patches).mean, nested(patches, best_of_degree_3)]  # fmt: skip
            for count in COUNTS:
                draws = [rng.choice(len(natural), count, replace=False) for _ in range(DRAWS)]
                off = [difference(learn(others[d], true[d], own), chart_true) for d in draws]
                found.append(float(np.mean(off)))
            every, all_true = np.vstack([others, own]), np.vstack([true, chart_true])
            last = []
            for index in range(24):
                keep = np.arange(len(every)) != len(others) + index
                read = learn(every[keep], all_true[keep], own[index][None])
                last.append(float(difference(read[0], chart_true[index])))
            found += [float(np.mean(last)), floor(natural, chart, lamp, camera, rng)]
            aim = AIM[camera]
            if plain.mean <= aim:
                why = "reached"
            elif found[-2] <= aim:
                why = "needs more patches than 24"
            else:
                why = "not even with 312 patches"
            rows.append((camera.split(" (")[0], lamp, *(f"{v:.2f}" for v in found), aim, why))
            print(rows[-1])
    head = ("camera", "lamp", "left out", "nested", "degree 3", "its nested",
            *(f"{n} others" for n in COUNTS), "312 others", "floor", "aim", "")  # fmt: skip
    save(
        "colour_floor",
        "What leave-one-out on a 24-patch chart can reach",
        __doc__.split("\n\n", 2)[2].strip(),
        markdown(head, rows),
    )


if __name__ == "__main__":
    main()
