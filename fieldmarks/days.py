"""Photos of a folder that show one bird on one day, judged together where a list names the bird."""

import re
from collections.abc import Mapping, Sequence
from itertools import islice
from pathlib import Path

from fieldmarks._util.atomic_write import write_whole
from fieldmarks._util.csv_rows import csv_rows
from fieldmarks._util.errors import FieldmarksError, told_if_not_opened
from fieldmarks.pipeline import examine
from fieldmarks.record import RECORD_SUFFIX, Record, to_csv, write_record
from fieldmarks.rules import Tables

LIST_NAME = "birds.csv"  # beside the photos: photo, bird and, if wished, day
COLUMNS = ("bird", "day", "photos", "outcome", "sentence", "photos disagree on")


def named_birds(folder: Path) -> dict[str, tuple[str, str]]:
    """Photo -> bird and day, from the list in a folder of photos; empty without a list.

    Raises:
        FieldmarksError: The list cannot be read, lacks a column, or names a photo twice.
    """
    path = folder / LIST_NAME
    if not path.exists():
        return {}
    found: dict[str, tuple[str, str]] = {}
    with told_if_not_opened(LIST_NAME, "Check the file"):
        data = path.read_bytes()
    try:
        lines = csv_rows(data)[1]
        head = [cell.strip().lower() for _, cells in islice(lines, 1) for cell in cells]
        for number, cells in lines:
            row = dict(zip(head, map(str.strip, cells), strict=False))
            photo, bird, day = (row.get(column, "") for column in ("photo", "bird", "day"))
            if not (photo and bird):
                wrong = "photo or bird is missing"
                mend = "Give it the columns photo, bird and, if you like, day"
            elif not (folder / photo).is_file():
                wrong, mend = f"there is no {photo}", "Write the photo's name as it is"
            elif photo in found:
                wrong, mend = f"{photo} is named twice", "Leave one of the rows"
            else:
                found[photo] = bird, day
                continue
            raise FieldmarksError(f"row {number}: {wrong}", mend=mend)
    except FieldmarksError as error:
        raise FieldmarksError(error.problem, where=LIST_NAME, mend=error.mend) from None
    return found


def judge_days(
    measured: Sequence[str], birds: Mapping[str, tuple[str, str]], into: Path, tables: Tables
) -> tuple[str, ...]:
    """Judge together the photos of one bird and one day; gives the problems in words.

    Writes a file for each bird and day with several photos, and ``together.csv`` over all of them.

    Args:
        measured: Names of the photos whose records lie in ``into``.
        birds (mapping of str to (str, str)): As :func:`named_birds` gives them; a day that is not
            said is the one in the photo file.
    """
    groups: dict[tuple[str, str], list[Record]] = {}
    for photo in measured:
        if photo in birds:
            record = Record.from_file(into / f"{Path(photo).stem}{RECORD_SUFFIX}")
            bird, day = birds[photo]
            day = day or record.measurement.facts.taken[:10].replace(":", "-")
            groups.setdefault((bird, day), []).append(record)
    rows, problems, stems = [], [], set()
    for (bird, day), records in sorted(groups.items()):
        if len(records) < 2:
            continue
        stem = re.sub(r"[^\w. -]", "_", f"{bird} {day}".strip()).lstrip(".")
        try:
            if stem.lower() in stems:
                raise FieldmarksError("another bird has nearly this name", mend="Rename one")
            stems.add(stem.lower())
            found = examine(records, tables)
        except FieldmarksError as error:
            problems.append(f"{bird}, {day or 'no day'}: {error}")
            continue
        write_record(found, into, stem)
        said, apart = found.conclusion, found.assessment.disagreements
        values = (bird, day, found.photo, said.outcome, said.sentence,
                  "; ".join(dict.fromkeys(row.name for row in apart)))  # fmt: skip
        rows.append(dict(zip(COLUMNS, values, strict=True)))
    write_whole(into / "together.csv", to_csv(COLUMNS, rows))
    return tuple(problems)
