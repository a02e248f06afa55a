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

from sqlalchemy import URL, Connection, select

from fieldmarks._util.atomic_write import cannot_write, write_whole
from fieldmarks._util.errors import FieldmarksError, PhotoError
from fieldmarks._util.user_folder import user_folder
from fieldmarks.birds import orm
from fieldmarks.birds.archive import digest
from fieldmarks.birds.database import NO_WRITING, can_write, connect, keep_copy, writing
from fieldmarks.birds.model import Entry, K, Observation
from fieldmarks.birds.observation import MeasuredPhoto, observation_of
from fieldmarks.birds.people import EVERYONE, READS_ONLY, Person
from fieldmarks.birds.photos import PhotoBucket, PhotoFolder, photo_name
from fieldmarks.birds.reader import Reader
from fieldmarks.birds.tables_copy import pack_tables
from fieldmarks.birds.writing import Writing
from fieldmarks.rules import Tables

URL_VARIABLE = "FIELDMARKS_STORE_URL"
FOLDER_VARIABLE = "FIELDMARKS_STORE"
PHOTOS_VARIABLE = "FIELDMARKS_PHOTOS"  # a bucket, if photos are not to lie in the folder
DATABASE_FILE = "birds.sqlite"
COPIES = "copies"
MARK_FILE = "store-id.txt"  # in a folder of photos whose database lies elsewhere


def default_folder() -> Path:
    """Where the keeper's store lies on this computer."""
    given = os.environ.get(FOLDER_VARIABLE)
    return Path(given) if given else user_folder() / "birds"


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
        file = URL.create("sqlite", database=str(self.folder / DATABASE_FILE))
        self.engine = connect(url or file, self.folder if named or not url else None)
        self.read_only = not can_write(self.engine)
        bucket = os.environ.get(PHOTOS_VARIABLE)
        if bucket and not self.read_only:
            PhotoBucket(bucket)  # refused at once if it is none
            if not self.setting("bucket"):
                with self.writing() as work:
                    if not work.setting("bucket"):  # that of all members is the first one named
                        work.write(orm.settings, key="bucket", value=bucket)
        if self.own_file:
            if not self.read_only:
                keep_copy(self.folder / DATABASE_FILE, self.folder / COPIES)
        elif not named:
            self.folder = Path(self.setting("photos") or self.folder)
        elif not (self.read_only or self.setting("photos")):
            self._mark_folder()

    def connected(self) -> Connection:
        """A connection of its own for each question."""
        return self.engine.connect()

    @contextmanager
    def moment(self) -> Iterator[Reader]:
        """Several questions that are answered as things are at one moment."""
        with self.engine.connect() as connection:
            yield Reader(connection)

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

    def _mark_folder(self) -> None:
        """Make the folder that was named first that of the photos of a database elsewhere."""
        mark = self.folder / MARK_FILE
        with self.writing() as work:
            if not work.setting("id") and not mark.exists():
                key = secrets.token_hex(16)
                write_whole(mark, key + "\n")
                work.write(orm.settings, key="id", value=key)
                work.write(orm.settings, key="photos", value=str(self.folder.resolve()))

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

    def measured_photo(self, entry: Entry, observation: Observation) -> MeasuredPhoto:
        """An observation's photo and record, who measured it and when, and the tables it needs.

        Raises:
            FieldmarksError: The photo or the record is missing or was changed.
        """
        return MeasuredPhoto(
            self.photo(observation),
            self.record(observation),
            entry.measurer,
            entry.day,
            self.packed_tables(observation.table_fingerprint),
        )

    # --- saving ---

    def set_setting(self, key: str, value: str) -> None:
        """Keep a setting for everyone who uses this store."""
        with self.writing() as work:
            work.write(orm.settings, key=key, value=value)

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
            return work.save(things)

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
        photos: Sequence[MeasuredPhoto],
        tables: Tables,
        in_place_of: Entry | None = None,
    ) -> Entry:
        """Save a moult entry with new photos, in an order that does not depend on theirs.

        Args:
            entry: Its observations, if any, are kept; new ones are added.
            tables: The tables the photos were judged by; a copy is kept.
            in_place_of: Saved in the same step, struck out.
        """
        by_photo = sorted(photos, key=lambda e: (e.record.measurement.facts.taken, e.sha256))
        new = [(observation_of(e, tables), e) for e in by_photo]
        observations = (*entry.observations, *(o for o, _ in new))
        with self.writing() as work:
            new_entry = dataclasses.replace(entry, observations=observations)
            kept = work.save([new_entry, *([in_place_of] if in_place_of else [])])[0]
            for observation, e in new:
                name = photo_name(observation)
                self.put_photo(work, name, e.photo)
                work.put_record(kept.id, observation.id, name, e.record_file)
            t, key = orm.rule_tables.c, tables.fingerprint
            known = work.value(select(t.fingerprint).where(t.fingerprint == key))
            if new and not known and (packed := pack_tables(tables)):
                work.write(orm.rule_tables, fingerprint=key, packed=packed)
        return kept

    def put_photo(self, work: Writing, name: str, data: bytes) -> None:
        """Write a photo of a save; it is taken back if the save fails.

        Raises:
            PhotoError: It is not the one that its name is the fingerprint of.
        """
        if digest(data) != Path(name).stem:
            raise PhotoError(
                "the record was made from another photo", where=name, mend="Measure it again"
            )
        if self.photos.put(name, data):
            work.photos.append(name)

    @contextmanager
    def writing(self) -> Iterator[Writing]:
        """One save: everything in it is kept, or nothing."""
        if self.read_only:
            raise NO_WRITING
        if self.person is not None and self.person.role == "reader":
            raise READS_ONLY
        photos: list[str] = []
        try:
            with writing(self.engine) as connection:
                work = Writing(connection, photos)
                yield work
                work.summarise()
        except BaseException as error:
            if photos:
                with suppress(Exception):  # else they are left over, and 'check-store' finds them
                    self.take_back(photos)
            if isinstance(error, OSError):
                raise cannot_write(self.folder, error) from None
            raise

    def take_back(self, names: Sequence[str]) -> int:
        """Remove photos that no entry names; gives how many. No save is under way meanwhile."""
        o = orm.observations.c
        with writing(self.engine) as connection:
            needed = select(o.photo).execution_options(**EVERYONE)
            found = {row.photo for row in Reader(connection).rows(needed, (o.photo, names))}
            spare = [name for name in names if name not in found]
            for name in spare:
                self.photos.remove(name)
        return len(spare)
