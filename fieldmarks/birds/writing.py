"""Writing to a store: rows in the open transaction, and whether they fit together."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Table, bindparam, func, insert, select, update

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.due import summary, usual_tables
from fieldmarks.birds.model import Bird, Entry, K, Kept, Pair, keys_of_birds, to_json
from fieldmarks.birds.pedigree import kinship_order
from fieldmarks.birds.people import EVERYONE, check_owners
from fieldmarks.birds.reader import KINDS, ancestry, batches, read
from fieldmarks.birds.ring import ring_key, same_ring


@dataclass
class Writing:
    """One save under way."""

    connection: Connection
    photos: list[str] = field(default_factory=list)  # written for it
    touched: set[str] = field(default_factory=set)  # birds whose summary changes


def put_record(work: Writing, entry: str, key: str, photo: str, record: bytes) -> None:
    """Write the record of an observation, in place of an earlier one."""
    table = orm.observations
    row = {"id": key, "entry": entry, "photo": photo, "record": zlib.compress(record)}
    work.connection.execute(table.delete().where(table.c.id == key))
    work.connection.execute(insert(table), [row])


def next_number(connection: Connection, table: Table) -> int:
    """The number after the largest in use."""
    query = select(func.coalesce(func.max(table.c.number), 0)).execution_options(**EVERYONE)
    return int(connection.scalar(query) or 0) + 1


def known(connection: Connection, kind: type[K], keys: Sequence[str]) -> dict[str, K]:
    """Those of some things that are in the database."""
    column = KINDS[kind].c.id
    return {t.id: t for some in batches(keys) for t in read(connection, kind, column.in_(some))}


def put(work: Writing, things: Sequence[Kept]) -> None:
    """Write things as they are, and check how they fit together; earlier states are replaced.

    Raises:
        FieldmarksError: A bird that one of them names is missing, a ring is on two birds, or a bird
            is its own ancestor.
    """
    for kind, table in KINDS.items():
        rows = {t.id: _row(t, table) for t in things if isinstance(t, kind)}
        there: set[str] = set()
        for some in batches(rows):
            query = select(table.c.id).where(table.c.id.in_(some))
            there |= set(work.connection.scalars(query))
        if kind is Bird:
            _check_rings(work.connection, [t for t in things if isinstance(t, Bird)])
            work.touched |= there
            for bird in (t for t in things if isinstance(t, Bird) and t.id not in there):
                rows[bird.id] |= summary(bird, [], usual_tables())
        new = [row for key, row in rows.items() if key not in there]
        if new:
            work.connection.execute(insert(table), new)
        _change(work, table, {key: rows[key] for key in there})
        if kind is Bird:  # before anything is put to a bird that is not there
            _check_named(work.connection, things)
    work.touched |= {t.bird for t in things if isinstance(t, Entry)}


def _row(thing: Kept, table: Table) -> dict[str, Any]:
    names = [column.name for column in table.columns]
    row = {name: getattr(thing, name) for name in names if hasattr(thing, name)}
    row["data"] = to_json(thing).decode()
    if isinstance(thing, Bird):
        row["ring_key"] = None if thing.withdrawn else ring_key(thing.ring)
        row["ring_year"] = thing.ring_year or 0
    return row


def _check_rings(connection: Connection, birds: Sequence[Bird]) -> None:
    """No two birds on the list may have one ring."""
    ringed = [b for b in birds if b.ring and not b.withdrawn]
    mine = {b.id for b in birds}
    seen: dict[str, list[Bird]] = {}
    for some in batches({ring_key(b.ring) or "" for b in ringed}):
        for other in read(connection, Bird, orm.birds.c.ring_key.in_(some)):
            if other.id not in mine:
                seen.setdefault(ring_key(other.ring) or "", []).append(other)
    for bird in ringed:
        others = seen.setdefault(ring_key(bird.ring) or "", [])
        for other in others:
            if same_ring((other.ring, other.ring_year), (bird.ring, bird.ring_year)):
                raise FieldmarksError(
                    f"{other.name} has this ring already",
                    where=f"ring {bird.ring}",
                    mend="Correct one of them, or give both the year on their ring",
                )
        others.append(bird)


def _check_named(connection: Connection, things: Sequence[Kept]) -> None:
    """Every bird that a thing names must be there, and no bird be its own ancestor."""
    named: dict[str, Kept] = {}
    for thing in things:
        if isinstance(thing, Pair) and thing.first == thing.second:
            raise FieldmarksError("a bird cannot be paired with itself", mend="Choose two birds")
        named |= {key: thing for key in keys_of_birds(thing) if key != thing.id}
    there = known(connection, Bird, list(named))
    for key, thing in named.items():
        if key not in there:
            raise FieldmarksError(
                "it names a bird that is not in the store",
                where=getattr(thing, "label", type(thing).__name__.lower()),
                mend="Add that bird first, or take a whole export",
            )
    check_owners(connection, things)
    with_parents = [t.id for t in things if isinstance(t, Bird) and (t.father or t.mother)]
    if with_parents:
        parents = ancestry(connection, with_parents)
        names = known(connection, Bird, list(parents))
        kinship_order(parents, lambda key: names[key].name)  # refuses loops


def summarise(work: Writing) -> None:
    """Bring the summary columns of birds up to date."""
    of_bird: dict[str, list[Entry]] = {}
    table = orm.entries
    for some in batches(work.touched):
        for e in read(work.connection, Entry, table.c.bird.in_(some), table.c.withdrawn == ""):
            of_bird.setdefault(e.bird, []).append(e)
    touched = known(work.connection, Bird, sorted(work.touched))
    _change(
        work,
        orm.birds,
        {k: summary(bird, of_bird.get(k, []), usual_tables()) for k, bird in touched.items()},
    )


def _change(work: Writing, table: Table, rows: dict[str, dict[str, Any]]) -> None:
    """Give rows of a table new values, by their ids."""
    if rows:
        change = update(table).where(table.c.id == bindparam("of_id"))
        told = [
            {n: v for n, v in row.items() if n != "id"} | {"of_id": k} for k, row in rows.items()
        ]
        work.connection.execute(change, told)
