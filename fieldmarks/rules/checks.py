"""Checks across tables: every key used is known, and what is stated agrees with itself."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from fieldmarks._util.errors import TableError
from fieldmarks.rules import plumage
from fieldmarks.rules.swatches import lab_of
from fieldmarks.rules.tables import Tables


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
    known: dict[str, Iterable[str]] = {
        "mark": tables.marks,
        "swatch": tables.swatches,
        "species": tables.species,
        "variety": tables.varieties,
        "age": tables.ages,
        "relation": tables.relations,
        "tint": tables.tints,
    }
    problems = []
    for kind, key, row, what, word in _uses(tables):
        if word not in known[what]:
            near = difflib.get_close_matches(word, list(known[what]), n=1)
            mend = f"Did you mean {near[0]!r}?" if near else f"Add that {what}, or correct the word"
            file = origin.get((kind, key), "makeup.toml")
            problems.append(Problem(file, row, f"there is no {what} {word!r}", mend))
    return [*problems, *_wrong_colours(tables, origin), *_double_rules(tables)]


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


def _uses(tables: Tables) -> Iterator[tuple[str, str, str, str, str]]:
    """Every use of a key: table, its key, row, kind of thing used, word used."""
    for key, species in tables.species.items():
        for mark, row in species.marks.items():
            place = f"marks.{mark}"
            yield "species", key, place, "mark", mark
            for swatch in row.swatches:
                yield "species", key, f"{place}.swatches", "swatch", swatch
            for number, override in enumerate(row.overrides, start=1):
                cell = f"{place}.overrides {number}"
                for swatch in override.swatches:
                    yield "species", key, cell, "swatch", swatch
                for variety in override.varieties:
                    yield "species", key, cell, "variety", variety
                for age in override.ages:
                    yield "species", key, cell, "age", age
            for extra in row.extra:
                for age in extra.ages:
                    yield "species", key, f"{place}.extra", "age", age
                for variety in extra.varieties:
                    yield "species", key, f"{place}.extra", "variety", variety
        for relation in species.relations:
            yield "species", key, f"relations.{relation}", "relation", relation
    for rule in tables.makeup:
        for swatch in rule.swatches:
            yield "makeup", "", f"makeup of {rule.ground}", "swatch", swatch
    for key, variety_row in tables.varieties.items():
        for mark in variety_row.says_nothing:
            yield "varieties", key, f"varieties.{key}.says_nothing", "mark", mark
        for swatch in (*variety_row.turns, *variety_row.turns.values()):
            yield "varieties", key, f"varieties.{key}.turns", "swatch", swatch
        for word in variety_row.species:
            yield "varieties", key, f"varieties.{key}.species", "species", word
    for key, relation_row in tables.relations.items():
        for mark in relation_row.marks:
            yield "relations", key, f"relations.{key}.marks", "mark", mark
    yield from _uses_in_signs(tables)
    for key, caution in tables.cautions.items():
        for word in caution.species:
            yield "cautions", key, f"cautions.{key}.species", "species", word
        for word in caution.points_to:
            yield "cautions", key, f"cautions.{key}.points_to", "species", word
        for word in caution.ages:
            yield "cautions", key, f"cautions.{key}.ages", "age", word
        for word in caution.marks:
            yield "cautions", key, f"cautions.{key}.marks", "mark", word


def _uses_in_signs(tables: Tables) -> Iterator[tuple[str, str, str, str, str]]:
    for key, sign in tables.signs.items():
        place = f"signs.{key}"
        for species in (sign.species, *sign.points_to):
            yield "signs", key, place, "species", species
        for mark in sign.marks:
            yield "signs", key, f"{place}.marks", "mark", mark
        for tint in sign.tints:
            yield "signs", key, f"{place}.tints", "tint", tint
        for age in sign.juvenile:
            yield "signs", key, f"{place}.juvenile", "age", age
        for variety in sign.not_in:
            yield "signs", key, f"{place}.not_in", "variety", variety
        if sign.relation is not None:
            yield "signs", key, f"{place}.relation", "relation", sign.relation


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
                derived, _ = plumage.derive(tables, row, mark, "green", "adult")
                strays = plumage.disagreeing_swatches(tables, key, mark)
            except TableError as error:
                place = f"marks.{mark}.makeup"
                problems.append(Problem(file, place, error.problem, error.mend))
                continue
            if strays and not row.differs:
                wrong = (
                    f"the row says {', '.join(row.swatches)}, its make-up gives "
                    f"{', '.join(derived)}; too far from the other's: {', '.join(strays)}"
                )
                mend = "Correct the make-up or the row, or give the reason in 'differs'"
                problems.append(Problem(file, f"marks.{mark}.swatches", wrong, mend))
    return problems
