"""Propose a variety from the readings and an age class from the hatch date."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.findings import Status, judge_marks
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.sampling import draw_colours
from fieldmarks.rules.tables import Tables

DAYS_PER_MONTH = 30.44
LEAST_FIT = 0.5  # mean share of draws that must fit before a variety is worth proposing
DRAWS = 100


def propose_variety(
    readings: Sequence[Reading], tables: Tables, age: str = "adult", seed: int = 0
) -> list[tuple[str, str]]:
    """Varieties that explain the feather colours read, the best first.

    A variety scores, for the species that suits it best, the mean share of the draws in which the
    feather marks fit; marks that say nothing in a variety score nothing. Only calibrated readings
    count.

    Parameters
    ----------
    readings : sequence of Reading
    tables : Tables
    age : str
    seed : int

    Returns
    -------
    list of (variety, sentence)
        The sentence gives the evidence. Empty when no calibrated feather mark was read or nothing
        fits.
    """
    feathers = [
        r
        for r in readings
        if r.calibrated and r.mark in tables.marks and tables.marks[r.mark].kind == "feather"
    ]
    if not feathers:
        return []
    draws = {r.mark: draw_colours(r, DRAWS, seed) for r in feathers}
    scored = []
    for variety in tables.varieties:
        judged = judge_marks(tables, list(tables.species), draws, variety, age)
        best, fits = 0.0, []
        for rows in judged.values():
            read = [row.finding for row in rows if row.finding.held is not None]
            score = float(np.sum([f.held for f in read])) / len(feathers)
            if score > best:
                best, fits = score, [f for f in read if f.status is Status.FITS]
        if best >= LEAST_FIT:
            scored.append((best, variety, fits))
    scored.sort(key=lambda item: -round(item[0], 2))  # ties stay in the order of the tables
    return [
        (variety, _sentence(tables, variety, fits, len(feathers))) for _, variety, fits in scored
    ]


def _sentence(tables: Tables, variety: str, fits: Sequence, count: int) -> str:
    name = tables.varieties[variety].name
    words = ", ".join(f"{f.name} {tables.swatches[f.nearest].name}" for f in fits[:4])
    seen = f": {words}" if words else ""
    return f"{len(fits)} of {count} feather marks read fit {name}{seen}."


def age_class(tables: Tables, hatched: date, on: date) -> str:
    """Age class of a bird on a day.

    Parameters
    ----------
    tables : Tables
    hatched, on : date
        Hatch date and the day the photo was taken.

    Returns
    -------
    str
        Key of the oldest age class whose span has begun.

    Raises
    ------
    FieldmarksError
        The bird had not hatched yet.
    """
    months = (on - hatched).days / DAYS_PER_MONTH
    if months < 0:
        raise FieldmarksError(
            f"the bird hatched on {hatched}, after {on}", mend="Correct one of the dates"
        )
    begun = [row for row in tables.ages.values() if row.from_months <= months]
    return max(begun, key=lambda row: row.from_months).key
