"""Readings of birds of known origin, from a list of their records.

The list is a CSV file (RFC 4180) with the columns ``record`` (a record file, seen from the list's
own folder), ``bird`` (leg ring number) and ``camera``; a column ``origin`` may say for each bird
how its ancestry is known.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fieldmarks._util.csv_rows import csv_rows
from fieldmarks._util.errors import FieldmarksError, TableError
from fieldmarks.measure.colour import difference
from fieldmarks.measure.quantities import Reading
from fieldmarks.record import RECORD_SUFFIX, Record
from fieldmarks.rules.learning import Sample
from fieldmarks.rules.plumage import expected
from fieldmarks.rules.tables import Tables

COLUMNS = ("record", "bird", "camera")


@dataclass(frozen=True)
class KnownBirds:
    """Samples to learn a swatch from, and in plain words what was left out and why."""

    samples: tuple[Sample, ...]
    left_out: tuple[str, ...]


def read_known_birds(
    path: Path, tables: Tables, swatch: str, marks: Sequence[str], origin: str = ""
) -> KnownBirds:
    """Collect the readings of birds of known origin that show a swatch.

    A reading counts when the record says what species the bird is, when that species shows the
    swatch, and no other colour beside it, at that mark, and when no other colour the species may
    show there is nearer. Where there are such other colours, the nearest readings alone make the
    learned spread a little too small.

    Args:
        marks: Whose readings are taken.
        origin: How the ancestry of all birds is known, where the list does not say it.

    Raises:
        FieldmarksError: The list or a record cannot be read, a column or cell is missing, or a
            photo is listed twice.
        TableError: There is no such swatch or mark.
    """
    for what, key, known in [
        ("swatch", swatch, tables.swatches),
        *(("mark", mark, tables.marks) for mark in marks),
    ]:
        if key not in known:
            raise TableError(f"there is no {what} {key!r}", mend=f"Use one of {', '.join(known)}")
    samples: list[Sample] = []
    left_out: list[str] = []
    listed: dict[str, int] = {}
    for line, row in _rows(path):
        where = f"{path.name}, line {line}"
        file = path.parent / row["record"]
        record = Record.from_json(_bytes(file, where), file.name)
        photo = record.measurement
        if photo.sha256 in listed:
            raise FieldmarksError(
                f"the photo {photo.photo!r} is already in line {listed[photo.sha256]}",
                where=where,
                mend="List each photo once, with one bird",
            )
        listed[photo.sha256] = line
        for reading in photo.readings:
            if reading.mark not in marks:
                continue
            why = _unfit(record, reading, tables, swatch)
            if why:
                left_out.append(f"{row['record']}, {tables.marks[reading.mark].name}: {why}")
                continue
            known_by = row.get("origin") or origin
            samples.append(Sample(reading, row["bird"], photo.sha256, row["camera"], known_by))
    return KnownBirds(tuple(samples), tuple(left_out))


def _rows(path: Path) -> Iterator[tuple[int, dict[str, str]]]:
    """Line number and cells of each row."""
    try:
        lines = list(csv_rows(_bytes(path, path.name))[1])
    except FieldmarksError as error:
        raise FieldmarksError(error.problem, where=path.name, mend=error.mend) from None
    head = lines[0][1] if lines else []
    if missing := [c for c in COLUMNS if c not in head]:
        raise FieldmarksError(
            f"the column {missing[0]!r} is missing",
            where=path.name,
            mend=f"The first line must be: {','.join(COLUMNS)}",
        )
    for number, cells in lines[1:]:
        row = dict(zip(head, (cell.strip() for cell in cells), strict=False))
        if not any(row.values()):
            continue
        where = f"{path.name}, line {number}"
        if empty := [c for c in COLUMNS if not row.get(c)]:
            mend = "Fill it in, or leave the line out"
            raise FieldmarksError(f"{empty[0]!r} is empty", where=where, mend=mend)
        if not row["record"].endswith(RECORD_SUFFIX):
            problem = f"{row['record']!r} is no record file"
            mend = f"Name a file that ends in {RECORD_SUFFIX}"
            raise FieldmarksError(problem, where=where, mend=mend)
        yield number, row


def _unfit(record: Record, reading: Reading, tables: Tables, swatch: str) -> str:
    """Why a reading cannot show what a swatch looks like; empty when it can."""
    question = record.question
    species = question.claimed
    if not reading.calibrated:
        return "no usable grey card"
    if species not in tables.species:
        return "its record does not say what species the bird is"
    row = expected(tables, species, reading.mark, question.variety, question.age)
    if swatch not in row.swatches:
        return f"{species} does not show {tables.swatches[swatch].name} there"
    if row.mixed:
        return f"{species} shows several colours there"
    gaps = difference(np.array(reading.lab), np.array([tables.lab[k] for k in row.swatches]))
    nearest = row.swatches[int(np.argmin(gaps))]
    return "" if nearest == swatch else f"it is nearer to {tables.swatches[nearest].name}"


def _bytes(path: Path, where: str) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        problem = f"{path.name} cannot be opened ({error.strerror})"
        raise FieldmarksError(problem, where=where, mend="Check the file name") from None
