"""Checks across tables: every key used is known, and what is stated agrees with itself."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fieldmarks._util.errors import TableError
from fieldmarks.rules import plumage
from fieldmarks.rules.schema import Row
from fieldmarks.rules.swatches import lab_of
from fieldmarks.rules.tables import Tables

# Field of any row -> the table whose keys it holds; none where it holds rows that do.
KEYS = {
    "ages": "ages",
    "juvenile": "ages",
    "marks": "marks",
    "says_nothing": "marks",
    "points_to": "species",
    "species": "species",
    "relation": "relations",
    "relations": "relations",
    "swatches": "swatches",
    "turns": "swatches",
    "tints": "tints",
    "not_in": "varieties",
    "varieties": "varieties",
    "without": "marks",
    "overrides": "",
    "extra": "",
}
SINGULAR = {"species": "species", "swatches": "swatch", "varieties": "variety"}


@dataclass(frozen=True)
class Problem:
    """One fault in a table file: where, what is wrong and the mend."""

    file: str
    row: str
    wrong: str
    mend: str

    @property
    def place(self) -> str:
        """File and row in one."""
        return ", ".join(part for part in (self.file, self.row) if part)

    def __str__(self) -> str:
        return f"{self.place}: {self.wrong}. {self.mend}"


def check_references(tables: Tables, origin: Mapping[tuple[str, str], str]) -> list[Problem]:
    """Find keys that are used but not known, and swatches that are no colour.

    Args:
        origin: (kind of table, key) -> file, for the messages.
    """
    problems: list[Problem] = []
    for (kind, key), file in origin.items():
        place = "" if kind == "species" else f"{kind}.{key}"
        problems += _unknown(tables, file, place, getattr(tables, kind)[key])
    for rule in tables.makeup:
        problems += _unknown(tables, "makeup.toml", f"makeup of {rule.ground}", rule)
    return [*problems, *_wrong_colours(tables, origin), *_double_rules(tables)]


def _unknown(tables: Tables, file: str, place: str, row: Row) -> Iterator[Problem]:
    for where, table, word in _uses(place, row):
        known = getattr(tables, table)
        if word not in known:
            what = SINGULAR.get(table, table.removesuffix("s"))
            near = difflib.get_close_matches(word, list(known), n=1)
            mend = f"Did you mean {near[0]!r}?" if near else f"Add that {what}, or correct the word"
            yield Problem(file, where, f"there is no {what} {word!r}", mend)


def _uses(place: str, value: Any, table: str = "") -> Iterator[tuple[str, str, str]]:
    """Every key used in a row, or in a field of one: its place, the table meant and the key."""
    if isinstance(value, str):
        if table:
            yield place, table, value
    elif isinstance(value, dict):
        for key, content in value.items():
            yield from _uses(f"{place}.{key}", key, table)
            yield from _uses(f"{place}.{key}", content, table)
    elif isinstance(value, tuple):
        for number, content in enumerate(value, start=1):
            yield from _uses(place if table else f"{place} {number}", content, table)
    elif isinstance(value, Row):
        for field in filter(value.model_fields_set.__contains__, KEYS):
            at = f"{place}.{field}".lstrip(".")
            yield from _uses(at, getattr(value, field), KEYS[field])


def _wrong_colours(tables: Tables, origin: Mapping[tuple[str, str], str]) -> Iterator[Problem]:
    for key, swatch in tables.swatches.items():
        try:
            lab_of(swatch)
        except TableError as error:
            file = origin["swatches", key]
            yield Problem(file, f"swatches.{key}.munsell", error.problem, error.mend)


def _double_rules(tables: Tables) -> Iterator[Problem]:
    for rule in tables.makeup:
        for cell in rule.cells():
            if tables.makeup_index[cell].swatches != rule.swatches:
                words = ", ".join(cell)
                mend = "Keep one of them"
                yield Problem("makeup.toml", rule.ground, f"two rules for {words}", mend)


def check_sense(tables: Tables) -> list[Problem]:
    """Faults of sense in tables that can be read.

    Stated and derived colours that disagree, and make-ups that no rule covers in some variety.
    """
    problems = []
    for key, species in tables.species.items():
        file = f"species/{key}.toml"
        for mark, row in species.marks.items():
            try:
                for variety in tables.varieties:
                    for age in tables.ages:
                        plumage.derive(tables, row, mark, variety, age)
                strays = plumage.disagreeing_swatches(tables, key, mark)
            except TableError as error:
                place = f"marks.{mark}.makeup"
                problems.append(Problem(file, place, error.problem, error.mend))
                continue
            if strays and not row.differs:
                derived, _ = plumage.derive(tables, row, mark, "green", "adult")
                wrong = (
                    f"the row says {', '.join(row.swatches)}, its make-up gives "
                    f"{', '.join(derived)}; too far from the other's: {', '.join(strays)}"
                )
                mend = "Correct the make-up or the row, or give the reason in 'differs'"
                problems.append(Problem(file, f"marks.{mark}.swatches", wrong, mend))
    return problems
