"""Fitting: find the correction that patches of known colour ask for, and how well it predicts.

Once the tone curve is given, every model is linear in its numbers. Errors are counted in CIELAB
divided by CIEDE2000's weights, linearised at the true colour, so a fit is one ridge regression
towards "change nothing". Leaving a patch out then has a closed form (the PRESS residual of Allen
1974, here with three rows to a patch). The tone curve is searched on a grid, anew for every patch
that is left out. Models are compared by the mean CIEDE2000 of the left-out patches.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from fieldmarks.measure.colour import difference, lab_to_linear, linear_to_lab
from fieldmarks.measure.correction import (
    TERMS,
    Array,
    Basis,
    Correction,
    is_monotone,
    straighten,
    terms,
)
from fieldmarks.measure.quantities import difference_weights

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
class Patches:
    """Patches as photographed and as they are.

    Parameters
    ----------
    rgb : (n, 3) array
        Linear light in the photo, the file's white at 1.
    lab : (n, 3) array
        True CIELAB, D65, 2 degrees.
    neutral : (n,) bool array
        Patches that may set the gains.
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


def choose(
    patches: Patches, source: str = "", tone: bool = True, colour: bool = True
) -> Correction:
    """The correction whose left-out patches come out best, fitted on all patches.

    Parameters
    ----------
    patches : Patches
    source : str
        Where they come from, in words.
    tone, colour : bool
        Whether a tone curve, and whether more than gains, may be tried.
    """
    return finish(patches, choose_trial(patches, tone, colour), source)


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
    curves = [STRAIGHT, bends(), curves_of_two()] if tone else [STRAIGHT]
    bases: tuple[Basis, ...] = ("gains", "matrix", "root-polynomial") if colour else ("gains",)
    for basis in bases:
        if coloured < NEED_COLOURED[basis]:
            continue
        for tones in curves:
            for looseness in LOOSENESS if basis != "gains" else LOOSENESS[:1]:
                candidate = Candidate(basis, looseness, tones)
                if count - 1 >= candidate.numbers or candidate.numbers == 1:
                    yield candidate


@lru_cache(maxsize=1)
def bends() -> Tones:
    """Tone curves of one number."""
    return tuple((float(b), 0.0) for b in np.linspace(-0.6, 0.6, 25))


@lru_cache(maxsize=1)
def curves_of_two() -> Tones:
    """Tone curves of two numbers, those that rise everywhere."""
    grid = ((float(b), float(c)) for b in np.linspace(-0.6, 0.6, 13)
            for c in np.linspace(-0.6, 1.0, 17))  # fmt: skip
    return tuple(t for t in grid if is_monotone(t))


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
    gains = _gains(straight, true, patches.neutral)
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
        gains=_triple(gains),
        coefficients=tuple(tuple(float(v) for v in row) for row in rows),
        known=tuple(_triple(lab) for lab in patches.lab),
        residual=_triple(np.sqrt((split(trial.left_out, patches.lab) ** 2).mean(axis=0))),
        held_out=(trial.mean, float(np.percentile(trial.errors, 95))),
        source=source,
    )


def split(measured: Array, true: Array) -> Array:
    """Differences along L*, C* and H* over CIEDE2000's S_L, S_C, S_H; (n, 3) each."""
    weights = np.array([difference_weights(_triple(lab)) for lab in true])
    apart = measured - true
    along = np.hypot(*measured[:, 1:].T) - np.hypot(*true[:, 1:].T)
    across = np.sqrt(np.maximum((apart[:, 1:] ** 2).sum(axis=-1) - along**2, 0))
    return np.asarray(np.column_stack([apart[:, 0], along, across]) / weights)


def sensitivities(lab: Array) -> tuple[Array, Array]:
    """What a step of linear light does to lightness, chroma and hue, in CIEDE2000 units.

    Returns
    -------
    (n, 3, 3) array of derivatives, rows L*, C*, H*, and (n, 3) true linear light.
    """
    true = lab_to_linear(lab)
    step = 1e-4
    slope = np.stack(
        [
            (linear_to_lab(true + step * e) - linear_to_lab(true - step * e)) / (2 * step)
            for e in np.eye(3)
        ],
        axis=-1,
    )
    angle = np.arctan2(lab[:, 2], lab[:, 1])
    turn = np.zeros((len(lab), 3, 3))
    turn[:, 0, 0] = 1
    turn[:, 1, 1] = turn[:, 2, 2] = np.cos(angle)
    turn[:, 1, 2], turn[:, 2, 1] = np.sin(angle), -np.sin(angle)
    scale = np.array([difference_weights(_triple(row)) for row in lab])
    return turn @ slope / scale[..., None], true


def _gains(straight: Array, true: Array, neutral: npt.NDArray[np.bool_]) -> Array:
    """Gains (t, 3) that bring the neutral patches, or else all, to their values on the mean."""
    use = neutral if neutral.any() else np.ones(len(neutral), bool)
    level = np.maximum(true[use], 1e-4)
    # Equal relative errors weigh by what they do to L*, which grows as the cube root of Y.
    weight = level.mean(axis=1) ** (2 / 3)
    ratio = np.log(level) - np.log(np.maximum(straight[:, use], 1e-4))
    return np.asarray(np.exp(np.einsum("n,tnc->tc", weight / weight.sum(), ratio)))


def _design(even: Array, weight: Array, basis: str) -> Array:
    """Response of the weighted errors to each number of the model; (t, n, 3, p)."""
    if basis == "gains":
        return np.asarray(weight * even[..., None, :])
    phi = terms(even, basis)
    full = weight[None, ..., None] * phi[..., None, None, :]
    return np.asarray(full.reshape(*even.shape[:2], 3, -1))


def _triple(values: Sequence[float] | Array) -> tuple[float, float, float]:
    one, two, three = (float(v) for v in values)
    return one, two, three
