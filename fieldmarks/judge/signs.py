"""Signs of mixed ancestry: tints and relations that a pure bird of a species should not show.

A mark on several photos has in each draw what most of them show, so that one bad photo of three
neither makes a sign nor hides it; what a single photo shows clearly is never called not seen.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from fieldmarks.judge.rendering import Array
from fieldmarks.measure.uncertainty import ColourDraws
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
    """Share of the area that shows any of some tints, in each draw (n,).

    ``colours`` (3, p, n) are L*, C* and hue angle in degrees (CIELAB, D65) of each population in
    each draw, ``fractions`` (p,) the shares of the populations.
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
            drawn = {mark: draws[mark] for mark in marks if mark in draws}
            found.append(_look_at_marks(tables, sign, drawn, age))
    return found


def _as_in(tables: Tables, sign: Sign, variety: str, age: str) -> Sign:
    """A sign on a relation, out of reach of what the colours expected there may be apart."""
    assert sign.relation is not None
    wanted = expected_relation(tables, sign.species, sign.relation, variety, age)
    if sign.above is None or wanted.high is None or wanted.basis != "derived":
        return sign
    above = max(sign.above, wanted.high + (tables.relations[sign.relation].margin or 0.0))
    return sign.model_copy(update={"above": above})


def _look_at_marks(
    tables: Tables, sign: Sign, drawn: Mapping[str, Sequence[ColourDraws]], age: str
) -> SignFinding:
    if not drawn:
        return _say(sign, SignStatus.NOT_LOOKED_AT, "None of its marks was read.")
    tints = [tables.tints[key] for key in sign.tints]
    shares = {
        mark: np.stack([tint_fraction(tints, d.polar, d.fractions) for d in photos])
        for mark, photos in drawn.items()
    }
    seen = _strongest(shares, {mark: share >= sign.min_fraction for mark, share in shares.items()})
    vague = any(all(d.wander > TOO_VAGUE for d in photos) for photos in drawn.values())
    outgrown = age in sign.juvenile and seen.amount <= (sign.juvenile_up_to or 1.0)
    said = (
        f"{seen.amount:.0%} of the {tables.marks[seen.mark].name} reads "
        f"{' or '.join(tint.name for tint in tints)}, {sign.min_fraction:.0%} is enough"
    )
    return _found(sign, seen, said, outgrown, vague)


def _look_at_relation(sign: Sign, photos: Sequence[Array], age: str) -> SignFinding:
    if not photos:
        return _say(sign, SignStatus.NOT_LOOKED_AT, "It was not measured.")
    key, values = str(sign.relation), np.stack(photos)
    low = -np.inf if sign.above is None else sign.above
    high = np.inf if sign.below is None else sign.below
    seen = _strongest({key: values}, {key: (values > low) & (values < high)})
    ends = {"above": sign.above, "below": sign.below}
    limits = [f"{word} {limit:g}" for word, limit in ends.items() if limit is not None]
    said = f"{seen.amount:.3g}; a sign {' and '.join(limits)}"
    # ``juvenile_up_to`` is a share of a mark; a relation has none.
    return _found(sign, seen, said, outgrown=age in sign.juvenile)


class _Seen(NamedTuple):
    """How far a sign is there: where it is strongest, its median there, and in how many draws.

    ``clear``: one photo by itself shows it; ``likely``: mark or relation -> share of the draws.
    """

    mark: str
    amount: float
    held: float
    clear: bool
    likely: Mapping[str, float]


def _strongest(values: Mapping[str, Array], present: Mapping[str, npt.NDArray[np.bool_]]) -> _Seen:
    """Sum up the draws of a sign.

    Args:
        values: Mark -> its share of the sign's tints, or relation -> its value; (photos, n) draws.
        present: The same keys -> whether the sign is there; (photos, n) bool.
    """
    # Of each mark in each draw, how much the photos agree that it is there: 0 to 1; (marks, n).
    agreed = np.stack([np.median(rows, axis=0) for rows in present.values()])
    likely = dict(zip(values, agreed.mean(axis=1).tolist(), strict=True))
    best = max(likely, key=lambda key: likely[key])
    return _Seen(
        mark=best,
        amount=float(np.median(values[best])),
        held=float(agreed.max(axis=0).mean()),
        clear=any(rows.mean(axis=1).max() >= SURE for rows in present.values()),
        likely=likely,
    )


def _found(sign: Sign, seen: _Seen, said: str, outgrown: bool, vague: bool = False) -> SignFinding:
    """A sign that was looked at; a ``vague`` colour rules none out, a young bird may outgrow it."""
    if seen.held >= SURE:
        status = SignStatus.LOOK_AGAIN if outgrown else SignStatus.SEEN
    elif seen.held > 1 - SURE or seen.clear or vague:
        status = SignStatus.DOUBTFUL
    else:
        status = SignStatus.NOT_SEEN
    return replace(
        _say(sign, status, f"{said}; seen in {seen.held:.0%} of the draws."),
        mark=seen.mark,
        amount=seen.amount,
        held=seen.held,
        compared=tuple(seen.likely),
        there=tuple(key for key, share in seen.likely.items() if share > 1 - SURE),
    )


def _say(sign: Sign, status: SignStatus, reason: str) -> SignFinding:
    return SignFinding(
        key=sign.key,
        species=sign.species,
        text=sign.text,
        status=status,
        points_to=sign.points_to,
        strength=sign.strength,
        evidence=sign.evidence,
        reason=reason,
    )
