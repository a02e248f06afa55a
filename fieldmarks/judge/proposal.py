"""Propose a variety from the readings and an age class from the hatch date."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.judge.model import Explained, explain
from fieldmarks.judge.scale import LIKELY, STRONG, share
from fieldmarks.measure.quantities import Reading
from fieldmarks.rules.tables import Tables

DAYS_PER_MONTH = 30.44


def propose_variety(
    readings: Sequence[Reading], tables: Tables, age: str = "adult"
) -> list[tuple[str, str]]:
    """Varieties that explain the feather colours read, the best first.

    Each variety counts with all species together. Those a hundred times less likely than the best
    are left out, and all where a bird of no known species explains the feathers better.

    Parameters
    ----------
    readings : sequence of Reading
    tables : Tables
    age : str

    Returns
    -------
    list of (variety, sentence)
        The sentence gives the evidence. Empty when no feather mark was read or nothing fits.
    """
    marks = tables.marks
    feathers = [r for r in readings if r.mark in marks and marks[r.mark].kind == "feather"]
    if not feathers:
        return []
    found = explain(tables, feathers, (), next(iter(tables.varieties)), age)
    known = [e for e in found if e.what.pure and e.what.age == age]
    unknown = max(e.log_likelihood for e in found if not e.what.species)
    scored = []
    for variety in tables.varieties:
        rows = [e for e in known if e.what.variety == variety]
        best = max(rows, key=lambda e: e.log_likelihood)
        score = float(np.logaddexp.reduce([e.log_likelihood for e in rows])) - np.log(len(rows))
        if best.log_likelihood > unknown:
            scored.append((score, best))
    scored.sort(key=lambda item: -round(item[0], 1))  # ties stay in the order of the tables
    return [
        (best.what.variety, _sentence(tables, best, len(feathers)))
        for score, best in scored
        if score > scored[0][0] - np.log(STRONG)
    ]


def _sentence(tables: Tables, best: Explained, count: int) -> str:
    fits = [mark for mark, ratio in best.ratios.items() if share(ratio) >= LIKELY]
    named = ", ".join(tables.marks[mark].name for mark in fits[:4])
    name = tables.varieties[best.what.variety].name
    return f"{len(fits)} of {count} feather marks read fit {name}{f': {named}' if fits else ''}."


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
