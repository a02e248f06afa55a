"""Correction: what a camera did to tone and colour, found on patches and undone by a few numbers.

A photo's linear light passes three steps, in the order in which a camera applied them last to
first: a tone curve shared by the channels, one gain per channel, and a colour model (gains alone,
a 3 x 3 matrix, or a root-polynomial of degree 2).

Once the tone curve is given, every model is linear in its numbers. Errors are counted in CIELAB
divided by CIEDE2000's weights, linearised at the true colour, so a fit is one ridge regression
towards "change nothing". Leaving a patch out then has a closed form (the PRESS residual of Allen
1974, here with three rows to a patch). The tone curve is searched on a grid, anew for every patch
that is left out. Models are compared by the mean CIEDE2000 of the left-out patches.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import compress, product
from typing import Literal

import numpy as np
import numpy.typing as npt

from fieldmarks.measure.colour import difference, lab_to_linear, lab_to_polar, linear_to_lab
from fieldmarks.measure.quantities import Lab, Triple, axes_along, triple, weights_along

Array = npt.NDArray[np.floating]
Basis = Literal["gains", "matrix", "root-polynomial"]
TERMS: dict[str, int] = {"gains": 1, "matrix": 3, "root-polynomial": 6}
INSIDE = 1.0  # CIELAB units; a colour this little outside the patches' hull counts as inside
Tones = tuple[tuple[float, float], ...]
STRAIGHT: Tones = ((0.0, 0.0),)
# Standard deviation that a model's numbers may have about "change nothing", over the CIEDE2000
# units that patches scatter by. Small: few numbers really move.
LOOSENESS = (0.1, 0.3, 1.0)
TONE_SCALE = 0.5  # the same for bend and contrast
COLOURED = 8.0  # C* above which a patch says something on colour
NEED_COLOURED = {"gains": 0, "matrix": 4, "root-polynomial": 8}
BETTER = 0.97  # a richer model must beat a simpler one by this factor


@dataclass(frozen=True)
class Correction:
    """A fitted model of one camera's rendering.

    Args:
        tone ((float, float)): Bend and contrast of the tone curve, see :func:`straighten`.
        gains ((float, float, float)): Factor per linear channel after the tone curve.
        coefficients (tuple of three tuples): Red, green and blue rows of the colour model; empty
            for gains alone.
        known: CIELAB of the patches behind the fit: inside their hull the model interpolates.
        residual ((float, float, float)): Root mean square of the left-out patches' errors along L*,
            C* and H*, each divided by CIEDE2000's S_L, S_C, S_H.
        held_out ((float, float)): Mean and 95th percentile CIEDE2000 of patches predicted by a fit
            without them.
        source: Where the patches come from, in words.
    """

    basis: Basis = "gains"
    tone: tuple[float, float] = (0.0, 0.0)
    gains: Triple = (1.0, 1.0, 1.0)
    coefficients: tuple[tuple[float, ...], ...] = ()
    known: tuple[Lab, ...] = ()
    residual: Triple = (0.0, 0.0, 0.0)
    held_out: tuple[float, float] = (0.0, 0.0)
    source: str = ""

    @property
    def name(self) -> str:
        """The model in words."""
        parts = ["tone curve"] if self.tone != (0.0, 0.0) else []
        parts.append({"gains": "gains", "matrix": "3 x 3 matrix"}.get(self.basis, self.basis))
        return " + ".join(parts)

    def apply(self, linear: npt.ArrayLike, light: npt.ArrayLike = 1.0) -> Array:
        """Linear RGB (..., 3), the file's white at 1, as under D65, a perfect white at 1.

        ``light`` (...) evens out the light over the photo; it belongs between tone and colour.
        """
        linear = np.asarray(linear)
        even = straighten(linear, self.tone) * np.asarray(self.gains, dtype=linear.dtype)
        even = even * np.asarray(light, dtype=linear.dtype)[..., None]
        if not self.coefficients:
            return even
        return terms(even, self.basis) @ np.asarray(self.coefficients, dtype=even.dtype).T

    def with_gains(
        self, rgb: npt.ArrayLike, known: npt.ArrayLike, light: npt.ArrayLike = 1.0
    ) -> Correction:
        """The same camera under another light: gains taken anew from grey cards.

        Args:
            rgb ((n, 3) array_like): The cards as photographed.
            known ((n,) array_like): Their reflectances Y.
            light ((n,) array_like): Evens out the light over the photo, as in :meth:`apply`.
        """
        even = straighten(np.asarray(rgb), self.tone) * np.asarray(light)[..., None]
        return replace(self, gains=triple(level_gains(even, np.asarray(known)[:, None])))

    def carried(self, share: float) -> Correction:
        """A part of the way from changing nothing to this correction, gains left as they are."""
        rows = np.asarray(self.coefficients)
        part = share * rows + (1 - share) * np.eye(*rows.shape) if self.coefficients else rows
        bend, contrast = self.tone
        return replace(
            self,
            tone=(share * bend, share * contrast),
            coefficients=tuple(tuple(float(v) for v in row) for row in part),
        )


def straighten(linear: Array, tone: tuple[float, float]) -> Array:
    """Undo a tone curve.

    On v = cube root of the light (close to lightness), v becomes
    v + v (1 - v) (bend + contrast (1 - 2 v)): black and the file's white stay where they are.
    The bend is what a gamma does, the contrast is what an S-curve does. Outside 0..1 nothing
    changes, so that colours beyond the sRGB gamut pass through.
    """
    if tone == (0.0, 0.0):
        return linear
    bend, contrast = tone
    v = np.cbrt(linear)
    within = np.clip(v, 0, 1)
    return np.asarray((v + within * (1 - within) * (bend + contrast * (1 - 2 * within))) ** 3)


def is_monotone(tones: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Whether tone curves (..., 2) rise everywhere, by a margin that keeps noise small."""
    v = np.linspace(0, 1, 41)
    bend, contrast = np.moveaxis(np.asarray(tones)[..., None], -2, 0)
    slope = 1 + bend * (1 - 2 * v) + contrast * (1 - 6 * v + 6 * v**2)
    return np.asarray(slope.min(axis=-1) > 0.25)


_GRID = tuple(product(np.linspace(-0.6, 0.6, 13).tolist(), np.linspace(-0.6, 1.0, 17).tolist()))
BENDS: Tones = tuple((float(b), 0.0) for b in np.linspace(-0.6, 0.6, 25))  # of one number
CURVES: Tones = tuple(compress(_GRID, is_monotone(_GRID)))  # of two


def terms(rgb: Array, basis: str) -> Array:
    """Terms of a colour model, (..., 3) -> (..., 3 or 6).

    The root-polynomial of degree 2 adds the roots of the products of two channels, so that the
    model does not change with exposure (Finlayson, Mackiewicz & Hurlbert 2015, eq. 8).
    """
    if basis != "root-polynomial":
        return rgb
    red, green, blue = np.moveaxis(np.maximum(rgb, 0), -1, 0)
    roots = np.sqrt(np.stack([red * green, green * blue, red * blue], axis=-1))
    return np.concatenate([rgb, roots], axis=-1)


def hull_distance(known: tuple[Lab, ...], lab: Lab) -> float:
    """Distance of a colour to the convex hull of others (a lower bound near its corners)."""
    faces = _faces(known)
    if faces is None:  # no body: every colour but the known ones themselves is an extrapolation
        return min((math.dist(other, lab) for other in known), default=math.inf)
    far = float((faces[:, :3] @ np.asarray(lab) + faces[:, 3]).max())
    return far if far > INSIDE else 0.0


@lru_cache(maxsize=32)
def _faces(known: tuple[Lab, ...]) -> Array | None:
    from scipy.spatial import ConvexHull, QhullError  # take long to import

    try:
        return np.asarray(ConvexHull(np.asarray(known)).equations)
    except (QhullError, ValueError, IndexError):
        return None


@dataclass(frozen=True)
class Patches:
    """Patches as photographed and as they are.

    Args:
        rgb ((n, 3) array): Linear light in the photo, the file's white at 1.
        lab ((n, 3) array): True CIELAB, D65, 2 degrees.
        neutral ((n,) bool array): Patches that may set the gains.
    """

    rgb: Array
    lab: Array
    neutral: npt.NDArray[np.bool_]

    def chosen(self, keep: npt.ArrayLike) -> Patches:
        """Some of the patches, by index or bool mask."""
        k = np.asarray(keep)
        return Patches(self.rgb[k], self.lab[k], self.neutral[k])

    def without(self, index: int) -> Patches:
        """All patches but one."""
        return self.chosen(np.arange(len(self.rgb)) != index)


@dataclass(frozen=True)
class Candidate:
    """One model to try: colour basis, looseness of its numbers, and the tone curves allowed."""

    basis: Basis
    looseness: float
    tones: Tones

    @property
    def numbers(self) -> int:
        """Numbers per channel that the patches have to determine."""
        free = 0 if len(self.tones) == 1 else 1 + any(contrast for _, contrast in self.tones)
        return TERMS[self.basis] + free


@dataclass(frozen=True)
class Trial:
    """A candidate tried: left-out predictions (n, 3) in CIELAB and their CIEDE2000 (n,)."""

    candidate: Candidate
    left_out: Array
    errors: Array

    @property
    def mean(self) -> float:
        """Mean CIEDE2000 of the left-out patches."""
        return float(self.errors.mean())


def choose(patches: Patches, source: str = "", colour: bool = True) -> Correction:
    """:func:`choose_trial`, fitted on all patches; ``source`` says where they come from."""
    return finish(patches, choose_trial(patches, colour=colour), source)


def choose_trial(patches: Patches, tone: bool = True, colour: bool = True) -> Trial:
    """The best candidate by mean CIEDE2000 of left-out patches; simpler ones win near-ties."""
    best: Trial | None = None
    for candidate in candidates(patches, tone, colour):
        trial = leave_one_out(patches, candidate)
        if best is None or trial.mean < BETTER * best.mean:
            best = trial
    assert best is not None
    return best


def candidates(patches: Patches, tone: bool = True, colour: bool = True) -> Iterator[Candidate]:
    """Models that the patches can carry, simplest first.

    A fit without one patch must still have at least as many patches as numbers to find per channel.
    """
    count = len(patches.rgb)
    coloured = int((np.hypot(*patches.lab[:, 1:].T) > COLOURED).sum())
    curves = [STRAIGHT, BENDS, CURVES] if tone else [STRAIGHT]
    bases: tuple[Basis, ...] = ("gains", "matrix", "root-polynomial") if colour else ("gains",)
    for basis in bases:
        if coloured < NEED_COLOURED[basis]:
            continue
        for tones in curves:
            for looseness in LOOSENESS if basis != "gains" else LOOSENESS[:1]:
                candidate = Candidate(basis, looseness, tones)
                if count - 1 >= candidate.numbers or candidate.numbers == 1:
                    yield candidate


@dataclass(frozen=True)
class _Fits:
    """One ridge regression per tone curve (t); rows are patches n times L*, C*, H*."""

    gains: Array  # (t, 3)
    numbers: Array  # (t, p), about "change nothing"
    miss: Array  # (t, n, 3) what each fit leaves
    held_out: Array  # (t, n, 3) what a fit without the patch would leave of it
    loss: Array  # (t,) penalised sum of squares, the prior on the tone included


def _fit(patches: Patches, candidate: Candidate) -> _Fits:
    weight, true = sensitivities(patches.lab)
    straight = np.stack([straighten(patches.rgb, tone) for tone in candidate.tones])
    setting = patches.neutral if patches.neutral.any() else slice(None)
    gains = level_gains(straight[:, setting], true[setting])
    even = straight * gains[:, None]
    count, n = even.shape[:2]
    design = _design(even, weight, candidate.basis)  # (t, n, 3, p)
    error = np.einsum("nij,tnj->tni", weight, true - even)
    rows = design.reshape(count, 3 * n, -1)
    ridge = np.eye(rows.shape[-1]) / candidate.looseness**2
    inverse = np.linalg.inv(rows.swapaxes(1, 2) @ rows + ridge)
    pull = rows.swapaxes(1, 2) @ error.reshape(count, 3 * n, 1)
    numbers = (inverse @ pull)[..., 0]
    miss = error - (rows @ numbers[..., None]).reshape(error.shape)
    leverage = design @ inverse[:, None] @ design.swapaxes(-1, -2)
    held_out = np.linalg.solve(np.eye(3) - leverage, miss[..., None])[..., 0]
    prior = np.array([(b * b + c * c) / TONE_SCALE**2 for b, c in candidate.tones])
    # The least penalised sum of squares equals error' miss.
    loss = (error * miss).sum(axis=(1, 2)) + prior
    return _Fits(gains, numbers, miss, held_out, loss)


def leave_one_out(patches: Patches, candidate: Candidate) -> Trial:
    """Predict every patch by a fit without it, the tone curve found anew as well.

    Only the gains, a start that the fit then moves, are those of all neutral patches: with three to
    six patches the errors come out 1 to 12 % too small for it.
    """
    fits = _fit(patches, candidate)
    # Loss of the fit without patch i, for every tone curve; its least one names the curve.
    remaining = fits.loss[:, None] - (fits.miss * fits.held_out).sum(axis=-1)
    chosen = remaining.argmin(axis=0)
    weight, true = sensitivities(patches.lab)
    held_out = fits.held_out[chosen, np.arange(len(true))]
    predicted = linear_to_lab(true - np.linalg.solve(weight, held_out[..., None])[..., 0])
    return Trial(candidate, predicted, difference(predicted, patches.lab))


def finish(patches: Patches, trial: Trial, source: str = "") -> Correction:
    """Fit a candidate on all patches and keep its numbers with the errors of the trial."""
    basis = trial.candidate.basis
    fits = _fit(patches, trial.candidate)
    k = int(fits.loss.argmin())
    gains, rows = fits.gains[k], np.zeros((0, 3))
    if basis == "gains":
        gains = gains * (1 + fits.numbers[k])
    else:
        rows = np.eye(3, TERMS[basis]) + fits.numbers[k].reshape(3, -1)
    return Correction(
        basis=basis,
        tone=trial.candidate.tones[k],
        gains=triple(gains),
        coefficients=tuple(tuple(float(v) for v in row) for row in rows),
        known=tuple(triple(lab) for lab in patches.lab),
        residual=triple(np.sqrt((split(trial.left_out, patches.lab) ** 2).mean(axis=0))),
        held_out=(trial.mean, float(np.percentile(trial.errors, 95))),
        source=source,
    )


def split(measured: Array, true: Array) -> Array:
    """Differences along L*, C* and H* over CIEDE2000's S_L, S_C, S_H; (n, 3) each."""
    apart = measured - true
    along = np.hypot(*measured[:, 1:].T) - np.hypot(*true[:, 1:].T)
    across = np.sqrt(np.maximum((apart[:, 1:] ** 2).sum(axis=-1) - along**2, 0))
    light, chroma, hue = lab_to_polar(true)
    weights = weights_along(light, chroma, np.radians(hue))
    return np.column_stack([apart[:, 0], along, across]) / weights


def sensitivities(lab: Array) -> tuple[Array, Array]:
    """What a step of linear light does to lightness, chroma and hue, in CIEDE2000 units.

    As derivatives (n, 3, 3), rows L*, C*, H*, and the true linear light (n, 3).
    """
    true = lab_to_linear(lab)
    step = 1e-4 * np.eye(3)[:, None]
    slope = (linear_to_lab(true + step) - linear_to_lab(true - step)) / 2e-4  # by channel first
    light, chroma, hue = lab_to_polar(lab)
    turned = axes_along(np.radians(hue)).swapaxes(1, 2) @ slope.transpose(1, 2, 0)
    return turned / weights_along(light, chroma, np.radians(hue))[..., None], true


def level_gains(seen: Array, known: Array) -> Array:
    """Gains (..., 3) that bring neutrals (..., n, 3) to their linear light on the mean.

    The light ``known`` is (n, 3), or (n, 1) where it is the same in every channel. Equal
    relative errors weigh by what they do to L*, which grows as the cube root of Y.
    """
    level = np.maximum(known, 1e-4)
    ratio = np.log(level) - np.log(np.maximum(seen, 1e-4))
    weights = level.mean(axis=1) ** (2 / 3)
    return np.exp(np.average(ratio, axis=-2, weights=weights))


def _design(even: Array, weight: Array, basis: str) -> Array:
    """Response of the weighted errors to each number of the model; (t, n, 3, p)."""
    if basis == "gains":
        return np.asarray(weight * even[..., None, :])
    phi = terms(even, basis)
    full = weight[None, ..., None] * phi[..., None, None, :]
    return np.asarray(full.reshape(*even.shape[:2], 3, -1))
