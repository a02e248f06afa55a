"""Batch: results of one photo on disk, and of a whole folder, one after the other.

A folder run can be stopped at any point and started again: a photo is skipped when its record was
made from the same photo, regions, question, program and tables.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fieldmarks import __version__
from fieldmarks.annotation import read_region_file
from fieldmarks.errors import FieldmarksError, PhotoError
from fieldmarks.optics.phone_profile import PhoneProfile
from fieldmarks.photo import SUFFIXES, Photo
from fieldmarks.record import (
    FINDING_COLUMNS,
    READING_COLUMNS,
    RECORD_SUFFIX,
    Question,
    Record,
    finding_rows,
    reading_rows,
    record_from_json,
    record_of_file,
    region_file_of,
    to_csv,
    write_record,
    write_whole,
)
from fieldmarks.report.picture import annotate, to_jpeg
from fieldmarks.resources import shipped
from fieldmarks.tables import Tables

PROBLEM_COLUMNS = ("photo", "problem")


@dataclass(frozen=True)
class Summary:
    """What came of a folder: photos measured now, kept from before, and problems in words."""

    done: int
    kept: int
    problems: tuple[str, ...]


def photos_in(folder: Path) -> list[Path]:
    """Photos of a folder, in the order of their names.

    Raises
    ------
    PhotoError
        The folder is missing or holds no photo.
    """
    if not folder.is_dir():
        raise PhotoError("there is no such folder", where=str(folder), mend="Check its name")
    photos = sorted(p for p in folder.iterdir() if p.suffix.lower() in SUFFIXES and p.is_file())
    if not photos:
        raise PhotoError(
            "no photo lies in this folder",
            where=str(folder),
            mend=f"Photos end in {', '.join(SUFFIXES)}",
        )
    return photos


def assess_many(
    photos: Sequence[Path],
    into: Path,
    tables: Tables,
    question: Question,
    again: bool = False,
    phone: PhoneProfile | None = None,
    after_each: Callable[[], None] = lambda: None,
) -> Summary:
    """Assess photos one after the other; one bad file never stops the rest.

    Writes each photo's results, then ``readings.csv``, ``findings.csv`` and ``problems.csv`` over
    all photos.
    """
    records: list[Record] = []
    problems: list[tuple[str, str]] = []
    done = kept = 0
    for path in photos:
        earlier = None if again else _earlier_record(path, into, tables, question, phone)
        try:
            if earlier is not None:
                records.append(earlier)
                kept += 1
            else:
                record, photo = record_of_file(path, tables, question, phone=phone)
                write_results(record, photo, tables, into)
                records.append(record)
                done += 1
        except FieldmarksError as error:
            problems.append((path.name, str(error)))
        after_each()
    _write_overview(records, problems, into)
    return Summary(done, kept, tuple(text for _, text in problems))


def write_results(record: Record, photo: Photo, tables: Tables, folder: Path) -> Path:
    """Write record, tables and annotated photo; gives the path of the record, written last."""
    picture = picture_of(record, photo, tables)
    write_whole(folder / f"{Path(photo.name).stem}.marked.jpg", picture)
    return write_record(record, folder)


def picture_of(record: Record, photo: Photo, tables: Tables, suffix: str = ".jpg") -> bytes:
    """The annotated photo as JPEG or PNG bytes.

    Raises
    ------
    PhotoError
        The ending names no kind of picture that can be written.
    """
    import io

    names = {key: mark.name for key, mark in tables.marks.items()}
    colours = {r.mark: r.lab for r in record.measurement.readings}
    picture = annotate(photo, record.measurement.regions.regions, names, colours)
    if suffix.lower() in (".jpg", ".jpeg"):
        return to_jpeg(picture)
    if suffix.lower() == ".png":
        buffer = io.BytesIO()
        picture.save(buffer, "PNG")
        return buffer.getvalue()
    raise PhotoError(
        f"a picture cannot be written as {suffix!r}", mend="Let the name end in .jpg or .png"
    )


def _earlier_record(
    path: Path,
    into: Path,
    tables: Tables,
    question: Question,
    phone: PhoneProfile | None,
) -> Record | None:
    """The record of an earlier run, if it answers the same question from the same files."""
    import hashlib

    place = into / f"{path.stem}{RECORD_SUFFIX}"
    try:
        record = record_from_json(place.read_bytes())
        same_photo = record.measurement.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
        regions = read_region_file(region_file_of(path)).regions
    except (OSError, FieldmarksError):
        return None
    same = (
        same_photo
        and record.program == __version__
        and record.question == question
        and record.phone == phone
        and record.measurement.regions.regions == regions
        and record.assessment.table_fingerprint == tables.fingerprint
    )
    return record if same else None


def _write_overview(
    records: Iterable[Record], problems: Iterable[tuple[str, str]], into: Path
) -> None:
    records = list(records)
    readings = (row for record in records for row in reading_rows(record))
    findings = (row for record in records for row in finding_rows(record))
    rows = (dict(zip(PROBLEM_COLUMNS, problem, strict=True)) for problem in problems)
    write_whole(into / "readings.csv", to_csv(READING_COLUMNS, readings))
    write_whole(into / "findings.csv", to_csv(FINDING_COLUMNS, findings))
    write_whole(into / "problems.csv", to_csv(PROBLEM_COLUMNS, rows))


def demo_birds() -> dict[str, Path]:
    """Name -> photo of the invented demo birds."""
    return {p.stem: p for p in sorted(shipped("demo_images").glob("*.jpg"))}


def demo_question(photo: Path) -> tuple[Question, str]:
    """What is asked about a demo bird, and its invented story, from its side file."""
    side = json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))
    sold_as = side.get("sold_as")
    story = str(side.get("scenario", ""))
    return Question(claimed=sold_as), f"{story} Sold as {sold_as}." if sold_as else story
