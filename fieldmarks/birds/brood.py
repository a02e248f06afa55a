"""The young of pairs, from egg to first moult: what is kept, what they tell, what comes next."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from sqlalchemy import select

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import mating, orm
from fieldmarks.birds.due import Reminder, brood_dates, stage_fits
from fieldmarks.birds.mating import young_faults
from fieldmarks.birds.model import EVENTS, Bird, Event, Pair, Young, checked, keys_of_birds
from fieldmarks.birds.ring import ring_key
from fieldmarks.birds.standing import showing_signs
from fieldmarks.birds.store import Store
from fieldmarks.rules import Tables


def save_young(store: Store, pair: Pair, young: Young, tables: Tables) -> Pair:
    """Add a young to a pair, in place of one of the same label; days that were known stay known.

    Raises:
        FieldmarksError: It cannot be a young of this pair, or not be through its first moult.
    """
    for old in pair.young:
        if ring_key(old.label) == ring_key(young.label):
            young = replace(young, **{e: getattr(young, e) or getattr(old, e) for e in EVENTS})
    others = tuple(y for y in pair.young if ring_key(y.label) != ring_key(young.label))
    pair = checked(replace(pair, young=(*others, young)))
    birds = store.by_id(Bird, keys_of_birds(pair))
    faults = young_faults(young, pair, birds, tables, date.today())
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
        if ring_key(young.label) == ring_key(label):
            return save_young(store, pair, replace(young, **{event: day}), tables)  # type: ignore[arg-type]
    raise FieldmarksError("the pair has no such young", where=label, mend="Add it first")


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
    birds = store.by_id(Bird, keys_of_birds(pair))
    row = tables.species.get(birds[pair.second].species or "")
    judged = _judged(store, pair, tables)
    gaps = [
        f"{y.label or 'A young'} does not count: {fault}."
        for y in pair.young
        for fault in young_faults(y, pair, birds, tables, date.today())[:1]
    ]
    gaps += [
        f"{y.label}: {own.looked_at} of {own.can_show} signs were looked at. Not looked at: "
        + " ".join(sign.text for sign in own.not_looked_at)
        for y, own in judged
        if own is not None and own.not_looked_at
    ]
    young, name = [y for y, _ in judged], row.name if row else "the mate's species"
    return mating.judge_mating(young, name, accepted, gaps)


def young_with_findings(store: Store, pair: Pair, tables: Tables) -> list[Young]:
    """Young of a pair; one that is left unclear but kept as a bird is judged by its own record.
    What cannot be is unclear.
    """
    return [young for young, _ in _judged(store, pair, tables)]


def _judged(
    store: Store, pair: Pair, tables: Tables
) -> list[tuple[Young, mating.OwnRecord | None]]:
    """The same, each with its own record if it is judged by that."""
    birds, found = store.by_id(Bird, keys_of_birds(pair)), []
    for y in pair.young:
        own, bird = None, birds.get(y.bird or "")
        if bird and y.finding == "unclear":
            species = bird.species or birds[pair.second].species
            looks = (e for e in store.entries(bird.id) if stage_fits(bird, e.day, e.stage, tables))
            own = mating.measured_finding(list(looks), showing_signs(species, bird.variety, tables))
        finding = y.finding if own is None else own.finding
        if young_faults(replace(y, finding=finding), pair, birds, tables, date.today()):
            finding = "unclear"
        shows = y.shows or (bird.variety if bird else "")
        found.append((replace(y, finding=finding, shows=shows), own))
    return found
