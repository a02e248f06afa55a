"""A folder run as a program of its own: it can be killed, and its workers start from it alone.

``batch_program.py PHOTOS OUT WORKERS`` prints "done" after each photo and waits until it may go on
(a line on standard input, or its end), so that a test meets it in the middle of its work however
fast the machine is. It prints the counts at the end.
WORKERS is a number, or "dask" for a local Dask cluster of two.
"""

import sys
from contextlib import ExitStack
from pathlib import Path

import joblib

from fieldmarks.folder import assess_many, photos_in
from fieldmarks.record import Question
from fieldmarks.rules import load_rules


def main(photos, out, workers):
    with ExitStack() as stack:
        if workers == "dask":
            for part in dask_cluster():
                stack.enter_context(part())
        summary = assess_many(
            photos_in(Path(photos)),
            Path(out),
            load_rules(),
            Question(),
            workers=None if workers == "dask" else int(workers),
            after_each=wait,
        )
    print(summary.done, summary.kept, len(summary.problems), flush=True)


def wait():
    print("done", flush=True)
    sys.stdin.readline()


def dask_cluster():
    """Makers of a cluster, of a client to it and of joblib's setting for it, in that order."""
    import dask
    import distributed

    # A busy machine starts workers slowly.
    dask.config.set({"distributed.comm.timeouts.connect": "120s"})
    cluster = distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None)
    yield lambda: cluster
    yield lambda: distributed.Client(cluster)
    yield lambda: joblib.parallel_config(backend="dask")


if __name__ == "__main__":
    main(*sys.argv[1:])
