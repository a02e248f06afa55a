"""Family: what is on record of a bird's parents, grandparents and young, and speaks against it.

A bird that looks clean is no purer than its parents, and a young with a sign tells of its parents.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.model import Bird, Entry
from fieldmarks.birds.standing import standings
from fieldmarks.judge.signs import SignStatus
from fieldmarks.rules import Tables


@dataclass(frozen=True)
class Relative:
    """A relative of a bird, with its moult entries."""

    how: str  # "father", "mother", "grandparent" or "young"
    bird: Bird
    entries: Sequence[Entry] = ()
    sign: bool = False  # it was found with one in a test mating


def parent_faults(bird: Bird, father: Bird | None, mother: Bird | None) -> list[str]:
    """Why birds cannot be the parents of another, one sentence each; empty when they can."""
    found = []
    if father is not None and mother is not None and father.id == mother.id:
        found.append(f"{father.name} cannot be its father and its mother")
    for how, parent, wrong in (("father", father, "hen"), ("mother", mother, "cock")):
        if parent and parent.sex == wrong:
            found.append(f"{parent.name} is a {wrong}, so it cannot be the {how} of {bird.name}")
        if not parent or parent.hatched is None or bird.hatched is None:
            continue
        days = (bird.hatched - parent.hatched).days
        sure = bird.hatch_known == parent.hatch_known == "exact"
        if days < (advice_table().brood.parent_days if sure else 1):
            found.append(
                f"{parent.name} hatched on {parent.hatched} and {bird.name} on {bird.hatched}, so "
                f"it cannot be its {how}"
            )
    return found


def family_faults(bird: Bird, relatives: Sequence[Relative], tables: Tables) -> list[str]:
    """Sentences on relatives that are of another species, or show a sign of mixed ancestry.

    Of its young only those of mates that are said to be of its own species.
    """
    found = []
    parents = [r.bird for r in relatives if r.how in ("father", "mother") and r.bird.species]
    kinds = {p.species for p in parents}
    if len(kinds) > 1:
        named = " and ".join(f"{p.name}, {_name(p, tables)}" for p in parents)
        found.append(f"{bird.name}: its parents are of two species ({named}), so it is mixed.")
    for relative in relatives:
        other, place = relative.bird, f"{bird.name}: its {relative.how} {relative.bird.name}"
        strange = bird.species and other.species and other.species != bird.species
        if strange and relative.how != "young" and len(kinds) < 2:
            found.append(f"{place} is said to be {_name(other, tables)}.")
        if relative.sign or _shows_sign(other, relative.entries):
            said = f"{place} shows a sign of mixed ancestry."
            if relative.how == "young":
                said += " One of the parents, or both, is not pure."
            found.append(said)
    return found


def _shows_sign(bird: Bird, entries: Sequence[Entry]) -> bool:
    return any(
        s.status == SignStatus.SEEN.value and bird.species in (None, s.species)
        for s in standings([e for e in entries if e.observations])
    )


def _name(bird: Bird, tables: Tables) -> str:
    row = tables.species.get(bird.species or "")
    return row.name if row else str(bird.species)
