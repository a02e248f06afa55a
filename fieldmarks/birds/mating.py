"""Test mating: what the young tell about a parent whose plumage cannot.

If each young of a hidden mixed pair had a chance p of showing a sign, independently, then n clean
young would come by luck alone with the chance (1 - p)^n (binomial distribution). p = 1/2 and
p = 1/4 are assumptions, not facts about any cross.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from typing import Literal

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.model import EVENTS, Bird, Entry, Pair, Young, YoungFinding
from fieldmarks.birds.moult import GROWN, compared
from fieldmarks.birds.ring import ring_key
from fieldmarks.birds.standing import standings
from fieldmarks.judge.signs import SignStatus
from fieldmarks.rules import Tables
from fieldmarks.rules.schema import Sign
from fieldmarks.rules.tables import age_class

ASSUMED = (Fraction(1, 2), Fraction(1, 4))
ACCEPTED_MISS = 0.05
WILD = "green"  # what all young of a pure green mate show
Verdict = Literal[
    "wrong pairing", "wrong colour", "consistent so far", "not enough young", "no young yet"
]


def miss_chance(clean: int, chance: float | Fraction) -> float:
    """Chance (1 - p)^n that n young are all clean although each could show a sign with chance p.

    Raises:
        FieldmarksError: n is negative or p is not between 0 and 1.
    """
    if clean < 0 or not 0 < chance < 1:
        problem = "the number of young cannot be negative, and the chance lies between 0 and 1"
        raise FieldmarksError(problem, mend="Correct the numbers")
    return float((1 - Fraction(chance)) ** clean)


def young_needed(chance: float | Fraction, accepted: float = ACCEPTED_MISS) -> int:
    """Smallest number of clean young for which the miss chance is at most ``accepted``.

    Raises:
        FieldmarksError: A chance is not between 0 and 1.
    """
    if not 0 < chance < 1 or not 0 < accepted < 1:
        raise FieldmarksError("a chance lies between 0 and 1", mend="Correct the numbers")
    kept, limit = 1 - Fraction(chance), Fraction(accepted)
    count = max(math.floor(math.log(accepted) / math.log(float(kept))) - 1, 0)
    while kept**count > limit:  # exact: logarithms may be off by one at the edge
        count += 1
    return count


@dataclass(frozen=True)
class OwnRecord:
    """What a young bird's own looks as a grown bird say."""

    finding: YoungFinding
    looked_at: int  # signs, of those that can show in its species and variety
    can_show: int
    not_looked_at: tuple[Sign, ...]


def _share_compared(sign: Sign, entries: Sequence[Entry]) -> float:
    """Share of a sign's marks that were compared in any of some entries; 1 for a relation."""
    read = {mark for entry in entries for mark in compared(entry.observations, sign.key)}
    return len(read.intersection(sign.marks)) / len(sign.marks) if sign.marks else 1.0


def measured_finding(entries: Sequence[Entry], can_show: Sequence[Sign]) -> OwnRecord:
    """What a young bird's own moult record says: all its looks as a grown bird.

    It is "sign" when a sign that is more than a hint was seen; "clean" when none was seen or left
    open and at least the share given in ``data/advice.toml`` of those that can show were looked at;
    else "unclear". A sign that is not there counts as looked at when at least that share of its
    marks was read.
    """
    least = advice_table().clean.share
    strengths = {sign.key: sign.strength for sign in can_show}
    grown = [e for e in entries if e.stage in GROWN]
    stood = [s for s in standings(grown) if s.sign in strengths]
    seen, absent = SignStatus.SEEN.value, SignStatus.NOT_SEEN.value
    enough = {sign.key for sign in can_show if _share_compared(sign, grown) >= least}
    looked_at = {s.sign for s in stood if s.status != absent or s.sign in enough}
    finding: YoungFinding = "unclear"
    if any(s.status == seen and strengths[s.sign] != "hint" for s in stood):
        finding = "sign"
    elif stood and all(s.status == absent and not s.disputed for s in stood):
        finding = "clean" if len(looked_at) >= least * len(can_show) else "unclear"
    missing = tuple(sign for sign in can_show if sign.key not in looked_at)
    return OwnRecord(finding, len(looked_at), len(can_show), missing)


def young_faults(
    young: Young, pair: Pair, birds: Mapping[str, Bird], tables: Tables, today: date
) -> list[str]:
    """Why a young cannot be what is said of it, one sentence each; empty when it can.

    ``birds`` are by id the pair and the bird that the young is kept as.
    """
    brood = advice_table().brood
    kept = birds.get(young.bird or "")
    hatched = young.hatched or (kept.hatched if kept else None)
    alike = [ring_key(y.label) for y in pair.young].count(ring_key(young.label))
    twice = alike > 1 or (kept and [y.bird for y in pair.young].count(kept.id) > 1)
    parents = {kept.father, kept.mother} - {None} if kept else set()
    laid, started = young.laid, pair.started
    early = laid and started and laid < started
    faults: tuple[tuple[object, str], ...] = (
        (
            not young.label.strip(),
            "it has no ring or name, so nobody can say which bird it is",
        ),
        (twice, "it stands there twice"),
        (kept and kept.id in (pair.first, pair.second), "it is one of the pair itself"),
        (parents - {pair.first, pair.second}, "other birds are on record as its parents"),
        (early, f"it was laid on {laid}, but the pair was put together on {started}"),
    )
    found = [sentence for is_so, sentence in faults if is_so]
    days = {event: getattr(young, event) for event in EVENTS} | {"hatched": hatched}
    known = [(EVENTS[event], day) for event, day in days.items() if day is not None]
    found += [
        f"it {told} on {day}, before it {first}"
        for (first, before), (told, day) in itertools.pairwise(known)
        if day < before and told != EVENTS["hatched"]  # that is looked at more closely below
    ]
    if hatched is None:
        if young.finding != "unclear" and laid:
            found.append(f"it was laid on {laid}, and no hatch date is on record")
        return found
    if hatched > today:
        return [*found, f"the hatch date {hatched} is yet to come"]
    needs = timedelta(days=brood.incubation_days)
    for since, what in ((laid, "was laid"), (started, "the pair was put together")):
        if since and hatched < since + needs:
            found.append(
                f"it hatched on {hatched}, but {what} on {since} and an egg needs {needs.days} "
                "days or more"
            )
    found += [
        f"it hatched on {hatched}, and {b.name} only on {b.hatched}"
        for b in map(birds.get, (pair.first, pair.second))
        if b
        and b.hatched
        and b.hatch_known == "exact"
        and hatched < b.hatched + timedelta(days=brood.parent_days)
    ]
    if young.finding != "unclear" and age_class(tables, hatched, today) == "young":
        found.append(f"it hatched on {hatched} and cannot be through its first moult yet")
    return found


@dataclass(frozen=True)
class Strength:
    """How strong so many clean young are under one assumed chance."""

    chance: Fraction
    miss: float
    needed: int
    more: int

    def __str__(self) -> str:
        return (
            f"If each young had a {self.chance} chance of showing a sign, so many clean young "
            f"would come by luck in {self.miss:.1%} of cases. {self.needed} are needed; "
            + (f"{self.more} more." if self.more else "that is reached.")
        )


@dataclass(frozen=True)
class MatingResult:
    """What a test mating tells so far; its young by finding."""

    verdict: Verdict
    sentence: str
    clean: int
    signs: int
    unclear: int
    strengths: tuple[Strength, ...]  # for each assumed chance; none where clean young prove nothing
    gaps: tuple[str, ...] = ()  # what does not count of the young, and why


def judge_mating(
    young: Sequence[Young],
    mate_species: str,
    accepted: float = ACCEPTED_MISS,
    gaps: Sequence[str] = (),
) -> MatingResult:
    """Judge a test mating by its young, looked at after their first moult.

    ``accepted`` is the miss chance that the keeper accepts.
    """
    odd = [y for y in young if y.shows not in ("", WILD)]
    clean = sum(y.finding == "clean" for y in young)
    signs = sum(y.finding == "sign" for y in young)
    unclear = len(young) - clean - signs
    strengths = tuple(
        Strength(chance, miss_chance(clean, chance), need, max(need - clean, 0))
        for chance in ASSUMED
        for need in [young_needed(chance, accepted)]
    )
    so_far = f"{clean} clean young and none with signs: consistent with {mate_species}"
    verdict: Verdict = "consistent so far"
    sentence = f"{so_far}. It is no proof."
    if signs:
        count = "One young shows" if signs == 1 else f"{signs} young show"
        verdict = "wrong pairing"
        sentence = (
            f"{count} signs of mixed ancestry: a wrong pairing. At least one parent is not pure "
            f"{mate_species}. Keep the young as pets."
        )
    elif odd:
        named = ", ".join(f"{y.label} ({y.shows.replace('_', ' ')})" for y in odd)
        verdict = "wrong colour"
        sentence = (
            f"Not all young are green: {named}. With a pure green mate they all are, so the mate "
            "is not pure green, or another bird is a parent. The clean young prove nothing now: "
            "begin anew with another mate. (A variety that shows in one dose, such as a dark "
            "factor, or one that a cock passes on to his daughters, may come from the bird asked "
            "about.)"
        )
    elif not clean:
        verdict = "no young yet"
        sentence = "No young has been looked at after its first moult yet, so nothing is known."
    elif strengths[-1].more:
        verdict, sentence = "not enough young", f"{so_far}, but that is not many."
    if unclear:
        sentence += f" {unclear} young cannot be judged yet."
    strengths = () if signs or odd else strengths  # then clean young prove nothing
    return MatingResult(verdict, sentence, clean, signs, unclear, strengths, tuple(gaps))
