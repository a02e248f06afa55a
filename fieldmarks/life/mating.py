"""Test mating: what the young tell about a parent whose plumage cannot.

If each young of a hidden mixed pair had a chance p of showing a sign, independently, then n clean
young would come by luck alone with the chance (1 - p)^n (binomial distribution). p = 1/2 and
p = 1/4 are assumptions, not facts about any cross.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from fieldmarks.errors import FieldmarksError
from fieldmarks.judging.signs import SignStatus
from fieldmarks.life.bird import Entry, Young, YoungFinding
from fieldmarks.life.moult import GROWN, in_order

ASSUMED = (Fraction(1, 2), Fraction(1, 4))
ACCEPTED_MISS = 0.05
Verdict = Literal["wrong pairing", "consistent so far", "not enough young", "no young yet"]


def miss_chance(clean: int, chance: float | Fraction) -> float:
    """Chance (1 - p)^n that n young are all clean although each could show a sign with chance p.

    Raises
    ------
    FieldmarksError
        n is negative or p is not between 0 and 1.
    """
    if clean < 0 or not 0 < chance < 1:
        raise FieldmarksError(
            "the number of young cannot be negative, and the chance lies between 0 and 1",
            mend="Correct the numbers",
        )
    return float((1 - Fraction(chance)) ** clean)


def young_needed(chance: float | Fraction, accepted: float = ACCEPTED_MISS) -> int:
    """Smallest number of clean young for which the miss chance is at most ``accepted``.

    Raises
    ------
    FieldmarksError
        A chance is not between 0 and 1.
    """
    if not 0 < chance < 1 or not 0 < accepted < 1:
        raise FieldmarksError("a chance lies between 0 and 1", mend="Correct the numbers")
    kept, limit = 1 - Fraction(chance), Fraction(accepted)
    count = max(math.floor(math.log(accepted) / math.log(float(kept))) - 1, 0)
    while kept**count > limit:  # exact: logarithms may be off by one at the edge
        count += 1
    return count


def measured_finding(entries: Sequence[Entry]) -> YoungFinding:
    """What a young bird's own moult record says: its last looks as a grown bird.

    Parameters
    ----------
    entries : sequence of Entry
        Of the young bird.

    Returns
    -------
    str
        "sign" when a sign was seen, "clean" when signs were looked for and none was seen or left
        open, else "unclear".
    """
    grown = [e for e in in_order(entries) if e.stage in GROWN and e.looks]
    found = [s.status for look in (grown[-1].looks if grown else ()) for s in look.signs]
    if SignStatus.SEEN.value in found:
        return "sign"
    if found and all(status == SignStatus.NOT_SEEN.value for status in found):
        return "clean"
    return "unclear"


@dataclass(frozen=True)
class Strength:
    """How strong so many clean young are under one assumed chance."""

    chance: float
    miss: float
    needed: int
    more: int

    def __str__(self) -> str:
        part = Fraction(self.chance).limit_denominator(100)
        return (
            f"If each young had a {part} chance of showing a sign, so many clean young would come "
            f"by luck in {self.miss:.1%} of cases. {self.needed} are needed; "
            + (f"{self.more} more." if self.more else "that is reached.")
        )


@dataclass(frozen=True)
class MatingResult:
    """What a test mating tells so far.

    Parameters
    ----------
    verdict : str
    sentence : str
    clean, signs, unclear : int
        Young by finding.
    strengths : tuple of Strength
        One for each assumed chance.
    """

    verdict: Verdict
    sentence: str
    clean: int
    signs: int
    unclear: int
    strengths: tuple[Strength, ...]


def judge_mating(
    young: Sequence[Young], mate_species: str, accepted: float = ACCEPTED_MISS
) -> MatingResult:
    """Judge a test mating by its young.

    Parameters
    ----------
    young : sequence of Young
        Only those looked at after their first moult count as clean or with signs.
    mate_species : str
        Name of the mate's species, for the sentence.
    accepted : float
        Miss chance that the keeper accepts.
    """
    clean = sum(y.finding == "clean" for y in young)
    signs = sum(y.finding == "sign" for y in young)
    unclear = len(young) - clean - signs
    strengths = tuple(
        Strength(float(p), miss_chance(clean, p), need, max(need - clean, 0))
        for p in ASSUMED
        for need in (young_needed(p, accepted),)
    )
    if signs:
        count = "One young shows" if signs == 1 else f"{signs} young show"
        verdict: Verdict = "wrong pairing"
        sentence = (
            f"{count} signs of mixed ancestry: a wrong pairing. At least one parent is not pure "
            f"{mate_species}. Keep the young as pets."
        )
    elif not clean:
        verdict = "no young yet"
        sentence = "No young has been looked at after its first moult yet, so nothing is known."
    elif strengths[-1].more:
        verdict = "not enough young"
        sentence = (
            f"{clean} clean young and none with signs: consistent with {mate_species}, but that is "
            "not many."
        )
    else:
        verdict = "consistent so far"
        sentence = (
            f"{clean} clean young and none with signs: consistent with {mate_species}. It is no "
            "proof."
        )
    if unclear:
        sentence += f" {unclear} young cannot be judged yet."
    return MatingResult(verdict, sentence, clean, signs, unclear, strengths)
