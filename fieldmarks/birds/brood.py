"""The young of pairs, from egg to first moult: what is kept, what they tell, what comes next."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from sqlalchemy import select

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import mating, orm
from fieldmarks.birds.due import Reminder, brood_dates, stage_fits
from fieldmarks.birds.mating import young_faults, young_key
from fieldmarks.birds.model import EVENTS, Bird, Event, Pair, Young, checked
from fieldmarks.birds.standing import showing_signs
from fieldmarks.birds.store import Store
from fieldmarks.rules import Tables


def save_young(store: Store, pair: Pair, young: Young, tables: Tables) -> Pair:
    """Add a young to a pair, in place of one of the same label; days that were known stay known.

    Raises:
        FieldmarksError: It cannot be a young of this pair, or not be through its first moult.
    """
    for old in pair.young:
        if young_key(old) == young_key(young):
            young = replace(young, **{e: getattr(young, e) or getattr(old, e) for e in EVENTS})
    others = tuple(y for y in pair.young if young_key(y) != young_key(young))
    pair = checked(replace(pair, young=(*others, young)))
    faults = young_faults(young, pair, _birds_of(store, pair), tables, date.today())
    if faults:
        mend = "Correct it" if "moult" not in faults[0] else "Leave it 'unclear' until then"
        raise FieldmarksError(faults[0], where=young.label, mend=mend)
    return store.save(pair)


def note_event(
    store: Store, pair: Pair, label: str, event: Event, day: date, tables: Tables
) -> Pair:
    """Note when an egg or a young of a pair was laid, hatched, was ringed or left the nest.

    Raises:
        FieldmarksError: The pair has no young of that label, or as :func:`save_young`.
    """
    for young in pair.young:
        if young_key(young) == young_key(Young(label)):
            return save_young(store, pair, replace(young, **{event: day}), tables)  # type: ignore[arg-type]
    raise FieldmarksError("the pair has no such young", where=label, mend="Add it first")


def _birds_of(store: Store, pair: Pair) -> dict[str, Bird]:
    """The pair, and those of its young that are kept as birds."""
    keys = {pair.first, pair.second, *(y.bird for y in pair.young if y.bird)}
    return {key: store.bird(key) for key in keys}


def dates_of(store: Store, pairs: Sequence[Pair], tables: Tables, today: date) -> list[Reminder]:
    """When the young of pairs hatch, are to be ringed, and fly; soonest first."""
    pairs = [p for p in pairs if any(not y.fledged and (y.laid or y.hatched) for y in p.young)]
    mates = store.by_id(Bird, [p.second for p in pairs])
    rows = [(p, tables.species.get(mates[p.second].species or ""))
            for p in pairs if p.second in mates]  # fmt: skip
    found = [replace(reminder, about=pair.id) for pair, row in rows if row
             for reminder in brood_dates(pair.young, row.facts, today)]  # fmt: skip
    return sorted(found, key=lambda r: (r.day, r.text))


def coming_up(store: Store, tables: Tables, today: date) -> list[Reminder]:
    """What is to be done with all young and birds, soonest first.

    A bird that was never measured is due at once, not on a day, and is not among them.
    """
    b = orm.birds.c
    wanted = (b.look_due > date(1970, 1, 1), b.withdrawn == "", b.status == "here")
    due = store.rows(select(b.id, b.name, b.look_due).where(*wanted))
    looks = [
        Reminder(day, day, "look again", f"{name}: a look is due from {day}.", bird, name)
        for bird, name, day in due
    ]
    return sorted((*dates_of(store, store.pairs(), tables, today), *looks), key=lambda r: r.day)


def mating_result(
    store: Store, pair: Pair, tables: Tables, accepted: float = mating.ACCEPTED_MISS
) -> mating.MatingResult:
    """What a test mating tells so far."""
    species = store.bird(pair.second).species
    row = tables.species.get(species or "")
    young = young_with_findings(store, pair, tables)
    birds = _birds_of(store, pair)
    gaps = [
        f"{y.label or 'A young'} does not count: {fault}."
        for y in pair.young
        for fault in young_faults(y, pair, birds, tables, date.today())[:1]
    ]
    gaps += [
        f"{y.label}: {record.looked_at} of {record.can_show} signs were looked at. Not looked at: "
        + " ".join(sign.text for sign in record.not_looked_at)
        for y, record in zip(pair.young, _own_records(store, pair, tables), strict=True)
        if record is not None and record.not_looked_at
    ]
    return mating.judge_mating(young, row.name if row else "the mate's species", accepted, gaps)


def young_with_findings(store: Store, pair: Pair, tables: Tables) -> list[Young]:
    """Young of a pair; one that is left unclear but kept as a bird is judged by its own record.
    What cannot be is unclear.
    """
    birds, found = _birds_of(store, pair), []
    for y, record in zip(pair.young, _own_records(store, pair, tables), strict=True):
        finding = y.finding if record is None else record.finding
        if young_faults(replace(y, finding=finding), pair, birds, tables, date.today()):
            finding = "unclear"
        shows = y.shows or (store.bird(y.bird).variety if y.bird else "")
        found.append(replace(y, finding=finding, shows=shows))
    return found


def _own_records(store: Store, pair: Pair, tables: Tables) -> list[mating.OwnRecord | None]:
    """Own record of each young that is judged by it; None for the others."""
    found: list[mating.OwnRecord | None] = []
    for y in pair.young:
        if not y.bird or y.finding != "unclear":
            found.append(None)
            continue
        bird = store.bird(y.bird)
        species = bird.species or store.bird(pair.second).species
        can_show = showing_signs(species, bird.variety, tables)
        entries = [e for e in store.entries(bird.id) if stage_fits(bird, e.day, e.stage, tables)]
        found.append(mating.measured_finding(entries, can_show))
    return found
