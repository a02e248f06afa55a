"""All rule tables, read and checked, as one value that the rest of the program passes on."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.rules import schema

if TYPE_CHECKING:  # numpy takes longer to import than all tables to read
    import numpy as np
    import numpy.typing as npt

    from fieldmarks.measure.quantities import Lab

DAYS_PER_MONTH = 30.44


@dataclass(frozen=True, eq=False)
class Tables:
    """All rule tables, read and checked.

    Args:
        marks, swatches, species, varieties, ages, relations, tints, signs, cautions: Key -> row, in
            the order a keeper reads them.
        makeup: Pigments and structure -> swatches.
        version: Edition of the shipped tables.
        fingerprint: SHA-256 over every file read, names included.
        files: Names of the files read.
    """

    marks: Mapping[str, schema.Mark]
    swatches: Mapping[str, schema.Swatch]
    species: Mapping[str, schema.Species]
    varieties: Mapping[str, schema.Variety]
    ages: Mapping[str, schema.Age]
    relations: Mapping[str, schema.RelationKind]
    tints: Mapping[str, schema.Tint]
    signs: Mapping[str, schema.Sign]
    cautions: Mapping[str, schema.Caution]
    makeup: tuple[schema.MakeUpRule, ...]
    version: str
    fingerprint: str
    files: tuple[str, ...]

    @cached_property
    def lab(self) -> Mapping[str, Lab]:
        """Swatch key -> CIELAB (D65, 2 degrees)."""
        return {key: row.colour for key, row in self.swatches.items()}

    @cached_property
    def swatch_number(self) -> Mapping[str, int]:
        """Swatch key -> its row in :attr:`swatch_differences`."""
        return {key: number for number, key in enumerate(self.swatches)}

    @cached_property
    def swatch_differences(self) -> npt.NDArray[np.float64]:
        """CIEDE2000 between every two swatches, an (n, n) array."""
        import numpy as np

        from fieldmarks.measure.colour import difference

        colours = np.array([self.lab[key] for key in self.swatches])
        return np.asarray(difference(colours[:, None], colours), dtype=np.float64)

    @cached_property
    def makeup_index(self) -> Mapping[tuple[str, str, str, str], schema.MakeUpRule]:
        """(ground, psittacin, eumelanin, structure) -> rule."""
        return {cell: rule for rule in self.makeup for cell in rule.cells()}


def age_class(tables: Tables, hatched: date, on: date) -> str:
    """Key of the age class of a bird on a day: the oldest whose span has begun.

    Raises:
        FieldmarksError: The bird had not hatched yet.
    """
    months = (on - hatched).days / DAYS_PER_MONTH
    if months < 0:
        raise FieldmarksError(
            f"the bird hatched on {hatched}, after {on}", mend="Correct one of the dates"
        )
    begun = [row for row in tables.ages.values() if row.from_months <= months]
    return max(begun, key=lambda row: row.from_months).key


def key_of(given: str, rows: Mapping[str, object]) -> str | None:
    """Key of a row that goes by a key, a name or an alias, or by the start of just one.

    Args:
        given: As a keeper writes it: "Fischers", "fischer's lovebird" and "Agapornis fischeri" are
            all "fischeri", and "black masked" is "personatus".
        rows (mapping of key -> row): Species, varieties or ages.
    """
    asked = _bare(given)
    names = _names(rows)
    words = sorted(asked.split())
    exact = {key for key, own in names.items() if asked in own}
    exact = exact or {k for k, own in names.items() if any(sorted(n.split()) == words for n in own)}
    begun = {key for key, own in names.items() if any(n.startswith(asked) for n in own)}
    found = exact or (begun if len(asked) > 2 else set())
    return next(iter(found)) if len(found) == 1 else None


def any_name(given: str, rows: Mapping[str, object]) -> str:
    """Key of a row by any of its names; what is not known stays as it is, to be told later."""
    return key_of(given, rows) or given


def nearest_to(given: str, rows: Mapping[str, Any]) -> str:
    """What to do about a name that is in no table: the nearest one, or where to look."""
    known = {name: key for key, own in _names(rows).items() for name in own}
    asked = _bare(given)
    near = difflib.get_close_matches(asked, known, n=1, cutoff=0.6)
    near = near or [name for name in known if len(asked) > 2 and asked in name]
    if near:
        row = rows[known[near[0]]]
        return f"Did you mean {row.name if row.key in row.name else f'{row.key} ({row.name})'}?"
    plain = [key for key, row in rows.items() if not getattr(row, "parts", ())]
    return f"Use one of {', '.join(plain)}"


def _names(rows: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    return {key: names_of(row) for key, row in rows.items()}


def names_of(row: Any) -> dict[str, str]:
    """Every name by which a species, variety or age is found, bare -> the word that holds it."""
    scientific = getattr(row, "scientific", "")
    names = [("aliases", alias) for alias in getattr(row, "aliases", ())]
    names += [("scientific", scientific), ("scientific", scientific.rpartition(" ")[2])]
    names += [("name", row.name), ("key", row.key)]
    return {_bare(name): word for word, name in names if name}


def _bare(name: str) -> str:
    """A name without what keepers write one way or the other: case, hyphens, 's, "lovebird"."""
    words = re.sub(r"[-_/,+]", " ", name.lower()).replace("(", " ").replace(")", " ")
    words = re.sub(r"['\u2019`]s?\b|['\u2019`]", "", words)
    kept = [w for w in words.split() if w not in ("lovebird", "lovebirds", "agapornis", "a.")]
    return " ".join(kept) or words.strip()
