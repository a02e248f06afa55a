"""Colours a bird carries without showing them, as far as its family on record tells.

Mendel's rules for one gene of two forms, on any chromosome or on the sex chromosome (cock ZZ, hen
ZW). They hold if the parents, sexes and colours on record are right.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from fieldmarks.birds.advice import Carried, advice_table
from fieldmarks.birds.collection import bird_page
from fieldmarks.birds.model import Bird
from fieldmarks.birds.store import Store
from fieldmarks.rules import Tables

RIGHT = "This holds if parents, sexes and colours on record are right."


@dataclass(frozen=True)
class Hidden:
    """A colour a bird does not show: whether it carries it, and what tells so."""

    colour: str
    certainty: Literal["known", "possible"]
    why: str

    def __str__(self) -> str:
        return f"{self.certainty}: {self.colour}. {self.why}"


@dataclass(frozen=True)
class Kin:
    """A bird with its parents and young, each as far as it is on record."""

    bird: Bird
    parents: Sequence[Kin] = ()
    young: Sequence[Bird] = ()


def hidden_colours(kin: Kin, tables: Tables) -> tuple[Hidden, ...]:
    """What a bird carries unseen, as far as it is told; parents come with their own young."""
    found = (_hidden(kin, row, tables) for row in advice_table().carried)
    return tuple(filter(None, found))


def _hidden(kin: Kin, row: Carried, tables: Tables) -> Hidden | None:
    bird, linked = kin.bird, row.sex_linked(kin.bird.species)
    if _shows(bird, row, tables) or (linked and bird.sex == "hen"):
        return None  # it is seen; and a hen shows whatever she has
    cock = not linked or bird.sex == "cock"
    known_how = bird.species is not None or not row.sex_linked_in  # it differs between species
    found = [(cock, f"{y.name}, its young, shows it.") for y in kin.young if _shows(y, row, tables)]
    for parent in kin.parents:
        one = parent.bird
        if _shows(one, row, tables):
            # A daughter of a father who shows it does so too: whoever does not is a son.
            found.append((cock or one.id == bird.father, f"{one.name}, a parent, shows it."))
        elif not linked or one.id == bird.father:  # a hen that does not show it has none to give
            if any(key in row.shown_by for key in one.split_for):
                found.append((False, f"{one.name}, a parent, is split for it."))
            showing = (y for y in parent.young if _shows(y, row, tables))
            found += [(False, f"{y.name}, its sibling or half-sibling, shows it.") for y in showing]
    if any(key in row.shown_by for key in bird.split_for):
        found.append((False, "You wrote so; no relative on record proves it."))
    if not found:
        return None
    sure, why = max(found, key=lambda told: told[0])
    return Hidden(row.name, "known" if sure and known_how else "possible", why)


def _shows(bird: Bird, row: Carried, tables: Tables) -> bool:
    kind = tables.varieties.get(bird.variety)
    return any(key in row.shown_by for key in (bird.variety, *(kind.parts if kind else ())))


def hidden_of(store: Store, bird: Bird, tables: Tables) -> tuple[Hidden, ...]:
    """The same from everything on record."""
    parents = [store.bird(key) for key in (bird.father, bird.mother) if key]
    kin = [Kin(parent, young=_young_of(store, parent)) for parent in parents]
    return hidden_colours(Kin(bird, kin, _young_of(store, bird)), tables)


def _young_of(store: Store, bird: Bird) -> list[Bird]:
    """Young kept as birds, and those of its pairs of which the colour was noted."""
    page = bird_page(store, bird.id)
    noted = (y for pair in page.pairs for y in pair.young if y.shows and not y.bird)
    return [*page.young, *(Bird("", y.label, variety=y.shows) for y in noted)]
