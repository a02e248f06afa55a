"""Writing to a store: rows in the open transaction, and whether they fit together."""

import dataclasses
import zlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Table, bindparam, func, insert, select, update

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.due import summary, usual_tables
from fieldmarks.birds.model import (
    Bird,
    Entry,
    K,
    Kept,
    Pair,
    checked,
    contents,
    keys_of_birds,
    now,
    to_json,
)  # fmt: skip
from fieldmarks.birds.pedigree import kinship_order
from fieldmarks.birds.people import EVERYONE, check_owners
from fieldmarks.birds.reader import KINDS, Reader
from fieldmarks.birds.ring import ring_key


def differences(here: Kept, mine: Kept) -> list[tuple[str, str, str]]:
    """(field, its value here, mine) of every field in which two states of one thing differ."""
    other = contents(mine)
    return [
        (name, _words(value), _words(other[name]))
        for name, value in contents(here).items()
        if value != other[name]
    ]


def _words(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(getattr(v, "label", "") or getattr(v, "file", str(v)) for v in value)
    return "" if value is None else str(value)


class ConflictError(FieldmarksError):
    """Something was changed elsewhere since it was opened: both states, for the keeper to choose.

    Args:
        here (Bird, Entry or Pair): As it is in the store now.
        mine (Bird, Entry or Pair): As it was to be saved. To have it so all the same, save it with
            the revision of ``here``.
    """

    def __init__(self, here: Kept, mine: Kept) -> None:
        self.here, self.mine = here, mine
        said = "; ".join(f"{n} is {h!r}, yours {m!r}" for n, h, m in differences(here, mine))
        super().__init__(
            f"it was changed elsewhere since you opened it ({said or 'to the same'})",
            where=getattr(here, "label", type(here).__name__.lower()),
            mend="Open it again and repeat your change",
        )


class Writing(Reader):
    """One save under way; ``photos`` are those written for it."""

    def __init__(self, connection: Connection, photos: list[str]) -> None:
        super().__init__(connection)
        self.photos = photos
        self.touched: set[str] = set()  # birds whose summary changes

    def write(self, table: Table, **row: Any) -> None:
        """Write a row, in place of one whose first column is the same."""
        first = table.columns[0]
        self.connection.execute(table.delete().where(first == row[first.name]))
        self.connection.execute(insert(table), [row])

    def put_record(self, entry: str, key: str, photo: str, record: bytes) -> None:
        """Write the record of an observation, in place of an earlier one."""
        packed = zlib.compress(record)
        self.write(orm.observations, id=key, entry=entry, photo=photo, record=packed)

    def next_number(self, table: Table) -> int:
        """The number after the largest in use."""
        query = select(func.coalesce(func.max(table.c.number), 0) + 1)
        return int(self.value(query.execution_options(**EVERYONE)))

    def save(self, things: Sequence[K]) -> list[K]:
        """Check things, give them their numbers and the next revision, and put them.

        Raises:
            ConflictError: Someone else changed one of them since it was read.
            FieldmarksError: A value is out of bounds, or as :meth:`put`.
        """
        things = [checked(thing) for thing in things]
        kept: dict[str, K] = {}
        for kind, table in KINDS.items():
            own = [t for t in things if isinstance(t, kind)]
            here: dict[str, K] = self.by_id(kind, [t.id for t in own])
            number = self.next_number(table)
            for thing in own:
                earlier = here.get(thing.id)
                if earlier is not None and earlier.revision != thing.revision:
                    raise ConflictError(earlier, thing)
                own_number = earlier.number if earlier else number
                number += earlier is None
                kept[thing.id] = dataclasses.replace(
                    thing, number=own_number, revision=thing.revision + 1, saved_at=now()
                )
        self.put(list(kept.values()))
        return [kept[t.id] for t in things]

    def put(self, things: Sequence[Kept]) -> None:
        """Write things as they are, and check how they fit together; earlier states are replaced.

        Raises:
            FieldmarksError: A bird that one of them names is missing, a ring is on two birds, or a
                bird is its own ancestor.
        """
        for kind, table in KINDS.items():
            rows = {t.id: _row(t, table) for t in things if isinstance(t, kind)}
            there = {row.id for row in self.rows(select(table.c.id), (table.c.id, rows))}
            if kind is Bird:
                for bird, other in self.on_one_ring([t for t in things if isinstance(t, Bird)]):
                    raise FieldmarksError(
                        f"{other.name} has this ring already",
                        where=f"ring {bird.ring}",
                        mend="Correct one of them, or give both the year on their ring",
                    )
                self.touched |= rows.keys()
            new = [row for key, row in rows.items() if key not in there]
            if new:
                self.connection.execute(insert(table), new)
            self._change(table, {key: rows[key] for key in there})
            if kind is Bird:  # before anything is put to a bird that is not there
                self._check_named(things)
        self.touched |= {t.bird for t in things if isinstance(t, Entry)}

    def summarise(self) -> None:
        """Bring the summary columns of birds up to date."""
        of_bird: dict[str, list[Entry]] = defaultdict(list)
        e = orm.entries.c
        for entry in self.read(Entry, e.withdrawn == "", among=(e.bird, self.touched)):
            of_bird[entry.bird].append(entry)
        birds = self.by_id(Bird, sorted(self.touched))
        told = {k: summary(bird, of_bird[k], usual_tables()) for k, bird in birds.items()}
        self._change(orm.birds, told)

    def _change(self, table: Table, rows: dict[str, dict[str, Any]]) -> None:
        """Give rows of a table new values, by their ids."""
        if rows:
            change = update(table).where(table.c.id == bindparam("of_id"))
            told = [{n: v for n, v in row.items() if n != "id"} | {"of_id": key}
                    for key, row in rows.items()]  # fmt: skip
            self.connection.execute(change, told)

    def _check_named(self, things: Iterable[Kept]) -> None:
        """Every bird that a thing names must be there, and no bird be its own ancestor."""
        named: dict[str, Kept] = {}
        for thing in things:
            if isinstance(thing, Pair) and thing.first == thing.second:
                raise FieldmarksError(
                    "a bird cannot be paired with itself", mend="Choose two birds"
                )
            named |= {key: thing for key in keys_of_birds(thing) if key != thing.id}
        there = self.by_id(Bird, named)
        for key, thing in named.items():
            if key not in there:
                raise FieldmarksError(
                    "it names a bird that is not in the store",
                    where=getattr(thing, "label", type(thing).__name__.lower()),
                    mend="Add that bird first, or take a whole export",
                )
        check_owners(self, things)
        with_parents = [t.id for t in things if isinstance(t, Bird) and (t.father or t.mother)]
        if with_parents:
            parents = self.ancestry(with_parents)
            names = self.by_id(Bird, parents)
            kinship_order(parents, lambda key: names[key].name)  # refuses loops


def _row(thing: Kept, table: Table) -> dict[str, Any]:
    row = {name: value for name, value in vars(thing).items() if name in table.c}
    row["data"] = to_json(thing).decode()
    if isinstance(thing, Bird):
        row["ring_key"] = None if thing.withdrawn else ring_key(thing.ring)
        row["ring_year"] = thing.ring_year or 0
    return row
