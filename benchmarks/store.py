"""How long the collection and a bird's page take as a store grows.

    python benchmarks/store.py [postgresql://...]

Birds and readings are made up (six readings a bird, in two moult entries); photos are left out, as
no page opens one before it is asked for. Writes ``results/store.md``.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from statistics import median

import numpy as np
from _tables import markdown, save

from fieldmarks.birds import orm as models
from fieldmarks.birds.collection import Filter, bird_page, list_birds, overview
from fieldmarks.birds.model import Bird, Entry, MarkPoint, Observation, SignPoint
from fieldmarks.birds.service import advice_on_pair
from fieldmarks.birds.store import Store
from fieldmarks.birds.writing import put
from fieldmarks.rules import load_rules

TODAY = date(2026, 3, 1)
SIZES = (1_000, 10_000, 60_000, 100_000)
MARKS = ("face", "collar", "rump")
PER_BIRD = 2 * len(MARKS)
REPEATS = 25
YEARS = 10
LIMIT_MS = 300


def made_up(count: int, rng: np.random.Generator) -> tuple[list[Bird], list[Entry]]:
    birds, entries = [], []
    for i in range(count):
        key = rng.bytes(16).hex()
        year = i * YEARS // count
        parents: tuple[str | None, str | None] = (None, None)
        if year:  # the year before: one generation a year
            start, stop = -(-(year - 1) * count // YEARS), -(-year * count // YEARS)
            one, other = rng.choice(np.arange(start, stop), 2, replace=False)
            parents = (birds[one].id, birds[other].id)
        birds.append(
            Bird(
                key, f"Bird {i:06d}", f"AA-{20 + i % 6}-{i:06d}", "closed", 2020 + i % 6,
                date(2020 + i % 6, 4, 1) + timedelta(days=i % 90), species="personatus",
                sex=("cock", "hen")[i % 2], father=parents[0],
                mother=parents[1], number=i + 1, revision=1,
                saved_at="2026-01-01T00:00:00.000Z",
            )
        )  # fmt: skip
        stages = ("young plumage", "after first moult") if i % 5 else ("young plumage",) * 2
        for place, stage in enumerate(stages):
            points = tuple(
                MarkPoint(m, *rng.normal(50, 10, 3), 2, 3, 3, 5, True, 0.5, 0.1, 0.1, 0.1)
                for m in MARKS
            )
            status = ("not seen", "seen", "doubtful")[int(rng.choice(3, p=(0.8, 0.1, 0.1)))]
            sign = SignPoint("personatus_orange_collar", "personatus", status, "usually",
                             "collar", 0.1, 0.05)  # fmt: skip
            look = Observation(
                rng.bytes(16).hex(), rng.bytes(32).hex(), "x.jpg", ".jpg", "one species left",
                "Only personatus is left.", "green", "adult", "personatus", "0.1.0", "0" * 64,
                points, (sign,),
            )  # fmt: skip
            entries.append(
                Entry(
                    rng.bytes(16).hex(), key, birds[-1].hatched + timedelta(days=80 + 250 * place),
                    stage, "Ada", (look,), number=2 * i + place + 1, revision=1,
                    saved_at="2026-01-01T00:00:00.000Z",
                )
            )  # fmt: skip
    return birds, entries


def fill(store: Store, readings: int) -> list[Bird]:
    birds, entries = made_up(-(-readings // PER_BIRD), np.random.default_rng(1))
    with store.writing() as work:
        put(work, [*birds, *entries])
    return birds


def timed(action: Callable[[], object]) -> tuple[float, float]:
    """Median and longest of REPEATS, in milliseconds."""
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        action()
        times.append(1000 * (time.perf_counter() - start))
    return median(times), max(times)


def measure(store: Store, birds: list[Bird]) -> dict[str, tuple[float, float]]:
    tables = load_rules()
    middle, other = birds[-1], birds[-2]
    last = max(len(birds) - 50, 0)

    def pair() -> object:
        return advice_on_pair(store, middle, other, tables, TODAY)

    return {
        "collection, first page": timed(lambda: list_birds(store, Filter(), TODAY)),
        "collection, last page": timed(lambda: list_birds(store, Filter(), TODAY, last)),
        "collection, open doubts": timed(
            lambda: list_birds(store, Filter(show="open doubts"), TODAY)
        ),
        "collection, due for a look": timed(
            lambda: list_birds(store, Filter(show="due for a look"), TODAY)
        ),
        "collection, part of a ring": timed(lambda: list_birds(store, Filter("-0001"), TODAY)),
        "counts above the list": timed(lambda: overview(store, TODAY)),
        "one bird's page": timed(lambda: bird_page(store, middle.id)),
        "advice on a pair": timed(pair),
    }


def run(name: str, make: Callable[[int], Store]) -> list[list[str]]:
    found = {}
    for size in SIZES:
        with make(size) as store:
            found[size] = measure(store, fill(store, size))
            print(name, size, found[size], flush=True)
    pages = [k for k in found[60_000] if k.startswith(("collection", "one bird"))]
    worst = max(found[60_000][k][0] for k in pages)
    print(f"{name}: slowest page at 60,000 readings {worst:.0f} ms (limit {LIMIT_MS})")
    if worst > LIMIT_MS:
        sys.exit(f"{name}: a page takes longer than {LIMIT_MS} ms")
    return [
        [name, what, *(f"{found[s][what][0]:.1f} ({found[s][what][1]:.1f})" for s in SIZES)]
        for what in found[SIZES[0]]
    ]


def main() -> None:
    with tempfile.TemporaryDirectory() as place:
        lines = run("SQLite", lambda size: Store(Path(place) / f"s{size}"))
        if len(sys.argv) > 1:
            lines += run("PostgreSQL", lambda size: fresh_postgres(place, size))
    head = ["database", "what", *(f"{s:,} readings ({-(-s // PER_BIRD):,} birds)" for s in SIZES)]
    save(
        "store",
        "How the store grows",
        f"Query time in ms, median (longest) of {REPEATS}; made by `benchmarks/store.py`, birds "
        f"made up. Limit for pages: {LIMIT_MS} ms at 60,000 readings, checked by the script.",
        markdown(head, lines),
    )


def fresh_postgres(place: str, size: int) -> Store:
    """A database emptied of everything this program made."""
    store = Store(Path(place) / f"p{size}", sys.argv[1])
    with store.writing() as work:
        for table in (t for t in reversed(models.metadata.sorted_tables) if t.name != "settings"):
            work.connection.execute(table.delete())
    return store


if __name__ == "__main__":
    main()
