"""What a line of ``cases.toml`` must hold, and how its words become colours."""

import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from fieldmarks.measure.colour import lab_to_linear, linear_to_lab

Lab = tuple[float, float, float]
SPECIES = "personatus|fischeri|nigrigenis|lilianae|roseicollis"
NUMBERS = ("ring", "size")  # what is measured and no colour
SAYS = (
    rf"^(pure(, hint ({SPECIES})(\|({SPECIES}))*)?|other ({SPECIES})|again"
    rf"|mixed ({SPECIES})(\|({SPECIES}))*|cannot(, hint ({SPECIES})(\|({SPECIES}))*)?)$"
)
Says = Annotated[str, StringConstraints(pattern=SAYS)]
MATING = r"^(go ahead|warned|nothing yet|too few|fits so far|mixed|spoiled)$"
Value = str | float


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Case(_Row):
    """One bird and what a breeder would conclude."""

    name: str
    bird: str
    says: Says
    claimed: str = ""
    marks: dict[str, Value] = {}
    tells: str = ""
    untold: str = ""


class Point(_Row):
    """One rule of the trade with its birds."""

    number: int
    text: str
    cases: tuple[Case, ...]


class Mating(_Row):
    """One test mating."""

    name: str
    bird: str
    mate: str
    says: Annotated[str, StringConstraints(pattern=MATING)]
    mate_split: tuple[str, ...] = ()
    eye: Literal["", "light", "dark"] = ""
    young: tuple[str, ...] | None = None
    times: int = 1
    last: str = ""
    tells: str = ""


class Book(_Row):
    """The whole file."""

    colours: dict[str, Lab]
    birds: dict[str, dict[str, Value]]
    recolour: dict[str, dict[str, str]]
    point: tuple[Point, ...] = Field(min_length=15)
    mating: tuple[Mating, ...] = Field(min_length=15)

    def every(self) -> Iterator[tuple[Point, Case]]:
        """All birds, in order."""
        return ((point, case) for point in self.point for case in point.cases)

    def described(self, case: Case) -> dict[str, Value]:
        """Every mark of a bird, in words."""
        return {**self._bird(case.bird), **case.marks}

    def _bird(self, name: str) -> dict[str, Value]:
        if name in self.birds:
            row = dict(self.birds[name])
            like, word = row.pop("like", None), row.pop("recolour", None)
            if like is None:
                return row
            start = self._bird(str(like))
            return {**(self._recoloured(start, str(word)) if word else start), **row}
        base, _, word = name.rpartition(" ")
        if not base:
            raise ValueError(f"no bird {name!r}")
        return self._recoloured(self._bird(base), word)

    def _recoloured(self, bird: dict[str, Value], word: str) -> dict[str, Value]:
        """A bird with the words of a variety or an age; one without any leaves all as it is."""
        change = self.recolour.get(word, {})
        return {
            mark: value
            if isinstance(value, float | int)
            else re.sub(r"[a-z_]+", lambda found: change.get(found.group(), found.group()), value)
            for mark, value in bird.items()
        }

    def colours_of(self, words: str) -> list[tuple[Lab, float]]:
        """Colours and shares of a mark (CIELAB D65), largest share first."""
        parts = [self._part(part) for part in words.split(",")]
        total = sum(share for _, share in parts)
        return sorted(((lab, share / total) for lab, share in parts), key=lambda p: -p[1])

    def _part(self, words: str) -> tuple[Lab, float]:
        if "/" in words:
            found = [self._part(word) for word in words.split("/")]
            shares = np.array([share for _, share in found])
            light = lab_to_linear(np.array([lab for lab, _ in found]))
            mixed = linear_to_lab(shares @ light / shares.sum())
            return (float(mixed[0]), float(mixed[1]), float(mixed[2])), float(shares.sum())
        share, _, word = words.strip().rpartition(" ")
        return self.colours[word], float(share or 1)


def parts_of(bird: str) -> tuple[str, str, str]:
    """Species, variety and age in a bird's name."""
    species, *more = bird.split()
    ages = [word for word in more if word in ("young", "moulting", "adult")]
    varieties = [word for word in more if word not in ages]
    return species, (varieties or ["green"])[0], (ages or ["adult"])[0]


@cache
def book() -> Book:
    """All cases."""
    return Book.model_validate(tomllib.loads(Path(__file__).with_name("cases.toml").read_text()))
