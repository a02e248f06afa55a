"""Looking after a store: check it, mend it, and rebuild the database from the folder."""

from __future__ import annotations

import dataclasses
import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import rows
from fieldmarks.birds.exchange import everything, needed_files, renumber
from fieldmarks.birds.model import FOLDERS, Bird, Entry, Kept, Pair, from_json, to_json
from fieldmarks.birds.store import DATABASE_FILE, Store, Writing
from fieldmarks.birds.tables_copy import is_whole


@dataclass(frozen=True)
class StoreProblem:
    """Something in the folder and the database that do not go together.

    Parameters
    ----------
    where : str
        File or record.
    problem : str
    mendable : bool
        Whether :func:`mend_store` puts it right without losing anything.
    """

    where: str
    problem: str
    mendable: bool

    def __str__(self) -> str:
        tail = "can be mended" if self.mendable else "take it from a backup, or leave it"
        return f"{self.where}: {self.problem} ({tail})"


def check_store(store: Store) -> list[StoreProblem]:
    """Compare folder and database, and every photo with its fingerprint."""
    known = {_side_name(t): t for group in everything(store) for t in group}
    found, broken = _side_files(store.folder)
    problems = [
        StoreProblem(name, "its side file is missing or out of date", True)
        for name, thing in known.items()
        if found.get(name) != thing
    ]
    problems += [StoreProblem(where, text, False) for where, text in broken]
    for name, thing in found.items():
        if name not in known:
            missing = _missing(store.folder, thing)
            text = (
                f"not in the database; it lacks {missing[0]}" if missing else "not in the database"
            )
            problems.append(StoreProblem(name, text, not missing))
    problems += [
        StoreProblem(f"tables/{path.name}", "this copy of the rule tables is damaged", False)
        for path in sorted((store.folder / "tables").glob("*.zip"))
        if not is_whole(path)
    ]
    return problems + _photo_problems(store, known)


def _photo_problems(store: Store, known: dict[str, Kept]) -> list[StoreProblem]:
    problems = []
    wanted: set[str] = set()
    for look in (look for t in known.values() if isinstance(t, Entry) for look in t.looks):
        photo, regions, record = needed_files(look)
        wanted |= {photo, regions, record}
        path = store.folder / photo
        if not path.exists():
            problems.append(StoreProblem(photo, f"the photo {look.file} is missing", False))
        elif hashlib.sha256(path.read_bytes()).hexdigest() != look.photo:
            problems.append(StoreProblem(photo, f"the photo {look.file} was changed", False))
        problems += [
            StoreProblem(name, f"a file of {look.file} is missing", False)
            for name in (regions, record)
            if not (store.folder / name).exists()
        ]
    for path in sorted((store.folder / "photos").rglob("*")):
        name = path.relative_to(store.folder).as_posix()
        if path.is_file() and name not in wanted:
            problems.append(StoreProblem(name, "no entry knows this file", False))
    return problems


def mend_store(store: Store) -> int:
    """Take in side files that the database does not know, and write out-of-date ones afresh.

    A side file with a higher revision than the database wins: it was confirmed later. Nothing is
    removed.

    Returns
    -------
    int
        How many records were mended.
    """
    found, _ = _side_files(store.folder)
    with store.writing() as work:
        known = {_side_name(t): t for group in _now(work) for t in group}
        new, newer = [], []
        for name, thing in found.items():
            if _missing(store.folder, thing):
                continue
            if name not in known:
                new.append(thing)
            elif thing.revision > known[name].revision:
                newer.append(dataclasses.replace(thing, number=known[name].number))
        new = renumber(work, new)
        for kind in (Bird, Entry, Pair):
            rows.put_new(work.connection, [t for t in new if isinstance(t, kind)])
        for thing in newer:
            rows.put(work.connection, thing)
        changed = {_side_name(t): t for t in (*new, *newer)}
        for name, thing in (known | changed).items():
            path = store.folder / name
            if not path.exists() or path.read_bytes() != to_json(thing):
                work.files[name] = to_json(thing)
        for thing in changed.values():
            if isinstance(thing, Bird | Entry):
                work.touched.add(thing.bird if isinstance(thing, Entry) else thing.id)
        return len(set(work.files) | set(changed))


def _now(work: Writing) -> tuple[list[Bird], list[Entry], list[Pair]]:
    return rows.birds(work.connection), rows.entries(work.connection), rows.pairs(work.connection)


def rebuild(folder: Path) -> Store:
    """Make the SQLite database afresh from the folder; the old one is put aside, not removed.

    Raises
    ------
    FieldmarksError
        A side file cannot be read; the old database is then back in place.
    """
    _, broken = _side_files(folder)
    if broken:
        where, text = broken[0]
        raise FieldmarksError(text, where=where, mend="Mend or move this file, then try again")
    moved = []
    for ending in ("", "-wal", "-shm"):
        old = folder / f"{DATABASE_FILE}{ending}"
        if old.exists():
            aside = old.with_name(f"{DATABASE_FILE}.aside{ending}")
            os.replace(old, aside)
            moved.append((aside, old))
    try:
        store = Store(folder)
        mend_store(store)
    except BaseException:
        for aside, old in moved:
            os.replace(aside, old)
        raise
    return store


def _side_name(thing: Kept) -> str:
    folder = next(name for name, kind in FOLDERS.items() if kind is type(thing))
    return f"{folder}/{thing.id}.json"


def _side_files(folder: Path) -> tuple[dict[str, Kept], list[tuple[str, str]]]:
    """Every side file that can be read, and what is wrong with the others."""
    found: dict[str, Kept] = {}
    broken = []
    for place, kind in FOLDERS.items():
        for path in sorted((folder / place).glob("*.json")):
            name = f"{place}/{path.name}"
            try:
                thing: Kept = from_json(kind, path.read_bytes(), name)
                if thing.id != path.stem:
                    broken.append((name, "its id is not its name"))
                else:
                    found[name] = thing
            except FieldmarksError as error:
                broken.append((name, error.problem))
    return found, broken


def _missing(folder: Path, thing: Kept) -> list[str]:
    if not isinstance(thing, Entry):
        return []
    return [n for look in thing.looks for n in needed_files(look) if not (folder / n).exists()]
