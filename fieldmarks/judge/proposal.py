"""The age class of a bird on a day, from its hatch date."""

from __future__ import annotations

from datetime import date

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.rules.tables import Tables

DAYS_PER_MONTH = 30.44


def age_class(tables: Tables, hatched: date, on: date) -> str:
    """Key of the age class of a bird on a day: the oldest whose span has begun.

    Raises:
        FieldmarksError: The bird had not hatched yet.
    """
    months = (on - hatched).days / DAYS_PER_MONTH
    if months < 0:
        raise FieldmarksError(
            f"the bird hatched on {hatched}, after {on}", mend="Correct one of the dates"
        )
    begun = [row for row in tables.ages.values() if row.from_months <= months]
    return max(begun, key=lambda row: row.from_months).key
