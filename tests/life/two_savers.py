"""What two programs do that save to one store at once; see ``test_store_faults.py``.

Run as a program, ``two_savers.py FOLDER NAME`` says "ready", waits for a line, saves, prints ids.
"""

import sys
import time
from datetime import date
from pathlib import Path

from fieldmarks.birds.model import Entry, new_id
from fieldmarks.birds.store import Store


def saves(store, name):
    """Save 25 entries; gives the id of each once it is confirmed."""
    bird = store.birds()[0]
    for _ in range(25):
        yield store.save(Entry(new_id(), bird.id, date(2026, 1, 1), "later moult", name)).id
        time.sleep(0.01)  # people pause; without it one program may be done first


def main(folder, name):
    with Store(Path(folder)) as store:
        print("ready", flush=True)
        sys.stdin.readline()
        for key in saves(store, name):
            print(key, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
