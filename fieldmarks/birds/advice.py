"""Questions, cautions and limits of ``data/advice.toml``, checked against their schema."""

import functools
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

When = Literal["shop", "buying", "handing over", "pairing", "testing"]
Sentence = Annotated[str, Field(min_length=10)]


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")
    evidence: Annotated[str, Field(min_length=3)]


class Line(_Row):
    """A sentence to show."""

    text: Sentence


class View(Line):
    """A photo of a visit, and the marks it shows."""

    name: Annotated[str, Field(min_length=3)]
    marks: tuple[str, ...] = Field(min_length=1)


class Caution(Line):
    """A caution and where it belongs."""

    when: tuple[When, ...] = Field(min_length=1)


class Kin(_Row):
    """Kinship coefficients from which a pair counts as closely, or somewhat, related."""

    close: float = Field(gt=0, le=1)
    some: float = Field(gt=0, le=1)


class Clean(_Row):
    """Share of the signs that can show, 0 to 1, that must be looked at to call a young clean."""

    share: float = Field(gt=0, le=1)


class Brood(_Row):
    """Days an egg needs at least, and the least age in days at which a bird has young."""

    incubation_days: int = Field(gt=0)
    parent_days: int = Field(gt=0)


class Cross(_Row):
    """What comes of a cross between any of ``one`` and any of ``other``."""

    one: tuple[str, ...]
    other: tuple[str, ...]
    outcome: Literal["sterile", "fertile"]
    text: Sentence


class Carried(_Row):
    """A colour that can be carried unseen, and the varieties that show it."""

    name: str
    how: Literal["recessive", "sex-linked"]
    sex_linked_in: tuple[str, ...] = ()
    shown_by: tuple[str, ...] = Field(min_length=1)

    def sex_linked(self, species: str | None) -> bool:
        """Whether it lies on the sex chromosome in a species."""
        return self.how == "sex-linked" or species in self.sex_linked_in


class AdviceTable(BaseModel):
    """The whole file."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    ask: tuple[Line, ...]
    view: tuple[View, ...] = Field(min_length=1)
    check: tuple[Line, ...]
    cannot_tell: tuple[Line, ...]
    caution: tuple[Caution, ...]
    kin: Kin
    clean: Clean
    brood: Brood
    cross: tuple[Cross, ...]
    carried: tuple[Carried, ...]
    stage_ages: dict[str, str]

    def cautions(self, when: When) -> tuple[str, ...]:
        """Cautions that belong to one occasion."""
        return tuple(row.text for row in self.caution if when in row.when)

    def side(self, marks: Iterable[str]) -> str:
        """Name of the narrowest view that holds most of some marks."""
        drawn = set(marks)
        views = min(self.view, key=lambda v: (-len(drawn.intersection(v.marks)), len(v.marks)))
        return views.name if drawn.intersection(views.marks) else "Another side"

    def crossing(self, one: str, other: str) -> Cross | None:
        """What is known of a cross between two different species."""
        found = (row for row in self.cross for a, b in ((one, other), (other, one))
                 if one != other and a in row.one and b in row.other)  # fmt: skip
        return next(found, None)


@functools.lru_cache(maxsize=1)
def advice_table() -> AdviceTable:
    """The shipped file."""
    path = Path(__file__).parent / "data" / "advice.toml"
    return AdviceTable.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
