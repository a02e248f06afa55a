"""Fit: the likeliest rendering of a photo under each of many hypotheses, all of them at once."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fieldmarks.judge.evidence import Evidence, natural_variation, swatch_colours, whitening
from fieldmarks.judge.rendering import TERMS, Array, lab_to_linear, render
from fieldmarks.rules.tables import Tables

# Degrees of freedom of Student's t, by which a mark is off: feathers and outlines are rarely far
# off, but more often than a normal distribution has it (our judgement).
FREEDOM = 5.0
LOG_T = math.lgamma((FREEDOM + 3) / 2) - math.lgamma(FREEDOM / 2)
LOG_T -= 1.5 * math.log(FREEDOM * math.pi)
NO_SHARE = 1e-4  # of a mark's weight; what is less moves nothing


class Wanted(NamedTuple):
    """What every hypothesis expects of one mark; those that expect the same are of one kind."""

    kind: npt.NDArray[np.intp]  # (hypotheses,)
    odd: Array  # (kinds,) that the mark shows none of the colours
    begins: npt.NDArray[np.intp]  # (kinds + 1,) where the colours of each kind begin
    swatch: npt.NDArray[np.intp]  # (colours,)
    share: Array  # (colours,) logarithm of the probability of each, and that the mark is not odd


class Fits(NamedTuple):
    """Of c cases: log likelihood (c,), likeliest rendering (c, 6), its covariance (c, 6, 6).

    Of a single one without the first axis.
    """

    log: Array
    terms: Array
    covariance: Array


def fit(
    tables: Tables,
    evidence: Evidence,
    wanted: Sequence[Wanted],
    cases: npt.NDArray[np.intp],
    starts: Sequence[Array],
    steps: int,
) -> Fits:
    """The likeliest rendering of each case, from the best of several starts.

    ``wanted`` holds one for each observation; ``cases``, (c, m), the kind that each expects of it.
    """
    mean, spread = evidence.prior
    rows = _Rows.of(tables, evidence, wanted, np.tile(cases, (len(starts), 1)))
    terms = np.repeat(starts, len(cases), axis=0)
    for step in range(steps + 1):
        total, pull, bend = rows.look(evidence, terms)
        bend = bend + np.diag(spread**-2)
        if step < steps:
            move = np.linalg.solve(bend, (pull - (terms - mean) / spread**2)[..., None])
            terms = terms + np.clip(move[..., 0], -1.2 * spread, 1.2 * spread)
    off = ((terms - mean) / spread) ** 2
    value = total - 0.5 * off.sum(axis=1)
    value -= 0.5 * np.linalg.slogdet(bend)[1] + np.log(spread).sum()
    best = value.reshape(len(starts), -1).argmax(axis=0) * len(cases) + np.arange(len(cases))
    return Fits(value[best], terms[best], np.linalg.inv(bend[best]))


@functools.lru_cache(maxsize=16)
def _whitened(tables: Tables, evidence: Evidence) -> tuple[Array, Array]:
    """Of every observation against every swatch, see :func:`whitening`: one for all fits of it."""
    return whitening(evidence.own[:, None] + natural_variation(tables, evidence))


@dataclass(frozen=True, eq=False)
class _Rows:
    """One row for each swatch that a case expects of an observation; rows of one lie together."""

    observed: npt.NDArray[np.intp]  # (r,)
    unit: npt.NDArray[np.intp]  # (r,) which rendered swatch
    case: npt.NDArray[np.intp]  # (r,)
    group: npt.NDArray[np.intp]  # (r,) which (case, observation)
    begins: npt.NDArray[np.intp]  # where the rows of each group begin
    log_odd: Array  # (cases, m)
    unit_case: npt.NDArray[np.intp]  # (u,)
    light: Array  # (u, 3) linear light of each unit's swatch
    lab: Array  # (r, 3) as observed
    turn: Array  # (r, 3, 3) whitens a difference
    columns: Array  # (3, 3, r) the same, its columns first and the rows of these last
    log_share: Array  # (r,) of the swatch, that the mark is not odd, and the scale of ``turn``

    @staticmethod
    def of(
        tables: Tables,
        evidence: Evidence,
        wanted: Sequence[Wanted],
        cases: npt.NDArray[np.intp],
    ) -> _Rows:
        count, many = cases.shape
        first = np.cumsum([0, *(len(w.swatch) for w in wanted)])
        asked = list(zip(wanted, cases.T, strict=True))
        begins = np.column_stack([w.begins[k] for w, k in asked])
        ends = np.column_stack([w.begins[k + 1] for w, k in asked])
        long = (ends - begins).ravel()
        group = np.repeat(np.arange(count * many), long)
        starts = np.cumsum(long) - long
        case, observed = np.divmod(group, many)
        row = np.arange(len(group)) - starts[group] + (begins + first[:-1]).ravel()[group]
        swatch = np.concatenate([w.swatch for w in wanted])[row]
        swatches = len(tables.swatch_number)
        units, unit = np.unique(case * swatches + swatch, return_inverse=True)
        turns, scale = _whitened(tables, evidence)
        turn = turns[observed, swatch]
        odd = np.column_stack([w.odd[k] for w, k in asked])
        return _Rows(
            observed=observed,
            unit=unit,
            case=case,
            group=group,
            begins=starts,
            log_odd=np.log(odd) + evidence.any,
            unit_case=units // swatches,
            light=lab_to_linear(swatch_colours(tables)[0])[units % swatches],
            lab=evidence.lab[observed],
            turn=turn,
            columns=np.ascontiguousarray(turn.transpose(2, 1, 0)),
            log_share=np.concatenate([w.share for w in wanted])[row] + scale[observed, swatch]
            + LOG_T,
        )  # fmt: skip

    def look(self, evidence: Evidence, terms: Array) -> tuple[Array, Array, Array]:
        """Log likelihood of each case, its slope and its curvature in the terms, (cases, 6)."""
        middle, moves = render(self.light, terms[self.unit_case], evidence.top)
        off = self.lab - middle.take(self.unit, axis=0)
        off = np.einsum("rij,rj->ri", self.turn, off)
        away = 1 + np.einsum("ri,ri->r", off, off) / FREEDOM
        log = self.log_share - (FREEDOM + 3) / 2 * np.log(away)
        odd = self.log_odd.ravel()
        peak = np.maximum(np.maximum.reduceat(log, self.begins), odd)
        share = np.exp(log - peak[self.group])
        total = np.add.reduceat(share, self.begins) + np.exp(odd - peak)
        weight = share / total[self.group] * evidence.weight[self.observed]
        # What has no share in explaining its reading does not pull.
        near = np.flatnonzero(weight > NO_SHARE)
        root = np.sqrt((FREEDOM + 3) / FREEDOM * weight[near] / away[near])
        # Rows last: many at a time, where a small matrix of each would be slow.
        turn = self.columns.take(near, axis=2) * root
        along = np.moveaxis(moves, 0, 2).take(self.unit[near], axis=2)
        move = turn[0, :, None] * along[0]
        move[1:] += turn[1, 1:, None] * along[1]  # above it lie zeros
        move[2] += turn[2, 2] * along[2]
        move = np.moveaxis(move, 2, 0).reshape(-1, len(TERMS))
        off = (off[near] * root[:, None]).ravel()
        ends = 3 * np.searchsorted(self.case[near], np.arange(len(terms) + 1))
        pairs = [slice(*pair) for pair in itertools.pairwise(ends)]
        pull = np.stack([off[mine] @ move[mine] for mine in pairs])
        bend = np.stack([move[mine].T @ move[mine] for mine in pairs])
        total = (peak + np.log(total)).reshape(self.log_odd.shape)
        return (total * evidence.weight).sum(axis=1), pull, bend
