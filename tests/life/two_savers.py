"""One of two programs that save to one store at once; run by ``test_store_faults.py``.

``two_savers.py FOLDER NAME`` says "ready", waits for a line, saves 25 entries, prints their ids.
"""

import sys
import time
from datetime import date
from pathlib import Path

from fieldmarks.birds.model import Entry, new_id
from fieldmarks.birds.store import Store


def main(folder, name):
    with Store(Path(folder)) as store:
        bird = store.birds()[0]
        print("ready", flush=True)
        sys.stdin.readline()
        for _ in range(25):
            entry = Entry(new_id(), bird.id, date(2026, 1, 1), "later moult", name)
            print(store.save(entry).id, flush=True)
            time.sleep(0.01)  # people pause; without it one program may be done first


if __name__ == "__main__":
    main(*sys.argv[1:])
