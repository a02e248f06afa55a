"""Signs of mixed ancestry: tints and relations that a pure bird of a species should not show.

A mark on several photos has in each draw what most of them show, so that one bad photo of three
neither makes a sign nor hides it; what a single photo shows clearly is never called not seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from fieldmarks.judge.rendering import Array
from fieldmarks.measure.sampling import ColourDraws
from fieldmarks.rules.plumage import expected_relation, holds_in, speaking_marks
from fieldmarks.rules.schema import Sign, Tint
from fieldmarks.rules.tables import Tables

SURE = 0.95  # share of the draws in which a sign must be there to be called seen
# A colour known no better than this (95 % of its draws, CIEDE2000) rules no tint out.
TOO_VAGUE = 20.0
# What the trade's strength of a sign is called to a keeper: never a certainty.
STRENGTHS = {
    "always": "keepers hold it a sure sign",
    "usually": "keepers hold it a likely sign",
    "hint": "keepers hold it only a hint",
}


class SignStatus(StrEnum):
    """Whether a sign was seen."""

    SEEN = "seen"
    DOUBTFUL = "doubtful"
    NOT_SEEN = "not seen"
    NOT_LOOKED_AT = "not looked at"
    LOOK_AGAIN = "look again after the moult"
    SAYS_NOTHING = "says nothing here"


@dataclass(frozen=True)
class SignFinding:
    """One sign on a bird taken for ``species``.

    Args:
        text: What the sign is, in plain words.
        mark: Mark (or relation) where it is strongest.
        amount: Share of that mark's area with the tint, 0 to 1, or the value of the relation.
        held: Share of the draws in which it is there, 0 to 1.
        points_to: Species whose ancestry it suggests.
        strength: How diagnostic the trade holds it: "always", "usually" or "hint".
        compared: Marks that were compared, or the relation.
        there: Those of them that are not clearly free of it.
    """

    key: str
    species: str
    text: str
    status: SignStatus
    points_to: tuple[str, ...]
    strength: str
    evidence: str
    reason: str
    mark: str | None = None
    amount: float | None = None
    held: float | None = None
    compared: tuple[str, ...] = ()
    there: tuple[str, ...] = ()


def tint_fraction(tints: Iterable[Tint], colours: Array, fractions: Array) -> Array:
    """Share of the area that shows any of some tints.

    Args:
        colours ((3, p, n) array): L*, C* and hue angle in degrees of each population in each draw
            (CIELAB, D65).
        fractions: (p,) array.

    Returns:
        (n,) array.
    """
    light, chroma, hue = colours
    inside = np.zeros(light.shape, bool)
    for tint in tints:
        start, end = tint.hue
        in_hue = (hue - start) % 360 <= ((end - start) % 360 if end - start < 360 else 360)
        inside |= (
            in_hue
            & (light >= tint.lightness[0])
            & (light <= tint.lightness[1])
            & (chroma >= tint.chroma[0])
            & (chroma <= tint.chroma[1])
        )
    return (inside * (fractions / fractions.sum())[:, None]).sum(axis=0)


def look_for_signs(
    tables: Tables,
    species: str,
    draws: Mapping[str, Sequence[ColourDraws]],
    relations: Mapping[str, Sequence[Array]],
    variety: str,
    age: str,
) -> list[SignFinding]:
    """Look for every sign of a species that means something in a variety.

    Args:
        species: What the bird is taken for.
        draws: Mark -> draws of its colours on each photo that shows it, all of one photo's marks
            with the same renderings.
        relations: Relation -> (n,) draws of its value on each photo that gave it.
    """
    kind = tables.varieties[variety]
    found = []
    for sign in tables.signs.values():
        if sign.species != species or not holds_in(sign, kind):
            continue
        marks = speaking_marks(tables, sign, kind)
        if not marks:
            found.append(_say(sign, SignStatus.SAYS_NOTHING, kind.reason))
        elif sign.relation is not None:
            here = _as_in(tables, sign, variety, age)
            found.append(_look_at_relation(here, relations.get(sign.relation, ()), age))
        else:
            found.append(_look_at_marks(tables, sign, [draws[m] for m in marks if m in draws], age))
    return found


def _look_at_marks(
    tables: Tables, sign: Sign, drawn: list[Sequence[ColourDraws]], age: str
) -> SignFinding:
    if not drawn:
        return _say(sign, SignStatus.NOT_LOOKED_AT, "None of its marks was read.")
    tints = [tables.tints[key] for key in sign.tints]
    shares = [np.stack([tint_fraction(tints, d.polar, d.fractions) for d in one]) for one in drawn]
    # Of each mark in each draw, how much the photos agree that it is there: 0 to 1; (marks, n).
    per_mark = np.stack([np.median(share >= sign.min_fraction, axis=0) for share in shares])
    likely = per_mark.mean(axis=1)
    best = int(likely.argmax())
    amount = float(np.median(shares[best]))
    tint = " or ".join(t.name for t in tints)
    marks = [one[0].reading.mark for one in drawn]
    held = float(per_mark.max(axis=0).mean())
    reason = (
        f"{amount:.0%} of the {tables.marks[marks[best]].name} reads {tint}, "
        f"{sign.min_fraction:.0%} is enough; seen in {held:.0%} of the draws."
    )
    status = _status(held, sign, age, amount)
    shown = max(float((s >= sign.min_fraction).mean(axis=1).max()) for s in shares)
    if status is SignStatus.NOT_SEEN and (
        shown >= SURE or any(all(d.wander > TOO_VAGUE for d in one) for one in drawn)
    ):
        status = SignStatus.DOUBTFUL
    there = [m for m, share in zip(marks, likely, strict=True) if share > 1 - SURE]
    return _say(sign, status, reason, marks[best], amount, held, marks, there)


def _as_in(tables: Tables, sign: Sign, variety: str, age: str) -> Sign:
    """A sign on a relation, out of reach of what the colours expected there may be apart."""
    assert sign.relation is not None
    wanted = expected_relation(tables, sign.species, sign.relation, variety, age)
    if sign.above is None or wanted.high is None or wanted.basis != "derived":
        return sign
    above = max(sign.above, wanted.high + (tables.relations[sign.relation].margin or 0.0))
    return sign.model_copy(update={"above": above})


def _look_at_relation(sign: Sign, photos: Sequence[Array], age: str) -> SignFinding:
    if not photos:
        return _say(sign, SignStatus.NOT_LOOKED_AT, "It was not measured.")
    drawn = np.stack(photos)
    present = np.ones(drawn.shape, bool)
    if sign.above is not None:
        present &= drawn > sign.above
    if sign.below is not None:
        present &= drawn < sign.below
    held, amount = float(np.median(present, axis=0).mean()), float(np.median(drawn))
    limits = [
        f"{word} {limit:g}"
        for word, limit in (("above", sign.above), ("below", sign.below))
        if limit is not None
    ]
    reason = f"{amount:.3g}; a sign {' and '.join(limits)}; seen in {held:.0%} of the draws."
    marks = [str(sign.relation)]
    there = marks if held > 1 - SURE else []
    status = _status(held, sign, age)
    if status is SignStatus.NOT_SEEN and present.mean(axis=1).max() >= SURE:
        status = SignStatus.DOUBTFUL
    return _say(sign, status, reason, sign.relation, amount, held, marks, there)


def _status(held: float, sign: Sign, age: str, amount: float = 0.0) -> SignStatus:
    if held >= SURE:
        outgrown = age in sign.juvenile and amount <= (sign.juvenile_up_to or 1.0)
        return SignStatus.LOOK_AGAIN if outgrown else SignStatus.SEEN
    return SignStatus.NOT_SEEN if held <= 1 - SURE else SignStatus.DOUBTFUL


def _say(
    sign: Sign,
    status: SignStatus,
    reason: str,
    mark: str | None = None,
    amount: float | None = None,
    held: float | None = None,
    compared: Iterable[str] = (),
    there: Iterable[str] = (),
) -> SignFinding:
    return SignFinding(
        key=sign.key,
        species=sign.species,
        text=sign.text,
        status=status,
        points_to=sign.points_to,
        strength=sign.strength,
        evidence=sign.evidence,
        reason=reason,
        mark=mark,
        amount=amount,
        held=held,
        compared=tuple(compared),
        there=tuple(there),
    )
