"""A folder run that can be killed; run as its own program by ``test_batch.py``.

``batch_program.py PHOTOS OUT WORKERS`` prints "done" after each photo and the counts at the end.
"""

import sys
from pathlib import Path

from fieldmarks.batch import assess_many, photos_in
from fieldmarks.record import Question
from fieldmarks.tables import load_tables


def main(photos, out, workers):
    summary = assess_many(
        photos_in(Path(photos)),
        Path(out),
        load_tables(keepers_swatches=False),
        Question(),
        workers=int(workers),
        after_each=lambda: print("done", flush=True),
    )
    print(summary.done, summary.kept, len(summary.problems), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
