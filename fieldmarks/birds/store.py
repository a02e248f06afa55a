"""The store: a database that decides, and the photos it names.

Layout of the folder::

    birds.sqlite                 birds, entries, pairs, records and rule tables (or a database
                                 elsewhere: PostgreSQL, for a club)
    copies/birds-DAY.sqlite      how the file was each day
    photos/ab/SHA256.jpg         the photos as they were given

A save writes its photos under their fingerprints, then commits to the database. What was cut off in
between leaves at most a photo that no entry names; nothing confirmed can be lost, nothing is half.
"""

from __future__ import annotations

import copy
import dataclasses
import os
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import platformdirs
from sqlalchemy import insert, select

from fieldmarks._util.atomic_write import cannot_write, write_whole
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.database import NO_WRITING, can_write, connect, keep_copy, sqlite_url, writing
from fieldmarks.birds.model import Entry, K, Kept, checked, contents, now
from fieldmarks.birds.observation import Evidence, observation_of
from fieldmarks.birds.people import EVERYONE, READS_ONLY, Person
from fieldmarks.birds.photos import PhotoBucket, PhotoFolder, photo_name
from fieldmarks.birds.reader import KINDS, Reader, batches
from fieldmarks.birds.writing import Writing, known, next_number, put, put_record, summarise
from fieldmarks.rules import Tables

URL_VARIABLE = "FIELDMARKS_STORE_URL"
FOLDER_VARIABLE = "FIELDMARKS_STORE"
PHOTOS_VARIABLE = "FIELDMARKS_PHOTOS"  # a bucket, if photos are not to lie in the folder
DATABASE_FILE = "birds.sqlite"
COPIES = "copies"
MARK_FILE = "store-id.txt"  # in a folder of photos whose database lies elsewhere


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


def default_folder() -> Path:
    """Where the keeper's store lies on this computer."""
    given = os.environ.get(FOLDER_VARIABLE)
    return Path(given) if given else user_folder() / "birds"


def user_folder() -> Path:
    """The keeper's own folder for this program's data."""
    return Path(platformdirs.user_data_dir("fieldmarks", appauthor=False))


class Store(Reader):
    """Birds, moult entries and pairs, kept for years.

    Args:
        folder: Where photos go, and the database if ``url`` is not given. Default: the folder that
            the environment names, else the one that the database names, else the user's data
            folder.
        url: Database address; an SQLite file in the folder if neither this nor the environment
            names it.

    Raises:
        FieldmarksError: The folder or the database cannot be used.
    """

    def __init__(self, folder: Path | None = None, url: str | None = None) -> None:
        url = url or os.environ.get(URL_VARIABLE)
        named = folder is not None or FOLDER_VARIABLE in os.environ
        self.folder = Path(folder) if folder is not None else default_folder()
        self.own_file = not url
        self.person: Person | None = None  # whoever is signed in
        try:
            if not url:
                self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise cannot_write(self.folder, error) from None
        given = url or sqlite_url(self.folder / DATABASE_FILE)
        self.engine = connect(given, self.folder if named or not url else None)
        self.read_only = not can_write(self.engine)
        if (bucket := os.environ.get(PHOTOS_VARIABLE)) and not self.read_only:
            PhotoBucket(bucket)  # refused at once if it is none
            if not self.setting("bucket"):  # the one first named is that of all members' photos
                with writing(self.engine) as connection:
                    if not self.setting("bucket", connection):
                        row = {"key": "bucket", "value": bucket}
                        connection.execute(insert(orm.settings), [row])
        if not self.own_file:
            self.folder = self._shared_folder(named)
        elif not self.read_only:
            keep_copy(self.folder / DATABASE_FILE, self.folder / COPIES)

    def seen_by(self, person: Person) -> Store:
        """This store as one person sees it; see :mod:`fieldmarks.birds.people`."""
        own = copy.copy(self)
        own.engine = self.engine.execution_options(person=person)
        own.person = person
        return own

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- photos ---

    @property
    def photos(self) -> PhotoFolder:
        """Where the photos lie.

        Raises:
            FieldmarksError: It is not the folder that this database's photos are in, or nobody
                named one yet.
        """
        named, bucket = os.environ.get(PHOTOS_VARIABLE, ""), self.setting("bucket")
        if named != bucket:
            raise FieldmarksError(
                f"the photos of this database lie in {bucket or 'a folder'}",
                where=named or str(self.folder),
                mend=f"Put {bucket or 'nothing'} into {PHOTOS_VARIABLE}",
            )
        if bucket:
            return PhotoBucket(bucket)
        place = self.setting("photos")
        mark = self.folder / MARK_FILE
        with suppress(OSError):
            if self.own_file or mark.read_text(encoding="utf-8").strip() == self.setting("id"):
                return PhotoFolder(self.folder / "photos")
        raise FieldmarksError(
            f"the photos of this database do not lie here; they were first put into {place}"
            if place
            else "nobody has said yet where the photos of this database lie",
            where=str(self.folder),
            mend="Name the folder that all members reach: --store FOLDER, or FIELDMARKS_STORE",
        )

    def _shared_folder(self, named: bool) -> Path:
        """Folder of photos beside a database that lies elsewhere; the first one named is it."""
        place = self.setting("photos")
        if place or not named or self.read_only:
            return self.folder if named or not place else Path(place)
        mark = self.folder / MARK_FILE
        with self.writing() as work:
            known = self.setting("id", work.connection)
            if not known and not mark.exists():
                known = secrets.token_hex(16)
                write_whole(mark, known + "\n")
                for key, value in (("id", known), ("photos", str(self.folder.resolve()))):
                    work.connection.execute(insert(orm.settings), [{"key": key, "value": value}])
        return self.folder

    def set_setting(self, key: str, value: str) -> None:
        """Keep a setting for everyone who uses this store."""
        with self.writing() as work:
            table = orm.settings
            work.connection.execute(table.delete().where(table.c.key == key))
            work.connection.execute(insert(table), [{"key": key, "value": value}])

    # --- saving ---

    def save(self, thing: K) -> K:
        """Save a bird, entry or pair, new or changed; gives it back with number and time.

        Raises:
            FieldmarksError: A value is out of bounds, a bird it names is missing, another bird has
                its ring, or its parents would make it its own ancestor.
            ConflictError: Someone else changed it since it was read.
        """
        (kept,) = self.save_all([thing])
        return kept

    def save_all(self, things: Sequence[K]) -> list[K]:
        """Save several things together: all of them or none."""
        with self.writing() as work:
            return self._save(work, things)

    def withdraw(self, thing: K, why: str) -> K:
        """Save a bird, entry or pair as one that no longer counts; it stays on record.

        Raises:
            FieldmarksError: No reason is given, or as :meth:`save`.
        """
        if not why.strip():
            raise FieldmarksError("no reason is given", mend="Say why it no longer counts")
        return self.save(dataclasses.replace(thing, withdrawn=why.strip()))

    def save_entry(
        self,
        entry: Entry,
        evidence: Sequence[Evidence],
        tables: Tables | None,
        in_place_of: Entry | None = None,
    ) -> Entry:
        """Save a moult entry with new photos, in an order that does not depend on theirs.

        Args:
            entry: Its observations, if any, are kept; new ones are added.
            tables: The tables the photos were judged by; a copy is kept.
            in_place_of: Saved in the same step, struck out.
        """
        by_photo = sorted(evidence, key=lambda e: (e.record.measurement.facts.taken, e.sha256))
        new = [(observation_of(e, tables), e) for e in by_photo if tables is not None]
        observations = (*entry.observations, *(o for o, _ in new))
        with self.writing() as work:
            new_entry = dataclasses.replace(entry, observations=observations)
            kept = self._save(work, [new_entry, *([in_place_of] if in_place_of else [])])[0]
            for observation, e in new:
                self.put_photo(work, photo_name(observation), e.photo)
                put_record(work, kept.id, observation.id, photo_name(observation), e.record_file)
            if new and tables is not None:
                self._keep_tables(work, tables)
        return kept

    def put_photo(self, work: Writing, name: str, data: bytes) -> None:
        """Write a photo of a save; it is taken back if the save fails."""
        if self.photos.put(name, data):
            work.photos.append(name)

    def _keep_tables(self, work: Writing, tables: Tables) -> None:
        from fieldmarks.birds.tables_copy import pack_tables

        table = orm.rule_tables
        known = select(table.c.fingerprint).where(table.c.fingerprint == tables.fingerprint)
        if work.connection.scalar(known) is None and (packed := pack_tables(tables)) is not None:
            row = {"fingerprint": tables.fingerprint, "packed": packed}
            work.connection.execute(insert(table), [row])

    def _save(self, work: Writing, things: Sequence[K]) -> list[K]:
        """Give things their numbers and the next revision, and write them."""
        things = [checked(thing) for thing in things]
        kept: list[K] = []
        for kind, table in KINDS.items():
            own = [t for t in things if isinstance(t, kind)]
            here: dict[str, K] = known(work.connection, kind, [t.id for t in own])
            number = next_number(work.connection, table)
            for thing in own:
                earlier = here.get(thing.id)
                if earlier is not None and earlier.revision != thing.revision:
                    raise ConflictError(earlier, thing)
                given = {"revision": thing.revision + 1, "saved_at": now()}
                given["number"] = earlier.number if earlier else number
                number += earlier is None
                kept.append(dataclasses.replace(thing, **given))  # type: ignore[arg-type]
        put(work, kept)
        by_id = {t.id: t for t in kept}
        return [by_id[t.id] for t in things]

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """One save: everything in it is kept, or nothing."""
        if self.read_only:
            raise NO_WRITING
        if self.person is not None and self.person.role == "reader":
            raise READS_ONLY
        work: Writing | None = None
        try:
            with writing(self.engine) as connection:
                work = Writing(connection)
                yield work
                summarise(work)
        except BaseException as error:
            if work is not None and work.photos:
                with suppress(Exception):  # else they are left over, and 'check-store' finds them
                    self.take_back(work.photos)
            if isinstance(error, OSError):
                raise cannot_write(self.folder, error) from None
            raise

    def take_back(self, names: Sequence[str]) -> int:
        """Remove photos that no entry names; gives how many. No save is under way meanwhile."""
        table = orm.observations
        with writing(self.engine) as connection:
            found: set[str] = set()
            for some in batches(names):
                query = select(table.c.photo).where(table.c.photo.in_(some))
                query = query.execution_options(**EVERYONE)
                found |= set(connection.scalars(query))
            spare = [name for name in names if name not in found]
            for name in spare:
                self.photos.remove(name)
        return len(spare)
