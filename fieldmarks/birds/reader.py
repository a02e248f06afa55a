"""Reading from a store: birds, moult entries, pairs, pedigree, photos and records."""

from __future__ import annotations

import itertools
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Engine, Table, func, or_, select

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.model import Bird, Entry, K, Observation, Pair, from_json
from fieldmarks.birds.observation import Evidence
from fieldmarks.birds.photos import PhotoFolder, photo_name
from fieldmarks.record import Record, record_from_json

KINDS: dict[type, Table] = {Bird: orm.birds, Entry: orm.entries, Pair: orm.pairs}
BATCH = 500  # ids in one query
SHORT_ID = 6  # signs of an id that are enough to ask for something by it


def read(connection: Connection, kind: type[K], *where: Any) -> list[K]:
    """Things of a kind, in the order first saved; entries by day and then so."""
    table = KINDS[kind]
    order = [table.c.day, table.c.number] if kind is Entry else [table.c.number]
    query = select(table.c.data).where(*where).order_by(*order)
    return [from_json(kind, text, "database") for text in connection.scalars(query)]


def batches(keys: Iterable[str]) -> Iterator[list[str]]:
    """Keys, few enough at a time for one query."""
    waiting = iter(keys)
    while some := list(itertools.islice(waiting, BATCH)):
        yield some


def ancestry(
    connection: Connection, birds: Iterable[str]
) -> dict[str, tuple[str | None, str | None]]:
    """Some birds and all their recorded ancestors, each with its father and mother."""
    table = orm.birds
    found: dict[str, tuple[str | None, str | None]] = {}
    layer = set(birds)
    while layer:
        for some in batches(layer):
            query = select(table.c.id, table.c.father, table.c.mother).where(table.c.id.in_(some))
            for row in connection.execute(query):
                found[row.id] = (row.father, row.mother)
        found |= {key: (None, None) for key in layer if key not in found}
        layer = {p for key in layer for p in found[key] if p} - set(found)
    return found


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
        {b.id: (b.label, b.hatched and f"hatched {b.hatched}", b.ring_year) for b in birds}
    )


class Reader:
    """The reading half of a store."""

    engine: Engine

    @property
    def photos(self) -> PhotoFolder:
        """Where the photos lie."""
        raise NotImplementedError

    def read(self, kind: type[K], *where: Any) -> list[K]:
        """Things of a kind, in the order first saved; entries by day and then so."""
        with self.engine.connect() as connection:
            return read(connection, kind, *where)

    def birds(self) -> list[Bird]:
        """All birds that count, in the order saved."""
        return self.read(Bird, orm.birds.c.withdrawn == "")

    def birds_off_the_list(self) -> list[Bird]:
        """Birds taken off the list, in the order saved."""
        return self.read(Bird, orm.birds.c.withdrawn != "")

    def bird(self, key: str) -> Bird:
        """A bird by its id.

        Raises:
            FieldmarksError
        """
        found = self.read(Bird, orm.birds.c.id == key)
        if not found:
            raise FieldmarksError("there is no such bird in the store", where=key)
        return found[0]

    def find(self, words: str, off_the_list: bool = False) -> Bird:
        """The one bird whose ring, name or id (or its start) is given.

        Args:
            off_the_list: Look among the birds taken off the list.

        Raises:
            FieldmarksError: None or several fit; then it says how to tell them apart.
        """
        table = orm.birds
        asked = words.strip().lower()
        listed = table.c.withdrawn != "" if off_the_list else table.c.withdrawn == ""
        exact = or_(func.lower(table.c.ring) == asked, func.lower(table.c.name) == asked)
        found = self.read(Bird, exact, listed)
        if not found and len(asked) >= SHORT_ID:
            by_id = table.c.id.startswith(asked, autoescape=True)
            found = self.read(Bird, by_id, *([listed] if off_the_list else []))
        if len(found) == 1:
            return found[0]
        problem, mend = "there is no bird of that name or ring", "See the list of birds"
        if found:
            said = "; ".join(f"{key[:8]} is {label}" for key, label in bird_labels(found).items())
            problem, mend = f"{len(found)} birds are called that", f"Give the id: {said}"
        elif off_the_list:
            off = ", ".join(bird_labels(self.birds_off_the_list()).values())
            problem, mend = f"{problem} off the list", f"Off the list: {off or 'none'}"
        raise FieldmarksError(problem, where=words, mend=mend)

    def entries(self, bird: str, with_withdrawn: bool = False) -> list[Entry]:
        """Moult entries of a bird, by day and then in the order saved."""
        table = orm.entries
        return self.read(
            Entry, table.c.bird == bird, *([] if with_withdrawn else [table.c.withdrawn == ""])
        )

    def entries_with(self, photo: str) -> list[Entry]:
        """Entries that count and hold a photo, by its SHA-256; of any bird."""
        name = orm.observations.c.photo.startswith(f"{photo[:2]}/{photo}.")
        of_photo = select(orm.observations.c.entry).where(name)
        return self.read(Entry, orm.entries.c.id.in_(of_photo), orm.entries.c.withdrawn == "")

    def pairs(self, bird: str | None = None) -> list[Pair]:
        """Pairs that count, all or those of one bird."""
        table = orm.pairs
        where = [table.c.withdrawn == ""]
        if bird is not None:
            where.append(or_(table.c.first == bird, table.c.second == bird))
        return self.read(Pair, *where)

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
        with self.engine.connect() as connection:
            return ancestry(connection, birds)

    def names(self, birds: Iterable[str]) -> dict[str, str]:
        """Name and ring of some birds."""
        table = orm.birds.c
        query = select(table.id, table.name, table.ring)
        with self.engine.connect() as connection:
            return {
                row.id: Bird(row.id, row.name, row.ring).label
                for some in batches(birds)
                for row in connection.execute(query.where(table.id.in_(some)))
            }

    def photo(self, observation: Observation) -> bytes:
        """The photo of an observation, as it was given.

        Raises:
            FieldmarksError: It is missing or was changed.
        """
        try:
            return self.photos.get(photo_name(observation))
        except FieldmarksError as error:
            where = f"{observation.file}, {error.where}"
            raise FieldmarksError(error.problem, where=where, mend=error.mend) from None

    def record_file(self, observation: Observation) -> bytes:
        """The record of an observation as JSON.

        Raises:
            FieldmarksError: It was lost.
        """
        table = orm.observations
        with self.engine.connect() as connection:
            found = connection.scalar(select(table.c.record).where(table.c.id == observation.id))
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
        return record_from_json(self.record_file(observation), observation.file)

    def evidence(self, entry: Entry, observation: Observation) -> Evidence:
        """An observation's photo and record, who measured it and when, and the tables it needs.

        Raises:
            FieldmarksError: The photo or the record is missing or was changed.
        """
        return Evidence(
            self.photo(observation),
            self.record(observation),
            entry.measurer,
            entry.day,
            self.packed_tables(observation.table_fingerprint),
        )

    def packed_tables(self, fingerprint: str) -> bytes | None:
        """The copy of the rule tables of that fingerprint."""
        table = orm.rule_tables
        query = select(table.c.packed).where(table.c.fingerprint == fingerprint)
        with self.engine.connect() as connection:
            return connection.scalar(query)

    def setting(self, key: str, connection: Connection | None = None) -> str:
        """A setting of the store, such as "ring_pattern"; empty if it was never given."""
        if connection is None:
            with self.engine.connect() as opened:
                return self.setting(key, opened)
        query = select(orm.settings.c.value).where(orm.settings.c.key == key)
        return connection.scalar(query) or ""
