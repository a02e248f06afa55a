"""Spread: the same work for many things, over the workers that joblib provides.

A worker can die: the system ends it when memory runs short, or a damaged file crashes a decoder.
joblib then gives up everything. Here the rest is done by fresh workers, and the things that were
under way are done again one by one, so that only the one that kills its worker stays undone.
"""

import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor
from typing import Any, TypeVar

from fieldmarks._util.errors import FieldmarksError

R = TypeVar("R")


def spread(
    work: Callable[..., R], tasks: Sequence[tuple[Any, ...]], workers: int | None = None
) -> Iterator[tuple[int, R | None]]:
    """Do ``work(*task)`` for every task and hand out the results as they come.

    Args:
        work: Importable by its name; must not raise.
        workers: Processes at the same time, -1 for one per core; if not given, as joblib's
            ``parallel_config`` says, else one thing after the other in this process.

    Yields:
        Place in ``tasks``, and the result: None where the worker died of this very task.

    Raises:
        FieldmarksError: No worker can be started.
    """
    left = dict.fromkeys(range(len(tasks)))
    suspects: list[int] = []  # were under way when a worker died
    while left:
        unsuspected = [place for place in left if place not in suspects]
        handed: list[int] = []
        try:
            for place, result in _round(work, tasks, unsuspected or suspects[:1], workers, handed):
                del left[place]
                yield place, result
        except _worker_deaths() as death:
            dead = [place for place in handed if place in left]
            if not dead:
                raise FieldmarksError(
                    f"no worker can be started ({type(death).__name__})",
                    mend="Try again with --workers 1",
                ) from None
            if unsuspected:
                suspects += dead
                continue
            del left[dead[0]]
            yield dead[0], None
        suspects = [place for place in suspects if place in left]


def _round(
    work: Callable[..., R],
    tasks: Sequence[tuple[Any, ...]],
    places: Sequence[int],
    workers: int | None,
    handed: list[int],
) -> Iterator[tuple[int, R]]:
    """One call of joblib; keeps in ``handed`` what was given to it."""
    import joblib

    def jobs() -> Iterator[Any]:
        for place in places:
            handed.append(place)
            yield joblib.delayed(_numbered)(work, place, tasks[place])

    # Few are handed out ahead, so that few are suspected when a worker dies.
    parallel = joblib.Parallel(
        n_jobs=workers, return_as="generator_unordered", batch_size=1, pre_dispatch="1.5*n_jobs"
    )
    yield from parallel(jobs())


def _numbered(work: Callable[..., R], place: int, task: tuple[Any, ...]) -> tuple[int, R]:
    return place, work(*task)


def _worker_deaths() -> tuple[type[Exception], ...]:
    """What joblib's own workers and those of a Dask cluster raise when one is gone."""
    distributed = sys.modules.get("distributed")
    return (BrokenExecutor, distributed.KilledWorker) if distributed else (BrokenExecutor,)
