"""Checks across tables: what is stated agrees with itself."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fieldmarks._util.errors import TableError
from fieldmarks.rules import plumage
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


def double_rules(tables: Tables) -> list[Problem]:
    """Make-ups for which two rules say different things."""
    mend = "Keep one of them"
    return [
        Problem("makeup.toml", rule.ground, f"two rules for {', '.join(cell)}", mend)
        for rule in tables.makeup
        for cell in rule.cells()
        if tables.makeup_index[cell].swatches != rule.swatches
    ]


def check_sense(tables: Tables) -> list[Problem]:
    """Faults of sense in tables that can be read.

    Stated and derived colours that disagree, and make-ups that no rule covers in some variety.
    """
    return [
        Problem(f"species/{key}.toml", f"marks.{mark}.{field}", wrong, mend)
        for key, species in tables.species.items()
        for mark in species.marks
        for field, wrong, mend in _nonsense(tables, key, mark)
    ]


def _nonsense(tables: Tables, species: str, mark: str) -> Iterator[tuple[str, str, str]]:
    row = tables.species[species].marks[mark]
    try:
        for variety in tables.varieties:
            for age in tables.ages:
                plumage.derive(tables, row, mark, variety, age)
        strays = plumage.disagreeing_swatches(tables, species, mark)
    except TableError as error:
        yield "makeup", error.problem, error.mend
        return
    if strays and not row.differs:
        derived, _ = plumage.derive(tables, row, mark, "green", "adult")
        wrong = (
            f"the row says {', '.join(row.swatches)}, its make-up gives {', '.join(derived)}; too "
            f"far from the other's: {', '.join(strays)}"
        )
        yield "swatches", wrong, "Correct the make-up or the row, or give the reason in 'differs'"
