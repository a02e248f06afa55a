"""Reading from a store: birds, moult entries, pairs, pedigree, photos and records."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Iterable, Iterator
from pathlib import Path

from sqlalchemy import Connection, Engine, func, or_, select

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm as models
from fieldmarks.birds import rows
from fieldmarks.birds.model import Bird, Entry, Look, Pair
from fieldmarks.record import Record, record_from_json

BATCH = 500  # ids in one query


def photo_path(look: Look) -> str:
    """Place of a look's photo in the folder."""
    return f"photos/{look.photo[:2]}/{look.photo}{look.ending}"


def beside_path(look: Look, what: str) -> str:
    """Place of a look's "regions" or "record" file."""
    return f"photos/{look.photo[:2]}/{look.photo}.{look.id}.{what}.json"


def ancestry(
    connection: Connection, birds: Iterable[str]
) -> dict[str, tuple[str | None, str | None]]:
    """Some birds and all their recorded ancestors, each with its father and mother."""
    table = models.birds
    found: dict[str, tuple[str | None, str | None]] = {}
    layer = set(birds)
    while layer:
        for some in _batches(layer):
            query = select(table.c.id, table.c.father, table.c.mother).where(table.c.id.in_(some))
            for row in connection.execute(query):
                found[row.id] = (row.father, row.mother)
        found |= {key: (None, None) for key in layer if key not in found}
        layer = {p for key in layer for p in found[key] if p} - set(found)
    return found


def _batches(keys: Iterable[str]) -> Iterator[list[str]]:
    waiting = iter(keys)
    while some := list(itertools.islice(waiting, BATCH)):
        yield some


class Reader:
    """The reading half of a store.

    Parameters
    ----------
    folder : Path
    engine : Engine
    """

    folder: Path
    engine: Engine

    def birds(self) -> list[Bird]:
        """All birds that count, in the order saved."""
        with self.engine.connect() as connection:
            return rows.birds(connection, models.birds.c.withdrawn == "")

    def birds_off_the_list(self) -> list[Bird]:
        """Birds taken off the list, in the order saved."""
        with self.engine.connect() as connection:
            return rows.birds(connection, models.birds.c.withdrawn != "")

    def bird(self, key: str) -> Bird:
        """A bird by its id.

        Raises
        ------
        FieldmarksError
        """
        with self.engine.connect() as connection:
            found = rows.birds(connection, models.birds.c.id == key)
        if not found:
            raise FieldmarksError("there is no such bird in the store", where=key)
        return found[0]

    def find(self, words: str) -> Bird:
        """The one bird whose ring, name or id (or its start) is given.

        Raises
        ------
        FieldmarksError
            None or several fit.
        """
        table = models.birds
        asked = words.strip().lower()
        exact = or_(func.lower(table.c.ring) == asked, func.lower(table.c.name) == asked)
        with self.engine.connect() as connection:
            found = rows.birds(connection, exact, table.c.withdrawn == "")
            if not found and len(asked) >= 6:
                found = rows.birds(connection, table.c.id.startswith(asked, autoescape=True))
        if len(found) == 1:
            return found[0]
        if not found:
            raise FieldmarksError(
                "there is no bird of that name or ring", where=words, mend="See the list of birds"
            )
        raise FieldmarksError(
            f"{len(found)} birds are called that", where=words, mend="Give the ring number"
        )

    def entries(self, bird: str, with_withdrawn: bool = False) -> list[Entry]:
        """Moult entries of a bird, by day and then in the order saved."""
        table = models.entries
        where = [table.c.bird == bird]
        if not with_withdrawn:
            where.append(table.c.withdrawn == "")
        with self.engine.connect() as connection:
            return rows.entries(connection, *where)

    def entries_with(self, photo: str) -> list[Entry]:
        """Entries that count and hold a photo, by its SHA-256; of any bird."""
        of_photo = select(models.looks.c.entry).where(models.looks.c.photo == photo)
        table = models.entries
        with self.engine.connect() as connection:
            return rows.entries(connection, table.c.id.in_(of_photo), table.c.withdrawn == "")

    def pairs(self, bird: str | None = None) -> list[Pair]:
        """Pairs that count, all or those of one bird."""
        table = models.pairs
        where = [table.c.withdrawn == ""]
        if bird is not None:
            where.append(or_(table.c.first == bird, table.c.second == bird))
        with self.engine.connect() as connection:
            return rows.pairs(connection, *where)

    def pair(self, key: str) -> Pair:
        """A pair by its id or the start of it.

        Raises
        ------
        FieldmarksError
        """
        table = models.pairs
        with self.engine.connect() as connection:
            found = rows.pairs(connection, table.c.id.startswith(key, autoescape=True))
        if len(found) != 1:
            raise FieldmarksError("there is no such pair", where=key, mend="See the list of pairs")
        return found[0]

    def ancestry(self, birds: Iterable[str]) -> dict[str, tuple[str | None, str | None]]:
        """Some birds and all their recorded ancestors, each with its father and mother."""
        with self.engine.connect() as connection:
            return ancestry(connection, birds)

    def names(self, birds: Iterable[str]) -> dict[str, str]:
        """Name and ring of some birds."""
        table = models.birds
        with self.engine.connect() as connection:
            return {
                bird.id: bird.label
                for some in _batches(birds)
                for bird in rows.birds(connection, table.c.id.in_(some))
            }

    def photo(self, look: Look) -> bytes:
        """The photo of a look, as it was given.

        Raises
        ------
        FieldmarksError
            It is missing or was changed.
        """
        data = self._read(photo_path(look))
        if hashlib.sha256(data).hexdigest() != look.photo:
            raise FieldmarksError(
                "this photo was changed after it was saved",
                where=look.file,
                mend="Take the photo from a backup",
            )
        return data

    def record(self, look: Look) -> Record:
        """The whole record of a look.

        Raises
        ------
        FieldmarksError
        """
        return record_from_json(self._read(beside_path(look, "record")), look.file)

    def region_file(self, look: Look) -> bytes:
        """The region file of a look."""
        return self._read(beside_path(look, "regions"))

    def _read(self, name: str) -> bytes:
        try:
            return (self.folder / name).read_bytes()
        except OSError as error:
            raise FieldmarksError(
                f"cannot be read ({error.strerror})",
                where=name,
                mend="Take it from a backup, or look for it with 'check-store'",
            ) from None
