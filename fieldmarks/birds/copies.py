"""Copies: which of several files are one photo, so that opinions on it can be compared."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.agreement import Account
from fieldmarks.measure.location import without_place
from fieldmarks.record import Record


def accounts(told: Sequence[tuple[str, Record, Callable[[], bytes]]]) -> list[Account]:
    """What each measurer made of a photo; the copy given away counts as the photo as taken.

    Parameters
    ----------
    told : sequence of (measurer, record, function that gives the photo file)
        The photo is asked for only where two files could be one photo.
    """
    files: dict[tuple[object, ...], set[str]] = {}
    for _, record, _ in told:
        files.setdefault(_says(record), set()).add(record.measurement.sha256)
    return [
        Account(who, record, given_away(photo, record) if len(files[_says(record)]) > 1 else "")
        for who, record, photo in told
    ]


def _says(record: Record) -> tuple[object, ...]:
    """What a photo still says of itself when it is given away."""
    measured = record.measurement
    facts = measured.facts
    return measured.width, measured.height, facts.camera, facts.taken


def given_away(photo: Callable[[], bytes], record: Record) -> str:
    """Fingerprint of a photo as it is given away; empty for a file that is lost or cannot be."""
    try:
        given = without_place(photo(), record.measurement.photo)
    except FieldmarksError:
        return ""
    return hashlib.sha256(given).hexdigest()
