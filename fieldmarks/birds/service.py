"""What the app and the command line both do: questions answered from a store."""

from __future__ import annotations

import functools
from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.agreement import Account, Agreement, compare_accounts
from fieldmarks.birds.collection import bird_page
from fieldmarks.birds.copies import accounts
from fieldmarks.birds.dossier import Seal, write_dossier
from fieldmarks.birds.due import first_moult_over
from fieldmarks.birds.family import Relative
from fieldmarks.birds.mating import (
    ACCEPTED_MISS,
    MatingResult,
    OwnRecord,
    judge_mating,
    measured_finding,
)
from fieldmarks.birds.model import Bird, Entry, Pair, Stage, Young, new_id, told_apart
from fieldmarks.birds.moult import SignStory, sign_stories
from fieldmarks.birds.observation import Evidence, region_file_of
from fieldmarks.birds.pairing import PairAdvice, advise_pair, warnings_for_test
from fieldmarks.birds.ring import check_ring
from fieldmarks.birds.signature import own_key
from fieldmarks.birds.standing import showing_signs
from fieldmarks.birds.store import Store
from fieldmarks.judge.proposal import age_class
from fieldmarks.record import Question
from fieldmarks.rules import Tables

RING_PATTERN = "ring_pattern"  # setting: the shape of the keeper's ring numbers


def save_bird(store: Store, bird: Bird) -> Bird:
    """Save what a keeper says of a bird, once it can be so.

    Raises
    ------
    FieldmarksError
        Its ring does not have the keeper's shape, or as :meth:`Store.save`.
    """
    check_ring(bird.ring, store.setting(RING_PATTERN))
    if bird.ring and bird.ring_kind == "none":  # the program never makes a ring a closed one
        bird = replace(bird, ring_kind="not known")
    return store.save(bird)


def question_for(bird: Bird, day: date, stage: Stage, tables: Tables) -> Question:
    """What to ask of a photo: species and variety from the bird, age from its hatch date or stage.

    Raises
    ------
    FieldmarksError
        The photo was taken before the bird hatched.
    """
    age = advice_table().stage_ages[stage]
    if bird.hatched is not None:
        age = age_class(tables, bird.hatched, day)
    return Question(variety=bird.variety, age=age, claimed=bird.species)


def keep_look(
    store: Store,
    bird: Bird,
    evidence: Sequence[Evidence],
    tables: Tables,
    day: date,
    stage: Stage,
    measured_by: str,
    note: str = "",
) -> Entry:
    """Add a moult entry with measured photos.

    Raises
    ------
    FieldmarksError
        The day is yet to come or lies before the bird hatched, or the same is kept already.
    """
    if day > date.today():
        raise FieldmarksError(
            f"{day} is yet to come",
            where=bird.label,
            mend="Correct the day, or this computer's clock",
        )
    if bird.hatched is not None and day < bird.hatched:
        raise FieldmarksError(
            f"the bird hatched on {bird.hatched}, after {day}",
            where=bird.label,
            mend="Correct one of the dates",
        )
    who = measured_by.strip()
    given = {e.sha256: e.region_file for e in evidence}
    # Another person may well measure the same photo; the same person pressed twice.
    for earlier in store.entries(bird.id):
        mine = earlier.observations if earlier.measured_by == who else ()
        again = (o for o in mine if o.photo in given)
        if any(region_file_of(store.record(o)) == given[o.photo] for o in again):
            raise FieldmarksError(
                "this photo is kept already, with the same regions",
                where=f"{bird.label}, entry {earlier.number}",
                mend="Take another photo, or withdraw that entry first",
            )
    entry = Entry(new_id(), bird.id, day, stage, who, note=note)
    return store.save_entry(entry, evidence, tables)


def lost_comparisons(evidence: Sequence[Evidence], tables: Tables) -> list[str]:
    """Comparisons that photos taken together could show, but no single one of them does.

    Marks are compared inside one photo only, where they share the light and the camera.
    """
    drawn = [{r.mark for r in e.record.measurement.regions.regions} for e in evidence]
    together = set[str]().union(*drawn)
    done = {r.key for e in evidence for r in e.record.measurement.relations}
    return [
        f"{row.name} could not be compared: "
        + " and ".join(tables.marks[m].name for m in row.marks)
        + " are on different photos. Take one photo that shows both."
        for key, row in tables.relations.items()
        if key not in done
        and set(row.marks) <= together
        and not any(set(row.marks) <= marks for marks in drawn)
    ]


def pair_labels(store: Store, pairs: Collection[Pair]) -> dict[str, str]:
    """Id -> label of pairs to choose from, no two alike."""
    names = store.names({key for p in pairs for key in (p.first, p.second)})
    return told_apart(
        {
            p.id: (
                f"{names.get(p.first, '?')} and {names.get(p.second, '?')} ({p.purpose})",
                p.started and f"since {p.started}",
                f"{len(p.young)} young",
            )
            for p in pairs
        }
    )


def stories_of(store: Store, bird: Bird, tables: Tables) -> list[SignStory]:
    """What became of every sign of a bird."""
    texts = {key: row.text for key, row in tables.signs.items()}
    return sign_stories(store.entries(bird.id), texts, first_moult_over(bird, tables))


def advice_on_pair(
    store: Store, first: Bird, second: Bird, tables: Tables, today: date
) -> PairAdvice:
    """Advice on two birds from everything on record."""
    parents = store.ancestry([first.id, second.id])
    names = store.names(parents)
    entries = {b.id: store.entries(b.id) for b in (first, second)}
    relatives = {b.id: _relatives(store, b, tables) for b in (first, second)}
    return advise_pair(first, second, entries, parents, names, tables, today, relatives)


def _relatives(store: Store, bird: Bird, tables: Tables) -> list[Relative]:
    """Parents, grandparents and young on record; young of a mate of another species left out."""
    found = []
    for how, key in (("father", bird.father), ("mother", bird.mother)):
        if key:
            parent = store.bird(key)
            found.append(Relative(how, parent, store.entries(key)))
            found += [
                Relative("grandparent", store.bird(old), store.entries(old))
                for old in (parent.father, parent.mother)
                if old
            ]
    page = bird_page(store, bird.id)
    for young in page.young:
        others = [k for k in (young.father, young.mother) if k and k != bird.id]
        if all(_same_species(bird, store.bird(k)) for k in others):
            found.append(Relative("young", young, store.entries(young.id)))
    kept = {young.id for young in page.young}
    for pair in page.pairs:
        mate = store.bird(pair.second if pair.first == bird.id else pair.first)
        if not _same_species(bird, mate):
            continue
        for y in young_with_findings(store, pair, tables):
            if y.finding == "sign" and y.bird not in kept:
                named = store.bird(y.bird) if y.bird else Bird("", y.label)
                found.append(Relative("young", named, sign=True))
    return found


def _same_species(one: Bird, other: Bird) -> bool:
    return one.species is None or other.species in (None, one.species)


def before_test(
    store: Store, bird: Bird, mate: Bird, tables: Tables, today: date
) -> tuple[str, ...]:
    """What on record warns of a test mating, and then the usual cautions."""
    advice = advice_on_pair(store, bird, mate, tables, today)
    return (*warnings_for_test(bird, mate, advice), *advice_table().cautions("testing"))


def mating_result(
    store: Store, pair: Pair, tables: Tables, accepted: float = ACCEPTED_MISS
) -> MatingResult:
    """What a test mating tells so far."""
    species = store.bird(pair.second).species
    row = tables.species.get(species or "")
    young = young_with_findings(store, pair, tables)
    gaps = [
        f"{y.label}: {record.looked_at} of {record.can_show} signs were looked at. Not looked at: "
        + " ".join(sign.text for sign in record.not_looked_at)
        for y, record in zip(pair.young, _own_records(store, pair, tables), strict=True)
        if record is not None and record.not_looked_at
    ]
    return judge_mating(young, row.name if row else "the mate's species", accepted, gaps)


def young_with_findings(store: Store, pair: Pair, tables: Tables) -> list[Young]:
    """Young of a pair; one that is left unclear but kept as a bird is judged by its own record."""
    records = _own_records(store, pair, tables)
    return [
        y if record is None else replace(y, finding=record.finding)
        for y, record in zip(pair.young, records, strict=True)
    ]


def _own_records(store: Store, pair: Pair, tables: Tables) -> list[OwnRecord | None]:
    """Own record of each young that is judged by it; None for the others."""
    found: list[OwnRecord | None] = []
    for y in pair.young:
        if not y.bird or y.finding != "unclear":
            found.append(None)
            continue
        bird = store.bird(y.bird)
        species = bird.species or store.bird(pair.second).species
        can_show = showing_signs(species, bird.variety, tables)
        found.append(measured_finding(store.entries(bird.id), can_show))
    return found


def accounts_of(store: Store, entries: Sequence[Entry]) -> list[Account]:
    """Each observation of some entries with who measured it."""
    return accounts(
        [
            (
                entry.measured_by or f"entry {entry.number}",
                store.record(observation),
                functools.partial(store.photo, observation),
            )
            for entry in entries
            for observation in entry.observations
        ]
    )


def compare_measurers(store: Store, entries: Sequence[Entry]) -> Agreement:
    """How well the measurers of some entries agree.

    Raises
    ------
    FieldmarksError
        There are fewer than two looks.
    """
    return compare_accounts(accounts_of(store, entries))


def entries_of_day(store: Store, bird: Bird, day: date | None) -> list[Entry]:
    """Entries of a bird, all or those of one day.

    Raises
    ------
    FieldmarksError
        There are none.
    """
    found = [e for e in store.entries(bird.id) if day is None or e.day == day]
    if not found:
        raise FieldmarksError("there is no such entry", where=bird.label, mend="See its page")
    return found


def make_dossier(
    store: Store,
    bird: Bird,
    entries: Sequence[Entry],
    tables: Tables,
    target: Path,
    with_place: bool = False,
) -> Seal:
    """Write a dossier of some entries, signed with the keeper's key; gives its seal."""
    evidence = [store.evidence(entry, o) for entry in entries for o in entry.observations]
    return write_dossier(target, bird, evidence, tables, with_place, own_key())
