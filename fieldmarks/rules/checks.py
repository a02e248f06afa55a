"""Checks across tables: what is stated agrees with itself."""

from __future__ import annotations

from fieldmarks._util.errors import TableError
from fieldmarks.rules import plumage
from fieldmarks.rules.tables import Tables


def double_rules(tables: Tables) -> list[TableError]:
    """Make-ups for which two rules say different things."""
    return [
        TableError(
            f"two rules for {', '.join(cell)}",
            where=f"makeup.toml, {rule.ground}",
            mend="Keep one of them",
        )
        for rule in tables.makeup
        for cell in rule.cells()
        if tables.makeup_index[cell].swatches != rule.swatches
    ]


def double_keys(tables: Tables) -> list[TableError]:
    """Keys of a mark that are a relation's too: what is counted of one would pass for the other."""
    return [
        TableError(
            "a mark and a relation have one key",
            where=f"marks.{key}",
            mend="Give the mark another key",
        )
        for key in tables.marks
        if key in tables.relations
    ]


def check_sense(tables: Tables) -> list[TableError]:
    """Faults of sense in tables that can be read.

    Stated and derived colours that disagree, and make-ups that no rule covers in some variety.
    """
    problems = []
    for key, species in tables.species.items():
        for mark, row in species.marks.items():
            where = f"species/{key}.toml, marks.{mark}"
            try:
                for variety in tables.varieties:
                    for age in tables.ages:
                        plumage.derive(tables, row, mark, variety, age)
                strays = plumage.disagreeing_swatches(tables, key, mark)
            except TableError as error:
                wrong, mend = error.problem, error.mend
                problems.append(TableError(wrong, where=f"{where}.makeup", mend=mend))
                continue
            if strays and not row.differs:
                derived, _ = plumage.derive(tables, row, mark, "green", "adult")
                wrong = (
                    f"the row says {', '.join(row.swatches)}, its make-up gives "
                    f"{', '.join(derived)}; too far from the other's: {', '.join(strays)}"
                )
                mend = "Correct the make-up or the row, or give the reason in 'differs'"
                problems.append(TableError(wrong, where=f"{where}.swatches", mend=mend))
    return problems
