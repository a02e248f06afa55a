"""Learn a reference swatch from birds of known origin.

Each bird counts once, however often it was photographed. The centre is that of a robust covariance
fit (minimum covariance determinant, Rousseeuw & Van Driessen 1999, as in scikit-learn), so that a
few odd birds do not move it. Birds further off than ``FAR`` times the median distance are set
aside. The tolerance is what 95 % of the others keep to; what the readings of a bird are off by
(card, light, spread) is taken off as mean squares, and few birds widen it (Howe 1969). The camera's
own bend and veiling glare are not taken off: one camera bends all birds alike, so it does not widen
the spread; with several cameras the tolerance errs on the wide side.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from fieldmarks._util.errors import TableError
from fieldmarks.measure.quantities import Budget, Lab, Reading
from fieldmarks.measure.uncertainty import CAMERA, GLARE, draw_colours
from fieldmarks.rules.schema import Provenance, Swatch
from fieldmarks.rules.tables import Tables

MIN_BIRDS = 10
MIN_PHOTOS = 10
LEAST_TOLERANCE = 4.0  # CIEDE2000; birds of one family are not told from one another more finely
MOST_TOLERANCE = 25.0
INSIDE = 0.95
DRAWS = 200
FAR = 3.0  # times the median distance; normal birds lie within it in 98 to 99.9 % of cases
KEPT = 0.985
SURE = 0.8  # confidence with which so few birds are taken for all


@dataclass(frozen=True)
class Sample:
    """A reading of a bird whose origin is known."""

    reading: Reading
    bird: str  # leg ring number or other name that tells birds apart
    photo: str
    camera: str  # make and model
    origin: str  # how its ancestry is known


@dataclass(frozen=True)
class LearnedSwatch:
    """A learned swatch beside the one it replaces.

    Args:
        moved: CIEDE2000 between the two centres.
        left_out: Birds the robust fit set aside.
    """

    new: Swatch
    old: Swatch
    moved: float
    left_out: tuple[str, ...]
    warnings: tuple[str, ...]


def learn_swatch(
    samples: Sequence[Sample], tables: Tables, swatch: str, on: date | None = None
) -> LearnedSwatch:
    """Fit a swatch's centre and tolerance to readings of birds of known origin.

    Args:
        samples: All of marks that show this swatch.
        on: Kept as the day it was learned; today by default.

    Raises:
        TableError: There are too few birds or photos, a reading is not calibrated, a bird has no
            known origin, or the swatch is unknown.
    """
    from fieldmarks.measure.colour import difference

    if swatch not in tables.swatches:
        raise TableError(f"there is no swatch {swatch!r}", mend="See the swatch sheet for names")
    by_bird: dict[str, list[int]] = {}
    for place, sample in enumerate(samples):
        by_bird.setdefault(sample.bird, []).append(place)
    cameras = tuple(sorted({s.camera for s in samples}))
    photos = len({s.photo for s in samples})
    _refuse_unfit(samples, len(by_bird), photos, f"swatch {swatch!r}")
    read = np.array([sample.reading.lab for sample in samples])
    colours = np.array([np.median(read[own], axis=0) for own in by_bird.values()])
    centre, kept = _robust_centre(colours)
    distance = difference(colours, np.array(centre))[kept]
    count = len(distance)
    spread = float(np.mean(distance**2)) * count / (count - 1)
    off = np.array([_off(sample, place) for place, sample in enumerate(samples)])
    # What the median of each bird over its photos may be off, CIEDE2000; (birds, draws).
    errors = np.array([
        difference(colour + np.median(off[own], axis=0), colour)
        for own, colour in zip(by_bird.values(), colours, strict=True)
    ])  # fmt: skip
    measuring = float(np.mean(errors[kept] ** 2))
    natural = math.sqrt(max(spread - measuring, 0.0) / spread) if spread else 0.0
    reach = float(np.quantile(distance, INSIDE / KEPT)) * natural * _for_few(count)
    tolerance = min(max(reach, LEAST_TOLERANCE), MOST_TOLERANCE)
    old = tables.swatches[swatch]
    new = Swatch(
        key=swatch,
        name=old.name,
        lab=centre,
        tolerance=round(tolerance, 1),
        source=f"Learned from {len(by_bird)} birds of known origin on {photos} photos.",
        learned=Provenance(
            birds=len(by_bird),
            photos=photos,
            cameras=cameras,
            learned_on=(on or date.today()).isoformat(),
        ),
    )
    warnings = []
    if len(cameras) == 1:
        warnings.append("All photos come from one camera: its own bend is learned with the colour.")
    if spread < 2 * measuring:
        warnings.append("The birds differ less than the readings doubt: take more careful photos.")
    return LearnedSwatch(
        new=new,
        old=old,
        moved=float(difference(np.array(centre), np.array(old.colour))),
        left_out=tuple(bird for bird, keep in zip(by_bird, kept, strict=True) if not keep),
        warnings=tuple(warnings),
    )


def _refuse_unfit(samples: Sequence[Sample], birds: int, photos: int, where: str) -> None:
    for sample in samples:
        problem = ""
        if not sample.reading.calibrated:
            problem = f"the photo {sample.photo!r} had no usable grey card"
        elif not sample.origin.strip():
            problem = f"the origin of bird {sample.bird!r} is not known"
        if problem:
            raise TableError(problem, where=where, mend="Leave it out")
    if birds < MIN_BIRDS or photos < MIN_PHOTOS:
        raise TableError(
            f"{birds} birds on {photos} photos are too few to learn from",
            where=where,
            mend=f"Collect at least {MIN_BIRDS} birds of known origin on {MIN_PHOTOS} photos",
        )


def _off(sample: Sample, seed: int) -> npt.NDArray[np.float64]:
    """Draws of what a reading may be off, CIELAB, without what all photos of a camera share."""
    parts = tuple(p for p in sample.reading.budget.parts if p.name not in (CAMERA, GLARE))
    reading = replace(sample.reading, budget=Budget(parts), populations=())
    return draw_colours(reading, DRAWS, seed).median - np.array(reading.lab)


def _for_few(count: int) -> float:
    """Factor on a normal spread so that it holds for all birds though only some were seen.

    Howe 1969, Two-sided tolerance limits for normal populations, JASA 64, equation for k.
    """
    from scipy.special import chdtri

    return math.sqrt((1 + 1 / count) * (count - 1) / float(chdtri(count - 1, SURE)))


def _robust_centre(colours: npt.NDArray[np.float64]) -> tuple[Lab, npt.NDArray[np.bool_]]:
    """Centre of the birds that belong together, and which those are."""
    try:
        from sklearn.covariance import MinCovDet
    except ImportError:
        raise TableError(
            "learning a swatch needs the extra library scikit-learn",
            mend="Install it with: pip install scikit-learn",
        ) from None

    from fieldmarks.measure.colour import difference

    # A grain of noise keeps the fit defined when birds read exactly alike.
    grain = np.random.default_rng(0).normal(0, 1e-3, colours.shape)
    fit = MinCovDet(random_state=0).fit(colours + grain)
    light, a, b = (round(float(v), 2) for v in fit.location_)
    distance = difference(colours, np.array((light, a, b)))
    return (light, a, b), np.asarray(distance <= FAR * np.median(distance))
