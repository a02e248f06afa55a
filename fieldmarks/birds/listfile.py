"""Take in a keeper's existing list (CSV): looked through row by row, imported when accepted."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.model import RING_KINDS, SEXES, Bird, checked, new_id
from fieldmarks.birds.ring import fits_pattern
from fieldmarks.birds.store import Store
from fieldmarks.record import rearm
from fieldmarks.rules import Tables
from fieldmarks.rules.tables import key_of, nearest_to

MAX_BYTES = 20 * 1024 * 1024
MAX_ROWS = 50_000
# Column of the list -> field. The names of our own CSV, and plain variants of them.
COLUMNS: dict[str, str] = {
    "name": "name", "bird": "name", "ring": "ring", "ring number": "ring", "band": "ring",
    "ring kind": "ring_kind", "ring year": "ring_year", "year": "ring_year",
    "hatched": "hatched", "hatch date": "hatched", "born": "hatched",
    "hatch date is": "hatch_known", "species": "species", "variety": "variety",
    "colour": "variety", "sex": "sex", "sex known by": "sex_by", "source": "source",
    "breeder": "source", "promised": "promised", "father": "father", "mother": "mother",
    "status": "status", "notes": "notes",
}  # fmt: skip
# Worked out by the program; left alone when its own CSV comes back.
IGNORED = ("last look", "last outcome", "signs seen", "open doubts", "look due")
SEX_WORDS = {  # what keepers write
    "": "unknown",
    "m": "cock",
    "male": "cock",
    "f": "hen",
    "female": "hen",
    "?": "unknown",
}


@dataclass(frozen=True)
class RowProblem:
    """What is wrong with one cell, and the mend."""

    row: int
    column: str
    problem: str
    mend: str

    def __str__(self) -> str:
        return f"row {self.row}, {self.column}: {self.problem}. {self.mend}"


@dataclass(frozen=True)
class Preview:
    """A list looked through; nothing is imported yet.

    Parameters
    ----------
    birds : tuple of (int, Bird)
        Row number (1 is the heading) and the bird, for rows without a problem.
    problems : tuple of RowProblem
    unknown : tuple of str
        Columns that nothing was done with.
    """

    birds: tuple[tuple[int, Bird], ...]
    problems: tuple[RowProblem, ...]
    unknown: tuple[str, ...]


def preview_list(data: bytes, known: Sequence[Bird], tables: Tables, pattern: str = "") -> Preview:
    """Look through a CSV list.

    Parameters
    ----------
    data : bytes
        UTF-8 or Windows-1252; separated by commas, semicolons or tabs; the first row names columns.
    known : sequence of Bird
        Birds already in the store: parents may be among them, rings may not come twice.
    tables : Tables
    pattern : str
        Shape of ring numbers, or empty.

    Raises
    ------
    FieldmarksError
        It is no list at all.
    """
    lines, unknown, problems = _read(data)
    birds: dict[int, Bird] = {}
    words: dict[int, Mapping[str, str]] = {}
    for number, cells in lines:
        values, faults = _values(number, cells, tables, pattern)
        problems += faults
        words[number] = cells
        if not faults:
            try:
                birds[number] = checked(Bird(id=new_id(), **values))
            except (FieldmarksError, TypeError) as error:
                problems.append(RowProblem(number, "row", str(error), "Correct it"))
    problems += _twice(birds, known)
    birds, faults = _with_parents(birds, words, known)
    problems += faults
    bad = {p.row for p in problems}
    good = tuple((n, b) for n, b in birds.items() if n not in bad)
    return Preview(good, tuple(sorted(problems, key=lambda p: p.row)), unknown)


def accept_list(store: Store, preview: Preview, leave_out_bad: bool = False) -> int:
    """Import the birds of a preview, all in one go; gives how many.

    Raises
    ------
    FieldmarksError
        Rows with problems remain and were not agreed to be left out, or the birds do not fit
        together; nothing is imported then.
    """
    if preview.problems and not leave_out_bad:
        rows = len({p.row for p in preview.problems})
        raise FieldmarksError(
            f"{rows} rows have problems, so nothing was imported",
            mend="Correct them, or agree to leave those rows out",
        )
    there = {bird.id for _, bird in preview.birds} | {b.id for b in store.birds()}
    birds = {
        b.id: dataclasses.replace(
            b,
            father=b.father if b.father in there else None,
            mother=b.mother if b.mother in there else None,
        )
        for _, b in preview.birds
    }
    store.save_all(_parents_first(birds))
    return len(birds)


def _parents_first(birds: Mapping[str, Bird]) -> list[Bird]:
    from fieldmarks.birds.pedigree import kinship_order

    parents = {key: (b.father, b.mother) for key, b in birds.items()}
    order = kinship_order(parents, lambda key: birds[key].name if key in birds else key)
    return [birds[key] for key in order if key in birds]


def _read(
    data: bytes,
) -> tuple[list[tuple[int, dict[str, str]]], tuple[str, ...], list[RowProblem]]:
    """Rows by field, columns that nothing is done with, and rows that do not fit the heading."""
    if len(data) > MAX_BYTES:
        raise FieldmarksError("this list is too large", mend="Split it into smaller files")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
    first = text.split("\n", 1)[0]
    separator = max((";", "\t", ","), key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        head = [cell.strip().lower() for cell in next(reader, [])]
        fields = [COLUMNS.get(cell) for cell in head]
        if "name" not in fields and "ring" not in fields:
            raise FieldmarksError(
                "the first row names neither a 'name' nor a 'ring' column",
                mend="Put the names of the columns into the first row",
            )
        lines: list[tuple[int, dict[str, str]]] = []
        problems: list[RowProblem] = []
        for number, cells in enumerate(reader, start=2):
            row: dict[str, str] = {}
            for column, field, cell in zip(head, fields, cells, strict=False):
                value = rearm(cell.strip())
                if field is None or not value:
                    continue
                if row.get(field, value) != value:
                    problem = f"{value[:80]!r} beside {row[field][:80]!r}: both mean one thing"
                    problems.append(RowProblem(number, column, problem, "Leave one of them empty"))
                row[field] = value
            if any(cell.strip() for cell in cells[len(head) :]):
                problem = f"{len(cells)} cells, but {len(head)} columns have a name"
                mend = f"Put text that holds {separator!r} into quotes"
                problems.append(RowProblem(number, "row", problem, mend))
            if row:
                lines.append((number, row))
            if len(lines) > MAX_ROWS:
                raise FieldmarksError("this list is too long", mend="Split it into smaller files")
    except csv.Error as error:
        raise FieldmarksError(f"this is no CSV ({error})", mend="Save it as CSV again") from None
    unknown = tuple(c for c, f in zip(head, fields, strict=True)
                    if f is None and c and c not in IGNORED)  # fmt: skip
    return lines, unknown, problems


def _values(
    number: int, cells: Mapping[str, str], tables: Tables, pattern: str
) -> tuple[dict[str, Any], list[RowProblem]]:
    """Fields of one row, without its parents."""
    values: dict[str, Any] = {}
    faults: list[RowProblem] = []

    def wrong(column: str, problem: str, mend: str) -> None:
        faults.append(RowProblem(number, column, problem, mend))

    for field in ("ring", "sex_by", "source", "promised", "notes"):
        values[field] = cells.get(field, "")
    values["name"] = cells.get("name") or cells.get("ring", "")
    if values["ring"] and not fits_pattern(str(values["ring"]), pattern):
        wrong("ring", f"{values['ring']!r} does not have the shape {pattern!r}", "Correct it")
    kind = cells.get("ring_kind", "").lower() or "not known"
    kind = kind if values["ring"] else "none"
    _choice("ring kind", kind, RING_KINDS, values, "ring_kind", wrong)
    sex = cells.get("sex", "").lower()
    _choice("sex", SEX_WORDS.get(sex, sex), SEXES, values, "sex", wrong)
    known_as = cells.get("hatch_known", "").lower() or "exact"
    _choice("hatch date is", known_as, ("exact", "estimate"), values, "hatch_known", wrong)
    status = cells.get("status", "").lower() or "here"
    _choice("status", status, ("here", "given away", "dead"), values, "status", wrong)
    year = cells.get("ring_year", "")
    is_year = re.fullmatch("[0-9]{4}", year) is not None and 1950 <= int(year) <= 2200
    if year and not is_year:
        wrong("ring year", f"{year[:80]!r} is no year", "Write four digits, such as 2024")
    values["ring_year"] = int(year) if is_year else None
    if cells.get("hatched"):
        found = _date(cells["hatched"])
        if found is None:
            wrong("hatched", f"{cells['hatched']!r} is no date", "Write it as 2025-04-30")
        elif found > date.today():
            wrong("hatched", "this day is yet to come", "Correct it")
        values["hatched"] = found
    for column, rows, otherwise in (
        ("species", tables.species, None),
        ("variety", tables.varieties, "green"),
    ):
        given = cells.get(column, "")
        key = key_of(given, rows) if given else otherwise
        if given and key is None:
            wrong(column, f"{given!r} is not in the tables", nearest_to(given, rows))
        values[column] = key
    return values, faults


def _choice(
    column: str,
    given: str,
    allowed: Sequence[str],
    values: dict[str, Any],
    field: str,
    wrong: Callable[[str, str, str], None],
) -> None:
    values[field] = given
    if given not in allowed:
        wrong(column, f"{given!r} is not known", f"Use one of {', '.join(allowed)}")


def _date(text: str) -> date | None:
    for form in ("%Y-%m-%d", "%d.%m.%Y"):
        try:
            return datetime.strptime(text, form).date()
        except ValueError:
            continue
    return None


def _twice(birds: Mapping[int, Bird], known: Sequence[Bird]) -> list[RowProblem]:
    here = {b.ring for b in known if b.ring}
    unringed = {(b.name.lower(), b.hatched) for b in known if not b.ring}
    seen: dict[str, int] = {}
    faults = []
    for number, bird in birds.items():
        if not bird.ring:
            if (bird.name.lower(), bird.hatched) in unringed:
                problem = (
                    "a bird of this name and hatch date without a ring is already in the store"
                )
                mend = "Leave this row out, or give it another name"
                faults.append(RowProblem(number, "name", problem, mend))
            continue
        if bird.ring in here:
            faults.append(RowProblem(number, "ring", f"{bird.ring!r} is already in the store",
                                     "Leave this row out"))  # fmt: skip
        elif bird.ring in seen:
            faults.append(RowProblem(number, "ring", f"{bird.ring!r} is also in row "
                                     f"{seen[bird.ring]}", "Correct one"))  # fmt: skip
        seen.setdefault(bird.ring, number)
    return faults


def _with_parents(
    birds: dict[int, Bird], words: Mapping[int, Mapping[str, str]], known: Sequence[Bird]
) -> tuple[dict[int, Bird], list[RowProblem]]:
    """Turn the rings or names of parents into ids."""
    called: dict[str, list[str]] = {}
    for bird in (*known, *birds.values()):
        for name in {bird.ring.lower(), bird.name.lower()} - {""}:
            called.setdefault(name, []).append(bird.id)
    done, faults = {}, []
    for number, bird in birds.items():
        found: dict[str, str | None] = {}
        for column in ("father", "mother"):
            name = words[number].get(column, "")
            ids = called.get(name.lower(), []) if name else []
            if name and len(ids) != 1:
                problem = f"{name!r} is not in the list or the store"
                if ids:
                    problem = f"{name!r} may be {len(ids)} birds"
                faults.append(RowProblem(number, column, problem, "Give the parent's ring number"))
            found[column] = ids[0] if len(ids) == 1 else None
        done[number] = dataclasses.replace(bird, father=found["father"], mother=found["mother"])
    return done, faults
