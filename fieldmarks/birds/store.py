"""The store: a folder with photos and side files, and a database over them.

Layout of the folder::

    birds/ID.json  entries/ID.json  pairs/ID.json      side files (see life/bird.py)
    photos/ab/SHA256.jpg                               the photo as it was given
    photos/ab/SHA256.LOOK.regions.json, .record.json   what was drawn on it and read from it
    tables/FINGERPRINT.zip                             the rule tables it was judged by
    unfinished/ID.json                                 saves under way

A save writes a note of what it is about to do, then the files, then commits to the database, then
takes the note away. Whoever opens the store next finishes from the note: the database decides, and
files that it does not know are removed. So a save is there whole, or not at all.
"""

from __future__ import annotations

import dataclasses
import json
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import platformdirs
from sqlalchemy import Connection, Engine, func, select

from fieldmarks._util.atomic_write import cannot_write, clear_parts, settle_folder, write_whole
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm as models
from fieldmarks.birds import rows
from fieldmarks.birds.database import connect, sqlite_url, writing
from fieldmarks.birds.model import (
    FOLDERS,
    Bird,
    Entry,
    Kept,
    Pair,
    checked,
    folder_of,
    new_id,
    now,
    to_json,
)
from fieldmarks.birds.reader import Reader, ancestry, beside_path, photo_path

URL_VARIABLE = "FIELDMARKS_STORE_URL"
FOLDER_VARIABLE = "FIELDMARKS_STORE"
DATABASE_FILE = "birds.sqlite"
STAGING = "incoming-"
K = TypeVar("K", bound="Bird | Entry | Pair")


@dataclass
class Writing:
    """One save under way: the open transaction and the files that go with it."""

    connection: Connection
    note: Path
    files: dict[str, bytes | Path] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)  # birds whose summary changes


def default_folder() -> Path:
    """Where the keeper's store lies on this computer."""
    given = os.environ.get(FOLDER_VARIABLE)
    return Path(given) if given else _user_folder() / "birds"


def _user_folder() -> Path:
    return Path(platformdirs.user_data_dir("fieldmarks", appauthor=False))


class Store(Reader):
    """Birds, moult entries and pairs, kept for years.

    Parameters
    ----------
    folder : Path, optional
        Where photos and side files go; the user's data folder if not given.
    url : str, optional
        Database address; an SQLite file in the folder if not given.

    Raises
    ------
    FieldmarksError
        The folder or the database cannot be used.
    """

    def __init__(self, folder: Path | None = None, url: str | None = None) -> None:
        self.folder = Path(folder) if folder is not None else default_folder()
        try:
            for name in (*FOLDERS, "photos", "tables", "unfinished"):
                (self.folder / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise cannot_write(self.folder, error) from None
        given = url or os.environ.get(URL_VARIABLE)
        self.engine: Engine = connect(given or sqlite_url(self.folder / DATABASE_FILE))
        self.finish()

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- saving ---

    def save(self, thing: K) -> K:
        """Save a bird or a pair, new or changed; gives it back with number and time.

        Raises
        ------
        FieldmarksError
            A value is out of bounds, a bird it names is missing, someone else changed it since it
            was read, or its parents would make it its own ancestor.
        """
        with self.writing() as work:
            return self._put(work, thing)

    def withdraw(self, thing: K, why: str) -> K:
        """Save a bird, entry or pair as one that no longer counts; it stays on record.

        Raises
        ------
        FieldmarksError
            No reason is given, or as :meth:`save`.
        """
        if not why.strip():
            raise FieldmarksError("no reason is given", mend="Say why it no longer counts")
        return self.save(dataclasses.replace(thing, withdrawn=why.strip()))

    def save_all(self, things: Sequence[Kept]) -> None:
        """Save several things together: all of them or none."""
        with self.writing() as work:
            for thing in things:
                self._put(work, thing)

    def save_entry(self, entry: Entry, shots: Sequence[Any], tables: Any) -> Entry:
        """Save a moult entry with new photos.

        Parameters
        ----------
        entry : Entry
            Its looks, if any, are kept; new ones are added.
        shots : sequence of Shot
        tables : Tables
            The tables the shots were judged by; a copy is kept.
        """
        from fieldmarks.birds.observation import look_of

        looks = [look_of(shot, tables) for shot in shots]
        with self.writing() as work:
            for look, shot in zip(looks, shots, strict=True):
                work.files[photo_path(look)] = shot.photo
                work.files[beside_path(look, "regions")] = shot.region_file
                work.files[beside_path(look, "record")] = shot.record_file
                if f"tables/{look.table_fingerprint}.zip" not in work.files:
                    self._keep_tables(work, tables)
            return self._put(work, dataclasses.replace(entry, looks=(*entry.looks, *looks)))

    def _keep_tables(self, work: Writing, tables: Any) -> None:
        from fieldmarks.birds.tables_copy import pack_tables

        name = f"tables/{tables.fingerprint}.zip"
        if not (self.folder / name).exists():
            packed = pack_tables(tables)
            if packed is not None:
                work.files[name] = packed

    def _put(self, work: Writing, thing: K) -> K:
        thing = checked(thing)
        self._check_references(work.connection, thing)
        table = rows.KIND_TABLES[type(thing)]
        earlier = work.connection.execute(
            select(table.c.number, table.c.revision).where(table.c.id == thing.id)
        ).first()
        if earlier is not None and earlier.revision != thing.revision:
            raise FieldmarksError(
                "it was changed elsewhere since you opened it",
                where=_label(thing),
                mend="Open it again and repeat your change",
            )
        number = earlier.number if earlier else next_number(work.connection, type(thing))
        kept = dataclasses.replace(
            thing, number=number, revision=thing.revision + 1, saved_at=now()
        )
        rows.put(work.connection, kept)
        work.files[f"{folder_of(type(kept))}/{kept.id}.json"] = to_json(kept)
        if isinstance(kept, Pair):
            return kept
        work.touched.add(kept.bird if isinstance(kept, Entry) else kept.id)
        return kept

    def _check_references(self, connection: Connection, thing: Kept) -> None:
        if isinstance(thing, Bird):
            named = [b for b in (thing.father, thing.mother) if b]
            if named:
                from fieldmarks.birds.pedigree import check_loops

                known = ancestry(connection, named)
                known[thing.id] = (thing.father, thing.mother)
                check_loops(known, lambda key: self._name(connection, key))
        elif isinstance(thing, Entry):
            named = [thing.bird]
        else:
            named = [thing.first, thing.second, *(y.bird for y in thing.young if y.bird)]
            if thing.first == thing.second:
                raise FieldmarksError(
                    "a bird cannot be paired with itself", mend="Choose two birds"
                )
        table = models.birds
        found = set(connection.scalars(select(table.c.id).where(table.c.id.in_(named))))
        if set(named) - found:
            raise FieldmarksError(
                "it names a bird that is not in the store",
                where=_label(thing),
                mend="Add that bird first",
            )

    def _name(self, connection: Connection, key: str) -> str:
        table = models.birds
        return connection.scalar(select(table.c.name).where(table.c.id == key)) or key[:8]

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """One save: everything in it is kept, or nothing."""
        work: Writing | None = None
        try:
            with writing(self.engine) as connection:
                work = Writing(connection, self.folder / "unfinished" / f"{new_id()}.json")
                yield work
                self._summarise(connection, work.touched)
                self.write_files(work)
        except BaseException as error:
            if work is not None and work.note.exists():
                self.finish()
            if isinstance(error, OSError):
                raise cannot_write(self.folder, error) from None
            raise
        work.note.unlink(missing_ok=True)

    def write_files(self, work: Writing) -> None:
        """Write the files of a save, after a note of what they are."""
        if not work.files:
            return
        write_whole(work.note, json.dumps(sorted(work.files)))
        folders = set()
        for name, content in work.files.items():
            path = self.folder / name
            folders.add(path.parent)
            if isinstance(content, Path):
                path.parent.mkdir(parents=True, exist_ok=True)
                os.replace(content, path)
            elif not (name.startswith("photos/") and path.exists()):
                write_whole(path, content, settle=False)
        for folder in folders:
            settle_folder(folder)
        work.files.clear()

    def finish(self) -> None:
        """Finish saves that a crash cut off: the database decides what counts."""
        left = self.folder / "unfinished"
        if not any(left.iterdir()):
            return
        with writing(self.engine) as connection:
            # The lock is ours: no save is under way any more, so every note left is a cut-off one.
            for part in left.glob(".*.part"):
                part.unlink(missing_ok=True)
            for staging in left.glob(f"{STAGING}*"):
                shutil.rmtree(staging, ignore_errors=True)
            for note in sorted(left.glob("*.json")):
                for name in json.loads(note.read_bytes()):
                    clear_parts(self.folder / str(name))
                    self._match_database(connection, str(name))
                note.unlink(missing_ok=True)

    def _match_database(self, connection: Connection, name: str) -> None:
        """Bring one file of the folder in line with the database."""
        path = self.folder / name
        folder, _, rest = name.partition("/")
        if folder in FOLDERS:
            kept = self.side_content(connection, folder, rest.removesuffix(".json"))
            if kept is None:
                path.unlink(missing_ok=True)
            else:
                write_whole(path, to_json(kept))
        elif folder == "photos":
            photo, *more = path.name.split(".")
            column, key = models.looks.c.photo, photo
            if len(more) > 1:
                column, key = models.looks.c.id, more[0]
            known = select(func.count()).where(column == key)
            if not connection.scalar(known):
                path.unlink(missing_ok=True)

    def side_content(self, connection: Connection, folder: str, key: str) -> Kept | None:
        """The bird, entry or pair that a side file should hold."""
        kind = FOLDERS[folder]
        reader: Callable[..., Sequence[Kept]] = getattr(rows, folder)
        found = reader(connection, rows.KIND_TABLES[kind].c.id == key)
        return found[0] if found else None

    def _summarise(self, connection: Connection, touched: Iterable[str]) -> None:
        from fieldmarks.birds.due import summarise

        for key in touched:
            summarise(connection, key)


def next_number(connection: Connection, kind: type) -> int:
    """The number after the largest in use."""
    table = rows.KIND_TABLES[kind]
    return int(connection.scalar(select(func.coalesce(func.max(table.c.number), 0))) or 0) + 1


def _label(thing: Kept) -> str:
    return thing.name if isinstance(thing, Bird) else type(thing).__name__.lower()
