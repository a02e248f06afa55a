"""Copies: which of several files are one photo, so that opinions on it can be compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.agreement import Account
from fieldmarks.birds.archive import digest
from fieldmarks.birds.model import Entry
from fieldmarks.birds.store import Store
from fieldmarks.measure.location import without_place
from fieldmarks.record import Record


def accounts_of(store: Store, entries: Sequence[Entry]) -> list[Account]:
    """What each measurer made of a photo; the copy given away counts as the photo as taken.

    A photo is opened only where two files could be one photo.
    """
    told = [(e.measurer, store.record(o), o) for e in entries for o in e.observations]
    files: dict[tuple[object, ...], set[str]] = {}
    for _, record, look in told:
        files.setdefault(_says(record), set()).add(look.photo)
    return [
        Account(
            who,
            record,
            given_away(partial(store.photo, look), record) if len(files[_says(record)]) > 1 else "",
        )
        for who, record, look in told
    ]


def _says(record: Record) -> tuple[object, ...]:
    """What a photo still says of itself when it is given away."""
    measured = record.measurement
    return measured.width, measured.height, measured.facts.camera, measured.facts.taken


def given_away(photo: Callable[[], bytes], record: Record) -> str:
    """Fingerprint of a photo as it is given away; empty for a file that is lost or cannot be."""
    try:
        given = without_place(photo(), record.measurement.photo)
    except FieldmarksError:
        return ""
    return digest(given)
