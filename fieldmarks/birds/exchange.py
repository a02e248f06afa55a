"""One file with everything: export of a store and import into another.

The ZIP holds the same side files, photos, region files, records and tables as the store's folder,
a ``manifest.json`` with the SHA-256 of each, and ``schema.json``. The place is taken out of the
photos unless the keeper wants them as they were taken; their pictures are the same either way.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import re
import shutil
import zipfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sqlalchemy import select

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm as models
from fieldmarks.birds import rows
from fieldmarks.birds.archive import unpack
from fieldmarks.birds.model import (
    FOLDERS,
    Bird,
    Entry,
    Kept,
    Look,
    Pair,
    folder_of,
    from_json,
    life_schema,
    new_id,
    now,
    to_json,
)
from fieldmarks.birds.observation import Shot, shot_to_give
from fieldmarks.birds.pedigree import check_loops
from fieldmarks.birds.reader import ancestry, beside_path, photo_path
from fieldmarks.birds.store import STAGING, Store, Writing, next_number
from fieldmarks.birds.tables_copy import is_whole
from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE
from fieldmarks.measure.suffixes import ENDING

FORMAT, EDITION = "fieldmarks store", 1
_HEX = "[0-9a-f]"
NAMES = re.compile(
    rf"(?:birds|entries|pairs)/{_HEX}{{32}}\.json"
    rf"|photos/{_HEX}{{2}}/{_HEX}{{64}}\.(?:{ENDING})"
    rf"|photos/{_HEX}{{2}}/{_HEX}{{64}}\.{_HEX}{{32}}\.(?:regions|record)\.json"
    rf"|tables/{_HEX}{{64}}\.zip|manifest\.json|schema\.json"
)
Prefer = Literal["refuse", "mine", "theirs"]


@dataclass(frozen=True)
class Moved:
    """How many birds, entries, pairs and photos an export or import moved.

    ``same`` were there already; ``mended`` photos were lost or changed here and are whole again.
    """

    birds: int
    entries: int
    pairs: int
    photos: int
    same: int = 0
    mended: int = 0

    def __str__(self) -> str:
        text = (
            f"{self.birds} birds, {self.entries} moult entries, {self.pairs} pairs, "
            f"{self.photos} photos"
        )
        if self.same:
            text += f"; {self.same} were already there"
        if self.mended:
            text += f"; photos that were lost or changed here and are whole again: {self.mended}"
        return text


def everything(store: Store) -> tuple[list[Bird], list[Entry], list[Pair]]:
    """All birds, entries and pairs, withdrawn ones too."""
    with store.engine.connect() as connection:
        return rows.birds(connection), rows.entries(connection), rows.pairs(connection)


def export_store(store: Store, target: Path, with_place: bool = False) -> Moved:
    """Write a store into one ZIP file.

    Parameters
    ----------
    store : Store
    target : Path
    with_place : bool
        Keep the photos as they were taken; else the place and the maker's data are taken out.

    Raises
    ------
    FieldmarksError
        A photo is missing or was changed, the place cannot be taken out of it, or the file cannot
        be written.
    """
    birds, entries, pairs = everything(store)
    listed: dict[str, dict[str, object]] = {}
    temporary = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with zipfile.ZipFile(temporary, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed:

            def add(name: str, data: bytes) -> None:
                if name not in listed:
                    listed[name] = {"sha256": _digest(data), "bytes": len(data)}
                    # Photos are packed already; packing them again gains nothing.
                    kind = zipfile.ZIP_STORED if _is_photo(name) else zipfile.ZIP_DEFLATED
                    packed.writestr(name, data, kind)

            given: list[Entry] = []
            for entry in entries:
                looks = []
                for kept in entry.looks:
                    look, photo, regions, record = _given(store, kept, with_place)
                    add(photo_path(look), photo)
                    add(beside_path(look, "regions"), regions)
                    add(beside_path(look, "record"), record)
                    looks.append(look)
                given.append(dataclasses.replace(entry, looks=tuple(looks)))
            things: list[Kept] = [*birds, *given, *pairs]
            for thing in things:
                add(f"{folder_of(type(thing))}/{thing.id}.json", to_json(thing))
            for look in (look for entry in entries for look in entry.looks):
                tables = f"tables/{look.table_fingerprint}.zip"
                if (store.folder / tables).exists():
                    add(tables, _read(store, tables))
            add("schema.json", (json.dumps(life_schema(), indent=1) + "\n").encode())
            manifest = {
                "format": FORMAT,
                "edition": EDITION,
                "program": __version__,
                "made_at": now(),
                "about": TOLD_WITH_PLACE if with_place else TOLD,
                "files": listed,
            }
            packed.writestr("manifest.json", json.dumps(manifest, indent=1) + "\n")
        with temporary.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except OSError as error:
        raise FieldmarksError(
            f"cannot be written ({error.strerror})", where=str(target), mend="Free some space"
        ) from None
    finally:
        temporary.unlink(missing_ok=True)
    photos = sum(_is_photo(name) for name in listed)
    return Moved(len(birds), len(entries), len(pairs), photos)


def _given(store: Store, look: Look, with_place: bool) -> tuple[Look, bytes, bytes, bytes]:
    """A look as it goes out, with its photo, region file and record."""
    photo = store.photo(look)
    if not with_place:
        clean = shot_to_give(Shot(photo, store.record(look)))
        if clean.photo != photo:
            given = clean.record.measurement
            file, ending = given.photo[-200:], Path(given.photo).suffix.lower() or look.ending
            moved = dataclasses.replace(look, photo=given.sha256, file=file, ending=ending)
            return moved, clean.photo, clean.region_file, clean.record_file
    return look, photo, store.region_file(look), _read(store, beside_path(look, "record"))


def _same(store: Store, here: Kept, coming: Kept) -> bool:
    """Whether both say the same; a photo may have lost its place on the way."""
    here, coming = (dataclasses.replace(t, number=0) for t in (here, coming))
    if isinstance(here, Entry) and isinstance(coming, Entry) and here != coming:
        looks = tuple(
            _given(store, ours, with_place=False)[0]
            if ours.photo != theirs.photo and not _damaged(store, ours)
            else ours
            for ours, theirs in zip(here.looks, coming.looks, strict=False)
        )
        if len(here.looks) == len(coming.looks):
            here = dataclasses.replace(here, looks=looks)
    return here == coming


def _read(store: Store, name: str) -> bytes:
    try:
        return (store.folder / name).read_bytes()
    except OSError:
        raise FieldmarksError(
            "this file is missing from the store", where=name, mend="Take it from a backup"
        ) from None


def _damaged(store: Store, look: Look) -> bool:
    """Whether a kept photo, its regions or its record is lost or was changed."""
    try:
        _given(store, look, with_place=True)
    except FieldmarksError:
        return True
    return False


def _is_photo(name: str) -> bool:
    return name.startswith("photos/") and not name.endswith(".json")


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def import_store(store: Store, archive: Path, prefer: Prefer = "refuse") -> Moved:
    """Read an exported ZIP into a store: all of it or nothing.

    Parameters
    ----------
    store : Store
    archive : Path
    prefer : str
        What to do where both hold the same bird, entry or pair with different contents: "refuse"
        the import, keep "mine", or take "theirs".

    Raises
    ------
    FieldmarksError
        The file is damaged, too large, does not keep to the schema, or clashes with the store.
    """
    with store.writing() as work:  # holds the write lock, so that no one else cleans up our staging
        staging = store.folder / "unfinished" / f"{STAGING}{new_id()}"
        staging.mkdir()
        try:
            names = unpack(archive, staging, NAMES, EDITION)
            moved = _take(store, work, _load(staging, names, archive.name), staging, prefer)
            store.write_files(work)
            return moved
        finally:
            shutil.rmtree(staging, ignore_errors=True)


def _load(staging: Path, names: Iterable[str], where: str) -> list[Kept]:
    """Read and check every side file, and the files that its looks need."""
    from fieldmarks.measure.region_file import read_region_file
    from fieldmarks.record import record_from_json

    names = set(names)
    things: list[Kept] = []
    for name in sorted(names):
        folder, _, rest = name.partition("/")
        if folder in FOLDERS:
            place = f"{where}, {name}"
            thing: Kept = from_json(FOLDERS[folder], (staging / name).read_bytes(), place)
            if thing.id != rest.removesuffix(".json"):
                raise FieldmarksError("its id is not its name", where=place, mend="Get it again")
            things.append(thing)
    for look in (look for t in things if isinstance(t, Entry) for look in t.looks):
        for needed in needed_files(look):
            if needed not in names:
                raise FieldmarksError(f"it lacks {needed}", where=where, mend="Take a whole export")
        record = record_from_json(
            (staging / beside_path(look, "record")).read_bytes(), f"{where}, {look.file}"
        )
        read_region_file(staging / beside_path(look, "regions"))
        photo = _digest((staging / photo_path(look)).read_bytes())
        if not record.measurement.sha256 == look.photo == photo:
            raise FieldmarksError(
                "a photo and its record do not belong together", where=f"{where}, {look.file}"
            )
    return things


def needed_files(look: Look) -> list[str]:
    """Files without which a look is not whole."""
    return [photo_path(look), beside_path(look, "regions"), beside_path(look, "record")]


def _take(store: Store, work: Writing, things: list[Kept], staging: Path, prefer: Prefer) -> Moved:
    """Put checked things into the open transaction and list their files."""
    things = [t for kind in (Bird, Entry, Pair) for t in things if isinstance(t, kind)]
    new, replaced, same = [], [], 0
    mended: list[Look] = []
    for thing in things:
        here = store.side_content(work.connection, folder_of(type(thing)), thing.id)
        if isinstance(here, Entry) and isinstance(thing, Entry):
            mended += [look for look in thing.looks if look in here.looks and _damaged(store, look)]
        if here is None:
            new.append(thing)
        elif _same(store, here, thing):
            same += 1
        elif prefer == "theirs":
            replaced.append(dataclasses.replace(thing, number=here.number))
        elif prefer == "mine":
            same += 1
        else:
            raise FieldmarksError(
                f"a record of this store ({thing.id[:8]}) differs from the one in the file",
                where=getattr(thing, "name", type(thing).__name__.lower()),
                mend="Say whether to keep mine or take theirs (terminal: --keep mine or theirs)",
            )
    _check_names(store, work, [*new, *replaced])
    new = renumber(work, new)
    for kind in (Bird, Entry, Pair):
        rows.put_new(work.connection, [t for t in new if isinstance(t, kind)])
    for thing in replaced:
        rows.put(work.connection, thing)
    for thing in (*new, *replaced):
        work.files[f"{folder_of(type(thing))}/{thing.id}.json"] = to_json(thing)
        if isinstance(thing, Bird | Entry):
            work.touched.add(thing.bird if isinstance(thing, Entry) else thing.id)
    taken = [look for t in (*new, *replaced) if isinstance(t, Entry) for look in t.looks]
    for look in (*taken, *mended):
        work.files |= {n: staging / n for n in needed_files(look) if (staging / n).exists()}
    for path in sorted((staging / "tables").glob("*.zip")):
        # One's own whole copy is never replaced, and no copy by a damaged one.
        name = f"tables/{path.name}"
        if not is_whole(store.folder / name) and is_whole(path):
            work.files[name] = path
    counts = [sum(isinstance(t, k) for t in (*new, *replaced)) for k in (Bird, Entry, Pair)]
    photos = len({look.photo for look in taken})
    return Moved(counts[0], counts[1], counts[2], photos, same, len(mended))


def renumber(work: Writing, things: list[Kept]) -> list[Kept]:
    """Keep the numbers of things if they are free; else go on after those in use, in order."""
    done: list[Kept] = []
    for kind in (Bird, Entry, Pair):
        own = sorted((t for t in things if isinstance(t, kind)), key=lambda t: t.number)
        start = next_number(work.connection, kind)
        distinct = len({t.number for t in own}) == len(own)
        if not (start == 1 and distinct and all(t.number > 0 for t in own)):
            own = [dataclasses.replace(t, number=start + i) for i, t in enumerate(own)]
        done += own
    return done


def _check_names(store: Store, work: Writing, things: list[Kept]) -> None:
    """Every bird named must be in the store or come along, and no bird be its own ancestor."""
    coming = {t.id: t for t in things if isinstance(t, Bird)}
    from_outside = {p for b in coming.values() for p in (b.father, b.mother) if p} - set(coming)
    parents = ancestry(work.connection, from_outside)
    parents |= {b.id: (b.father, b.mother) for b in coming.values()}
    check_loops(parents, lambda key: coming[key].name if key in coming else key[:8])
    known = set(work.connection.scalars(select(models.birds.c.id))) | set(coming)
    for thing in things:
        if isinstance(thing, Bird):
            named = [thing.father, thing.mother]
        elif isinstance(thing, Entry):
            named = [thing.bird]
        else:
            named = [thing.first, thing.second, *(y.bird for y in thing.young)]
        if {n for n in named if n} - known:
            raise FieldmarksError(
                "it names a bird that is neither in the file nor here",
                where=f"{folder_of(type(thing))}/{thing.id}",
                mend="Take a whole export",
            )
