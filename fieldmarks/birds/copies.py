"""Copies: which of several files are one photo, so that opinions on it can be compared."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.archive import digest
from fieldmarks.birds.model import Entry
from fieldmarks.birds.observation import Evidence
from fieldmarks.birds.store import Store
from fieldmarks.measure.location import without_place
from fieldmarks.record import Record


def evidence_to_compare(store: Store, entries: Sequence[Entry]) -> list[Evidence]:
    """What each measurer made of a photo; the copy given away counts as the photo as taken.

    A photo is opened only where two files could be one photo.
    """
    told = [(Evidence(b"", store.record(look), e.measurer, e.day), look)
            for e in entries for look in e.observations]  # fmt: skip
    files: dict[tuple[object, ...], set[str]] = defaultdict(set)
    for one, look in told:
        files[_says(one.record)].add(look.photo)
    return [
        replace(one, given=given_away(partial(store.photo, look), one.record))
        if len(files[_says(one.record)]) > 1
        else one
        for one, look in told
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
