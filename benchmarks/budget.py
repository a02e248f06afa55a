"""The linear uncertainty budget against draws through the whole model.

Run: python benchmarks/budget.py

For every plumage colour of the simulator: one grey card with grain, its 3 % tolerance, a light that
differs by the stated share, a patchy surface and the camera term. The budget adds their parts as
squares (JCGM 100); the draws (JCGM 101, 100 000 each) push light, tolerance and the card's channels
through the exact formulae and count real CIEDE2000, rotation term and all. Light in even scenes is
uncertain by 6 %, more where the card's face is uneven.
"""

from collections.abc import Iterator

import numpy as np
from _tables import markdown, save
from simulator.spectra import MATERIALS, reflectance_to_lab

from fieldmarks.measure.calibration import CARD_TOLERANCE, Calibration, CardPatch
from fieldmarks.measure.colour import difference, lab_to_linear, linear_to_lab
from fieldmarks.measure.quantities import Budget, Lab, UncertaintyPart
from fieldmarks.measure.uncertainty import (
    LIGHT_DEFAULT,
    camera_part,
    card_part,
    light_part,
)

DRAWS = 100_000
NOISE = 0.01  # of the card's channels, relative
SPREAD = 0.6  # L*, C* and H*; the median of the rendered birds
LIGHTS = (LIGHT_DEFAULT, 0.15, 0.30)


def calibration() -> Calibration:
    """A good grey card."""
    patch = CardPatch("card", 0.18, (0.18,) * 3, NOISE, (0.0, 0.0), 0.0, 9000, (0.0, 0.0), 100.0)
    return Calibration(calibrated=True, patches=(patch,))


def budget_of(lab: Lab, light: float) -> dict[str, UncertaintyPart]:
    """Parts of the budget, by name."""
    parts = (
        card_part(lab, lab_to_linear(np.array(lab)), calibration()),
        light_part(lab, light, "light", ""),
        UncertaintyPart("spread", SPREAD, SPREAD, SPREAD, ""),
        camera_part(lab, 0.5, calibration()),
    )
    return {part.name: part for part in parts}


def draw(lab: Lab, light: float, added: Budget, rng: np.random.Generator) -> np.ndarray:
    """Colours drawn: the light exactly, the other parts as they are stated; (n, 3) CIELAB."""
    level = np.exp(light * rng.standard_normal((DRAWS, 1)))
    tolerance = 1 + CARD_TOLERANCE * rng.standard_normal((DRAWS, 1))
    channels = 1 + NOISE * rng.standard_normal((DRAWS, 3))
    drawn = linear_to_lab(lab_to_linear(np.array(lab)) * level * tolerance * channels)
    return np.asarray(drawn + rng.multivariate_normal((0, 0, 0), added.covariance(lab), DRAWS))


def compare(light: float) -> Iterator[tuple[float, ...]]:
    """Ratios linear over drawn for L*, C*, H* and the radius, and the share inside; per colour."""
    rng = np.random.default_rng(0)
    for material in MATERIALS.values():
        one, two, three = (float(v) for v in reflectance_to_lab(material.reflectance()))
        lab = (one, two, three)
        parts = budget_of(lab, light)
        whole = Budget(tuple(parts.values()))
        drawn = draw(lab, light, Budget((parts["spread"], parts["camera"])), rng)
        away = np.array(lab[1:]) / np.hypot(*lab[1:])
        apart = drawn - np.array(lab)
        spread = (apart[:, 0].std(), (apart[:, 1:] @ away).std(),
                  (apart[:, 1:] @ np.array([-away[1], away[0]])).std())  # fmt: skip
        off = difference(drawn, np.array(lab))
        ratios = [stated / seen for stated, seen in zip(whole.combined, spread, strict=True)]
        radius = whole.expanded(lab)
        yield (*ratios, radius / float(np.percentile(off, 95)), float((off <= radius).mean()))


def main() -> None:
    rows = []
    for light in LIGHTS:
        table = np.array(list(compare(light)))
        cells = [f"{c.mean():.2f} ({c.min():.2f} to {c.max():.2f})" for c in table[:, :4].T]
        inside = table[:, 4]
        rows.append((f"{light:.0%}", *cells, f"{inside.mean():.1%} (least {inside.min():.1%})"))
    save(
        "budget",
        "The linear budget against Monte Carlo draws",
        f"{len(MATERIALS)} plumage colours. Standard uncertainties of the budget over those of "
        f"{DRAWS} draws, the 95 % radius over the 95 % quantile of the drawn CIEDE2000, and the "
        "draws inside the radius: mean (least to largest). It should hold 95 %.",
        markdown(("light", "L*", "C*", "H*", "radius / 95 %", "draws inside"), rows),
    )


if __name__ == "__main__":
    main()
