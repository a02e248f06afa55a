"""What can be asked of a store: birds, moult entries, pairs, pedigree, tables and settings."""

import itertools
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from typing import Any

from sqlalchemy import Connection, Select, func, or_, select

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.model import FOLDERS, Bird, Entry, K, Observation, Pair, from_json
from fieldmarks.birds.ring import ring_key, same_ring
from fieldmarks.record import Record

KINDS = {kind: orm.metadata.tables[name] for name, kind in FOLDERS.items()}
BATCH = 500  # ids in one query
SHORT_ID = 6  # signs of an id that are enough to ask for something by it
Among = tuple[Any, Iterable[str]]  # a column, and the keys of which it is to hold one


def told_apart(parts: Mapping[str, Sequence[object]]) -> dict[str, str]:
    """Labels for things to choose from, no two alike.

    Args:
        parts (mapping of id -> what may be said of it): The first part is always said, each further
            one only where labels are still alike; last of all the start of the id.
    """
    labels = {key: str(said[0]) for key, said in parts.items()}
    longest = max((len(said) for said in parts.values()), default=0)
    for place in range(1, longest + 1):
        count = Counter(labels.values())
        alike = [key for key, label in labels.items() if count[label] > 1]
        for key in alike:
            more = parts[key][place] if place < len(parts[key]) else f"id {key[:8]}"
            if more:
                labels[key] += f", {more}"
    return labels


def bird_labels(birds: Iterable[Bird]) -> dict[str, str]:
    """Id -> label of birds to choose from, no two alike."""
    return told_apart(
        {b.id: (b.label, b.hatched and f"hatched {b.hatched}", b.ring_year, b.species,
                b.variety, b.sex) for b in birds}
    )  # fmt: skip


class Reader:
    """Questions to a store; a save or a moment asks in one transaction, a store in one for each."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection

    def connected(self) -> AbstractContextManager[Connection]:
        """The connection that the next question goes over."""
        return nullcontext(self.connection)

    def rows(self, query: Select[Any], among: Among | None = None) -> list[Any]:
        """Rows of a query; of those that hold one of some keys, however many keys there are."""
        with self.connected() as connection:
            if among is None:
                return list(connection.execute(query))
            found: list[Any] = []
            waiting = iter(among[1])
            while some := list(itertools.islice(waiting, BATCH)):
                found += connection.execute(query.where(among[0].in_(some)))
            return found

    def value(self, query: Select[Any]) -> Any:
        """The first cell of the first row of a query; None where there is none."""
        with self.connected() as connection:
            return connection.scalar(query)

    def read(self, kind: type[K], *where: Any, among: Among | None = None) -> list[K]:
        """Things of a kind, in the order first saved; entries by day and then so."""
        table = KINDS[kind]
        order = [table.c.day, table.c.number] if kind is Entry else [table.c.number]
        query = select(table.c.data).where(*where).order_by(*order)
        return [from_json(kind, row.data, "database") for row in self.rows(query, among)]

    def by_id(self, kind: type[K], keys: Iterable[str]) -> dict[str, K]:
        """Id -> thing, of those that are there."""
        return {thing.id: thing for thing in self.read(kind, among=(KINDS[kind].c.id, keys))}

    def birds(self, *where: Any, off_the_list: bool = False) -> list[Bird]:
        """All birds that count, or those taken off the list, in the order saved."""
        gone = orm.birds.c.withdrawn
        return self.read(Bird, gone != "" if off_the_list else gone == "", *where)

    def bird(self, key: str) -> Bird:
        """A bird by its id.

        Raises:
            FieldmarksError
        """
        found = self.by_id(Bird, [key])
        if not found:
            raise FieldmarksError("there is no such bird in the store", where=key)
        return found[key]

    def find(self, words: str, off_the_list: bool = False) -> Bird:
        """The one bird whose ring, name or id (or its start) is given.

        Args:
            off_the_list: Look among the birds taken off the list.

        Raises:
            FieldmarksError: None or several fit; then it says how to tell them apart.
        """
        b, asked = orm.birds.c, words.strip().lower()
        exact = or_(func.lower(b.ring) == asked, func.lower(b.name) == asked)
        found = self.birds(exact, off_the_list=off_the_list)
        if not found and len(asked) >= SHORT_ID:
            by_id = b.id.startswith(asked, autoescape=True)
            found = self.read(Bird, by_id, *([b.withdrawn != ""] if off_the_list else []))
        if len(found) == 1:
            return found[0]
        problem, mend = "there is no bird of that name or ring", "See the list of birds"
        if found:
            said = "; ".join(f"{key[:8]} is {label}" for key, label in bird_labels(found).items())
            problem, mend = f"{len(found)} birds are called that", f"Give the id: {said}"
        elif off_the_list:
            off = ", ".join(bird_labels(self.birds(off_the_list=True)).values())
            problem, mend = f"{problem} off the list", f"Off the list: {off or 'none'}"
        raise FieldmarksError(problem, where=words, mend=mend)

    def on_one_ring(self, birds: Sequence[Bird]) -> Iterator[tuple[Bird, Bird]]:
        """(bird, other) on the list with one ring; the others are here or earlier in ``birds``."""
        ringed = [b for b in birds if b.ring and not b.withdrawn]
        mine, keys = {b.id for b in birds}, {ring_key(b.ring) or "" for b in ringed}
        seen: dict[str | None, list[Bird]] = defaultdict(list)
        for other in self.read(Bird, among=(orm.birds.c.ring_key, keys)):
            if other.id not in mine:
                seen[ring_key(other.ring)].append(other)
        for bird in ringed:
            others = seen[ring_key(bird.ring)]
            for other in others:
                if same_ring((other.ring, other.ring_year), (bird.ring, bird.ring_year)):
                    yield bird, other
            others.append(bird)

    def entries(self, bird: str) -> list[Entry]:
        """Moult entries of a bird that count, by day and then in the order saved."""
        return self.read(Entry, orm.entries.c.bird == bird, orm.entries.c.withdrawn == "")

    def entries_with(self, photo: str) -> list[Entry]:
        """Entries that count and hold a photo, by its SHA-256; of any bird."""
        name = orm.observations.c.photo.startswith(f"{photo[:2]}/{photo}.")
        of_photo = select(orm.observations.c.entry).where(name)
        return self.read(Entry, orm.entries.c.id.in_(of_photo), orm.entries.c.withdrawn == "")

    def pairs(self, bird: str | None = None) -> list[Pair]:
        """Pairs that count, all or those of one bird."""
        p = orm.pairs.c
        of_bird = [] if bird is None else [or_(p.first == bird, p.second == bird)]
        return self.read(Pair, p.withdrawn == "", *of_bird)

    def pair(self, key: str) -> Pair:
        """A pair by its id or the start of it.

        Raises:
            FieldmarksError
        """
        asked = key.strip().lower()
        found = []
        if len(asked) >= SHORT_ID:
            found = self.read(Pair, orm.pairs.c.id.startswith(asked, autoescape=True))
        if len(found) != 1:
            problem = "several pairs begin so" if found else "there is no such pair"
            raise FieldmarksError(problem, where=key, mend="See the list of pairs for its id")
        return found[0]

    def ancestry(self, birds: Iterable[str]) -> dict[str, tuple[str | None, str | None]]:
        """Some birds and all their recorded ancestors, each with its father and mother."""
        b, layer = orm.birds.c, set(birds)
        found: dict[str, tuple[str | None, str | None]] = {}
        while layer:
            for row in self.rows(select(b.id, b.father, b.mother), (b.id, layer)):
                found[row.id] = (row.father, row.mother)
            found |= {key: (None, None) for key in layer if key not in found}
            layer = {p for key in layer for p in found[key] if p} - set(found)
        return found

    def names(self, birds: Iterable[str]) -> dict[str, str]:
        """Name and ring of some birds."""
        b = orm.birds.c
        rows = self.rows(select(b.id, b.name, b.ring), (b.id, birds))
        return {row.id: Bird(row.id, row.name, row.ring).label for row in rows}

    def record_file(self, observation: Observation) -> bytes:
        """The record of an observation as JSON.

        Raises:
            FieldmarksError: It was lost.
        """
        o = orm.observations.c
        found = self.value(select(o.record).where(o.id == observation.id))
        if found is None:
            raise FieldmarksError(
                "the record of this photo is not in the database",
                where=observation.file,
                mend="Take it from a backup ('bring-in'), or from the folder of whoever kept it "
                "('check-store --mend --from FOLDER')",
            )
        return zlib.decompress(found)

    def record(self, observation: Observation) -> Record:
        """The whole record of an observation.

        Raises:
            FieldmarksError
        """
        return Record.from_json(self.record_file(observation), observation.file)

    def packed_tables(self, fingerprint: str) -> bytes | None:
        """The copy of the rule tables of that fingerprint."""
        t = orm.rule_tables.c
        packed: bytes | None = self.value(select(t.packed).where(t.fingerprint == fingerprint))
        return packed

    def setting(self, key: str) -> str:
        """A setting of the store, such as "ring_pattern"; empty if it was never given."""
        s = orm.settings.c
        return self.value(select(s.value).where(s.key == key)) or ""
