"""Take in a keeper's existing list (CSV): looked through row by row, imported when accepted.

What columns and cells are called in several languages stands in ``data/list_words.toml``.
"""

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
from fieldmarks.birds.pedigree import kinship_order
from fieldmarks.birds.ring import fits_pattern, ring_key, same_ring
from fieldmarks.birds.store import Store
from fieldmarks.record import rearm
from fieldmarks.rules import Tables
from fieldmarks.rules.tables import key_of, nearest_to

MAX_ROWS = 50_000
USUAL = {"sex": "unknown", "ring_kind": "not known", "hatch_known": "exact", "status": "here"}
UNRINGED_TWICE = "a bird of this name and hatch date without a ring is already in the store"
NOT_THERE = "is not in the list or the store"
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
    """A list looked through; nothing is imported yet."""

    birds: tuple[tuple[int, Bird], ...]  # by number of the row, where the heading is 1
    problems: tuple[RowProblem, ...]
    unknown: tuple[str, ...]  # columns that nothing was done with


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
    look = _Look(known, tables, pattern)
    lines, unknown = look.rows(data)
    look.find_month_first([cells.get("hatched", "") for cells in lines.values()])
    birds = {n: bird for n, cells in lines.items() if (bird := look.bird(n, cells))}
    look.check_twice(birds)
    birds = look.with_parents(birds, lines)
    bad = {p.row for p in look.problems}
    good = tuple((n, b) for n, b in birds.items() if n not in bad)
    return Preview(good, tuple(sorted(look.problems, key=lambda p: p.row)), unknown)


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
    birds = {bird.id: bird for _, bird in preview.birds}
    there: set[str | None] = {*birds, *(b.id for b in store.birds())}
    for key, b in birds.items():  # a parent may stand in a row that is left out
        father, mother = (p if p in there else None for p in (b.father, b.mother))
        birds[key] = replace(b, father=father, mother=mother)
    parents = {key: (b.father, b.mother) for key, b in birds.items()}
    order = kinship_order(parents, lambda key: birds[key].name if key in birds else key)
    store.save_all([birds[key] for key in order if key in birds])  # parents first
    return len(birds)


@dataclass
class _Look:
    """One list looked through: what is wrong with it is gathered as it is found."""

    known: Sequence[Bird]
    tables: Tables
    pattern: str
    month_first: bool | None = None  # as in 04/30/2025; None where no day of the list tells
    problems: list[RowProblem] = field(default_factory=list)
    keys: dict[tuple[str, str], str | None] = field(default_factory=dict)  # looked up once

    def wrong(self, row: int, column: str, problem: str, mend: str) -> None:
        self.problems.append(RowProblem(row, column, problem, mend))

    def rows(self, data: bytes) -> tuple[dict[int, dict[str, str]], tuple[str, ...]]:
        """Cells of each row by field, and the columns that nothing is done with."""
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
        lines: dict[int, dict[str, str]] = {}
        for number, cells in rows:
            row: dict[str, str] = {}
            for column, name, cell in zip(head, fields, cells, strict=False):
                value = rearm(cell.strip())
                if name is None or not value:
                    continue
                if row.get(name, value) != value:
                    problem = f"{value[:80]!r} beside {row[name][:80]!r}: both mean one thing"
                    self.wrong(number, column, problem, "Leave one of them empty")
                row[name] = value
            if any(cell.strip() for cell in cells[len(head) :]):
                problem = f"{len(cells)} cells, but {len(head)} columns have a name"
                self.wrong(number, "row", problem, f"Put text that holds {separator!r} into quotes")
            if row:
                lines[number] = row
            if len(lines) > MAX_ROWS:
                raise FieldmarksError("this list is too long", mend="Split it into smaller files")
        ignored = words.ignored["columns"]
        named = zip(head, fields, strict=True)
        return lines, tuple(c for c, f in named if not f and c and c not in ignored)

    def find_month_first(self, days: Sequence[str]) -> None:
        """Whether the days of the list name the month first."""
        told = set()
        for found in filter(None, map(YEAR_LAST.fullmatch, days)):
            if found[2] != "." and (int(found[1]) > 12) != (int(found[3]) > 12):
                told.add(int(found[3]) > 12)
        self.month_first = told.pop() if len(told) == 1 else None

    def bird(self, number: int, cells: Mapping[str, str]) -> Bird | None:
        """The bird of one row, without its parents; None where something is wrong."""
        words, before = list_words(), len(self.problems)
        texts = ("ring", "sex_by", "source", "promised", "notes")
        values: dict[str, Any] = {name: cells.get(name, "") for name in texts}
        ring, values["name"] = values["ring"], cells.get("name") or values["ring"]
        if ring and not fits_pattern(ring, self.pattern):
            problem = f"{ring!r} does not have the shape {self.pattern!r}"
            self.wrong(number, "ring", problem, "Correct it")
        for part, usual in USUAL.items():
            given, cell_words = cells.get(part, ""), words.cells[part]
            values[part] = cell_words.get(bare(given), given) if given else usual
            if given and bare(given) not in cell_words:
                mend = f"Use one of {', '.join(words.values[part])}"
                self.wrong(number, words.columns[part][0], f"{given[:80]!r} is not known", mend)
        if not ring:
            values["ring_kind"] = "none"
        year = cells.get("ring_year", "")
        is_year = re.fullmatch("[0-9]{4}", year) is not None and 1950 <= int(year) <= 2200
        if year and not is_year:
            mend = "Write four digits, such as 2024"
            self.wrong(number, "ring year", f"{year[:80]!r} is no year", mend)
        values["ring_year"] = int(year) if is_year else None
        if given := cells.get("hatched", ""):
            found = values["hatched"] = self.day(given)
            if isinstance(found, str):
                self.wrong(number, "hatched", f"{given[:80]!r} {found}", "Write it as 2025-04-30")
            elif not EARLIEST <= found <= date.today():
                problem = f"{found} is yet to come or cannot be right"
                self.wrong(number, "hatched", problem, "Correct it")
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
                problem = f"{given[:80]!r} is not in the tables"
                self.wrong(number, column, problem, nearest_to(given, rows))
        if len(self.problems) == before:
            try:
                return checked(Bird(id=new_id(), **values))
            except (FieldmarksError, TypeError) as error:
                self.wrong(number, "row", str(error), "Correct it")
        return None

    def day(self, text: str) -> date | str:
        """A day, or what is wrong with it."""
        if found := YEAR_FIRST.fullmatch(text):
            year, month, day = int(found[1]), int(found[3]), int(found[4])
        elif found := YEAR_LAST.fullmatch(text):
            day, month, year = int(found[1]), int(found[3]), int(found[4])
            if found[2] != "." and self.month_first is None and day != month:
                if max(day, month) <= 12:
                    return "may be two days: no other row tells whether the month comes first"
                first, others = ("month", "day") if month > 12 else ("day", "month")
                return f"names the {first} first, and other rows the {others}"
            if found[2] != "." and self.month_first:
                day, month = month, day
        else:
            return "is no date"
        try:
            return date(year, month, day)
        except ValueError:
            return "is no date"

    def check_twice(self, birds: Mapping[int, Bird]) -> None:
        """Rows of birds that are in the store, or in the list, already."""
        rings: dict[str | None, list[tuple[Bird, str]]] = {}
        for bird in self.known:
            rings.setdefault(ring_key(bird.ring), []).append((bird, "already in the store"))
        unringed = {(bare(b.name), b.hatched) for b in self.known if not b.ring}
        for number, bird in birds.items():
            if not bird.ring:
                if (bare(bird.name), bird.hatched) in unringed:
                    mend = "Leave this row out, or give it another name"
                    self.wrong(number, "name", UNRINGED_TWICE, mend)
                continue
            own, same = (bird.ring, bird.ring_year), rings.setdefault(ring_key(bird.ring), [])
            where = [w for other, w in same if same_ring((other.ring, other.ring_year), own)]
            if where:
                mend = "Leave this row out, correct one, or give both the year on their ring"
                self.wrong(number, "ring", f"{bird.ring!r} is {where[0]}", mend)
            same.append((bird, f"also in row {number}"))

    def with_parents(
        self, birds: Mapping[int, Bird], words: Mapping[int, Mapping[str, str]]
    ) -> dict[int, Bird]:
        """Turn the rings or names of parents into ids."""
        called: dict[str, list[Bird]] = {"": []}
        for bird in (*self.known, *birds.values()):
            for key in filter(None, {ring_key(bird.ring), ring_key(bird.name)}):
                called.setdefault(key, []).append(bird)
        done = {}
        for number, bird in birds.items():
            parents: list[Bird | None] = []
            for column in ("father", "mother"):
                name = words[number].get(column, "")
                fitting = called.get(ring_key(name) or "", [])
                if name and len(fitting) != 1:
                    problem = f"may be {len(fitting)} birds" if fitting else NOT_THERE
                    mend = "Give the parent's ring number"
                    self.wrong(number, column, f"{name[:80]!r} {problem}", mend)
                parents.append(fitting[0] if len(fitting) == 1 else None)
            for fault in parent_faults(bird, *parents):
                self.wrong(number, "parents", fault, "Correct a date, a sex or the parent")
            father, mother = (parent.id if parent else None for parent in parents)
            done[number] = replace(bird, father=father, mother=mother)
        return done
