"""Saves and imports that are killed on the way; run as its own program by ``test_kill.py``.

Each line of standard input is a JSON list that a process of its own follows. It prints its number
first; when it has ended, "ended" and its exit code are printed.

``saves FOLDER SHOT`` saves entries until it is killed; prints each id once confirmed.
``import FOLDER ARCHIVE`` imports and prints "confirmed".
``steps FOLDER SHOT ARCHIVE [URL]`` kills a child before every SQL statement and every step on the
disk of one save and of one import, and prints what was there afterwards.
"""

import json
import os
import pickle
import signal
import sys
from datetime import date
from pathlib import Path

from sqlalchemy import event

from fieldmarks.birds.exchange import everything, import_store
from fieldmarks.birds.model import Entry, new_id
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store, mend_store
from fieldmarks.rules import load_rules


def entry_for(store: Store) -> Entry:
    return Entry(new_id(), store.birds()[0].id, date(2026, 1, 1), "later moult", "Ada")


def saves(folder: Path, shots: Path) -> None:
    tables, shot = load_rules(), pickle.loads(shots.read_bytes())
    with Store(folder) as store:
        while True:
            print(store.save_entry(entry_for(store), [shot], tables).id, flush=True)


def import_one(folder: Path, archive: Path) -> None:
    with Store(folder) as store:
        print("started", flush=True)
        import_store(store, archive)
    print("confirmed", flush=True)


def arm(store: Store, step: int) -> None:
    """Kill this process just before the n-th time it touches the disk."""
    left = [step]

    def tick(*_: object) -> None:
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def hooked(name: str) -> None:
        real = getattr(os, name)

        def stand_in(*args: object, **options: object) -> object:
            tick()
            return real(*args, **options)

        setattr(os, name, stand_in)

    for name in ("fsync", "replace", "unlink"):
        hooked(name)
    for name in ("before_cursor_execute", "commit", "checkin"):
        event.listen(store.engine, name, tick)


def at_every_step(folder: Path, work, label: str, url: str | None) -> None:
    """Fork a child for each step; report the store after its death."""
    for step in range(1, 400):
        child = os.fork()
        if child == 0:
            with Store(folder, url) as store:
                arm(store, step)
                work(store)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        killed = os.WIFSIGNALED(status)
        with Store(folder, url) as store:
            birds, entries, pairs = everything(store)
            problems = check_store(store)
            mend_store(store)
            report = {
                "label": label,
                "step": step,
                "killed": killed,
                "birds": len(birds),
                "entries": len(entries),
                "pairs": len(pairs),
                "observations": sum(len(e.observations) for e in entries),
                "lost": [str(p) for p in problems if not p.mendable],
                "left": len(problems),
                "after": [str(p) for p in check_store(store)],
            }
        print(json.dumps(report), flush=True)
        if not killed:
            return


def steps(folder: Path, shots: Path, archive: Path, url: str = "") -> None:
    tables, shot = load_rules(), pickle.loads(shots.read_bytes())

    def save(store: Store) -> None:
        store.save_entry(entry_for(store), [shot], tables)

    with Store(folder.with_name("first")) as store:  # what a process does once, no child does again
        import_store(store, archive)
        save(store)
    at_every_step(folder, save, "save", url or None)
    target = folder.with_name("imported")
    other = url and f"{url}_imported"
    at_every_step(target, lambda store: import_store(store, archive), "import", other or None)


if __name__ == "__main__":
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            mode, *places = json.loads(line)
            print(os.getpid(), flush=True)
            do = {"saves": saves, "import": import_one, "steps": steps}[mode]
            do(*(Path(p) if "://" not in p else p for p in places))
            os._exit(0)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        print(f"ended {code}", flush=True)
