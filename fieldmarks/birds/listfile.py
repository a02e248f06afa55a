"""Take in a keeper's existing list (CSV): looked through row by row, imported when accepted.

What columns and cells are called in several languages stands in ``data/list_words.toml``.
"""

from __future__ import annotations

import functools
import re
import tomllib
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict

from fieldmarks._util.csv_rows import csv_rows
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.family import parent_faults
from fieldmarks.birds.model import EARLIEST, Bird, checked, new_id
from fieldmarks.birds.ring import fits_pattern, ring_key, same_ring
from fieldmarks.birds.store import Store
from fieldmarks.record import rearm
from fieldmarks.rules import Tables
from fieldmarks.rules.tables import key_of, nearest_to

MAX_ROWS = 50_000
USUAL = {"sex": "unknown", "ring_kind": "not known", "hatch_known": "exact", "status": "here"}
YEAR_FIRST = re.compile(r"(\d{4})([-/.])(\d\d?)\2(\d\d?)(?:[ T]00:00(?::00)?)?")
YEAR_LAST = re.compile(r"(\d\d?)([-/.])(\d\d?)\2(\d{4})")


class ListWords(BaseModel):
    """Words of keepers' lists: of columns by field, and of cells by field and value."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    evidence: str
    columns: dict[str, tuple[str, ...]]
    ignored: dict[str, tuple[str, ...]]
    values: dict[str, dict[str, tuple[str, ...]]]

    @functools.cached_property
    def fields(self) -> dict[str, str]:
        """Word of a column -> field."""
        return {bare(w): field for field, words in self.columns.items() for w in words}

    @functools.cached_property
    def cells(self) -> dict[str, dict[str, str]]:
        """Field -> word of a cell -> value."""
        return {
            field: {bare(w): value for value, words in rows.items() for w in words}
            for field, rows in self.values.items()
        }


@functools.lru_cache(maxsize=1)
def list_words() -> ListWords:
    """The shipped words."""
    path = Path(__file__).parent / "data" / "list_words.toml"
    return ListWords.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))


def bare(word: str) -> str:
    """A word for comparing: no capitals, accents, colons or doubled spaces."""
    if word.isascii():
        return " ".join(word.lower().strip(" :\t").split())
    spread = unicodedata.normalize("NFKD", word.casefold())
    letters = "".join(c for c in spread if not unicodedata.combining(c))
    return " ".join(letters.strip(" :\t").split())


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

    Args:
        birds (tuple of (int, Bird)): Row number (1 is the heading) and the bird, for rows without a
            problem.
        unknown: Columns that nothing was done with.
    """

    birds: tuple[tuple[int, Bird], ...]
    problems: tuple[RowProblem, ...]
    unknown: tuple[str, ...]


def preview_list(data: bytes, known: Sequence[Bird], tables: Tables, pattern: str = "") -> Preview:
    """Look through a CSV list.

    Args:
        data: UTF-8, UTF-16 or Windows-1252; separated by commas, semicolons or tabs; the first row
            names the columns.
        known: Birds already in the store: parents may be among them, rings may not come twice.
        pattern: Shape of ring numbers, or empty.

    Raises:
        FieldmarksError: It is no list, or a quote makes its rows run into each other; names the
            row.
    """
    lines, unknown, problems = _read(data)
    row_of = _Row(tables, pattern, _month_first([c.get("hatched", "") for _, c in lines]))
    birds: dict[int, Bird] = {}
    for number, cells in lines:
        values, faults = row_of.values(number, cells)
        problems += faults
        if not faults:
            try:
                birds[number] = checked(Bird(id=new_id(), **values))
            except (FieldmarksError, TypeError) as error:
                problems.append(RowProblem(number, "row", str(error), "Correct it"))
    problems += _twice(birds, known)
    birds, faults = _with_parents(birds, dict(lines), known)
    problems += faults
    bad = {p.row for p in problems}
    good = tuple((n, b) for n, b in birds.items() if n not in bad)
    return Preview(good, tuple(sorted(problems, key=lambda p: p.row)), unknown)


def accept_list(store: Store, preview: Preview, leave_out_bad: bool = False) -> int:
    """Import the birds of a preview, all in one go; gives how many.

    Raises:
        FieldmarksError: Rows with problems remain and were not agreed to be left out, or the birds
            do not fit together; nothing is imported then.
    """
    if preview.problems and not leave_out_bad:
        rows = len({p.row for p in preview.problems})
        raise FieldmarksError(
            f"{rows} rows have problems, so nothing was imported",
            mend="Correct them, or agree to leave those rows out",
        )
    there = {bird.id for _, bird in preview.birds} | {b.id for b in store.birds()}
    birds = {
        b.id: replace(
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


Lines = list[tuple[int, dict[str, str]]]


def _read(data: bytes) -> tuple[Lines, tuple[str, ...], list[RowProblem]]:
    """Rows by field, columns that nothing is done with, and rows that do not fit the heading."""
    words = list_words()
    separator, rows = csv_rows(data)
    head = [" ".join(cell.split()).lower() for cell in next(rows, (1, []))[1]]
    fields = [words.fields.get(bare(cell)) for cell in head]
    if "name" not in fields and "ring" not in fields:
        found = ", ".join(repr(cell[:40]) for cell in head if cell)[:200] or "nothing"
        raise FieldmarksError(
            f"row 1: it names neither a 'name' nor a 'ring' column, but {found}",
            mend="Put the names of the columns into the first row",
        )
    lines: Lines = []
    problems: list[RowProblem] = []
    for number, cells in rows:
        row: dict[str, str] = {}
        for column, name, cell in zip(head, fields, cells, strict=False):
            value = rearm(cell.strip())
            if name is None or not value:
                continue
            if row.get(name, value) != value:
                problem = f"{value[:80]!r} beside {row[name][:80]!r}: both mean one thing"
                problems.append(RowProblem(number, column, problem, "Leave one of them empty"))
            row[name] = value
        if any(cell.strip() for cell in cells[len(head) :]):
            problem = f"{len(cells)} cells, but {len(head)} columns have a name"
            mend = f"Put text that holds {separator!r} into quotes"
            problems.append(RowProblem(number, "row", problem, mend))
        if row:
            lines.append((number, row))
        if len(lines) > MAX_ROWS:
            raise FieldmarksError("this list is too long", mend="Split it into smaller files")
    ignored = words.ignored["columns"]
    unknown = tuple(
        c for c, f in zip(head, fields, strict=True) if not f and c and c not in ignored
    )
    return lines, unknown, problems


def _month_first(days: Sequence[str]) -> bool | None:
    """Whether the days of a list name the month first (04/30/2025); None when no day tells."""
    told = set()
    for found in filter(None, map(YEAR_LAST.fullmatch, days)):
        if found[2] != "." and (int(found[1]) > 12) != (int(found[3]) > 12):
            told.add(int(found[3]) > 12)
    return told.pop() if len(told) == 1 else None


@dataclass(frozen=True)
class _Row:
    """How the rows of one list are read."""

    tables: Tables
    pattern: str
    month_first: bool | None
    keys: dict[tuple[str, str], str | None] = field(default_factory=dict)  # looked up once

    def values(
        self, number: int, cells: Mapping[str, str]
    ) -> tuple[dict[str, Any], list[RowProblem]]:
        """Fields of one row, without its parents."""
        words, faults = list_words(), []

        def wrong(column: str, problem: str, mend: str) -> None:
            faults.append(RowProblem(number, column, problem, mend))

        texts = ("ring", "sex_by", "source", "promised", "notes")
        values: dict[str, Any] = {name: cells.get(name, "") for name in texts}
        values["name"] = cells.get("name") or values["ring"]
        if values["ring"] and not fits_pattern(values["ring"], self.pattern):
            wrong(
                "ring", f"{values['ring']!r} does not have the shape {self.pattern!r}", "Correct it"
            )
        for part, usual in USUAL.items():
            given, known = cells.get(part, ""), words.cells[part]
            values[part] = known.get(bare(given), given) if given else usual
            if given and bare(given) not in known:
                column = words.columns[part][0]
                mend = f"Use one of {', '.join(words.values[part])}"
                wrong(column, f"{given[:80]!r} is not known", mend)
        if not values["ring"]:
            values["ring_kind"] = "none"
        year = cells.get("ring_year", "")
        is_year = re.fullmatch("[0-9]{4}", year) is not None and 1950 <= int(year) <= 2200
        if year and not is_year:
            wrong("ring year", f"{year[:80]!r} is no year", "Write four digits, such as 2024")
        values["ring_year"] = int(year) if is_year else None
        if given := cells.get("hatched", ""):
            found = self.day(given)
            values["hatched"] = found if isinstance(found, date) else None
            if isinstance(found, str):
                wrong("hatched", f"{given[:80]!r} {found}", "Write it as 2025-04-30")
            elif not EARLIEST <= found <= date.today():
                wrong("hatched", f"{found} is yet to come or cannot be right", "Correct it")
        kinds: tuple[tuple[str, Mapping[str, object], str | None], ...] = (
            ("species", self.tables.species, None),
            ("variety", self.tables.varieties, "green"),
        )
        for column, rows, otherwise in kinds:
            given = cells.get(column, "")
            if (column, given) not in self.keys:
                self.keys[column, given] = key_of(given, rows) if given else otherwise
            values[column] = self.keys[column, given]
            if given and values[column] is None:
                wrong(column, f"{given[:80]!r} is not in the tables", nearest_to(given, rows))
        return values, faults

    def day(self, text: str) -> date | str:
        """A day, or what is wrong with it."""
        if found := YEAR_FIRST.fullmatch(text):
            year, month, day = int(found[1]), int(found[3]), int(found[4])
        elif found := YEAR_LAST.fullmatch(text):
            day, month, year = int(found[1]), int(found[3]), int(found[4])
            if found[2] != "." and self.month_first is None and day != month:
                if max(day, month) <= 12:
                    return "may be two days: no other row tells whether the month comes first"
                return (
                    "names the month first, and other rows the day"
                    if month > 12
                    else ("names the day first, and other rows the month")
                )
            if found[2] != "." and self.month_first:
                day, month = month, day
        else:
            return "is no date"
        try:
            return date(year, month, day)
        except ValueError:
            return "is no date"


def _twice(birds: Mapping[int, Bird], known: Sequence[Bird]) -> list[RowProblem]:
    """Rows of birds that are in the store, or in the list, already."""
    rings: dict[str | None, list[tuple[Bird, str]]] = {}
    for bird in known:
        rings.setdefault(ring_key(bird.ring), []).append((bird, "already in the store"))
    unringed = {(bare(b.name), b.hatched) for b in known if not b.ring}
    faults = []
    for number, bird in birds.items():
        if not bird.ring:
            if (bare(bird.name), bird.hatched) in unringed:
                problem = (
                    "a bird of this name and hatch date without a ring is already in the store"
                )
                mend = "Leave this row out, or give it another name"
                faults.append(RowProblem(number, "name", problem, mend))
            continue
        own, same = (bird.ring, bird.ring_year), rings.setdefault(ring_key(bird.ring), [])
        where = [w for other, w in same if same_ring((other.ring, other.ring_year), own)]
        if where:
            mend = "Leave this row out, correct one, or give both the year on their ring"
            faults.append(RowProblem(number, "ring", f"{bird.ring!r} is {where[0]}", mend))
        same.append((bird, f"also in row {number}"))
    return faults


def _with_parents(
    birds: dict[int, Bird], words: Mapping[int, Mapping[str, str]], known: Sequence[Bird]
) -> tuple[dict[int, Bird], list[RowProblem]]:
    """Turn the rings or names of parents into ids."""
    called: dict[str, list[Bird]] = {}
    for bird in (*known, *birds.values()):
        for name in {ring_key(bird.ring), ring_key(bird.name)} - {None}:
            called.setdefault(name or "", []).append(bird)
    done, faults = {}, []
    for number, bird in birds.items():
        found: dict[str, Bird | None] = {"father": None, "mother": None}
        for column in found:
            name = words[number].get(column, "")
            fitting = called.get(ring_key(name) or "", [])
            if name and len(fitting) != 1:
                problem = f"{name[:80]!r} is not in the list or the store"
                if fitting:
                    problem = f"{name[:80]!r} may be {len(fitting)} birds"
                faults.append(RowProblem(number, column, problem, "Give the parent's ring number"))
            found[column] = fitting[0] if name and len(fitting) == 1 else None
        for fault in parent_faults(bird, found["father"], found["mother"]):
            mend = "Correct a date, a sex or the parent"
            faults.append(RowProblem(number, "parents", fault, mend))
        father, mother = (parent.id if parent else None for parent in found.values())
        done[number] = replace(bird, father=father, mother=mother)
    return done, faults
