"""How long the collection and a bird's page take as a store grows.

    python benchmarks/store.py [postgresql://...]
    python benchmarks/store.py --long

Birds and readings are made up (six readings a bird, in two moult entries); photos are left out, as
no page opens one before it is asked for. Writes ``results/store.md``. With ``--long`` a long list
is taken in and dossiers of more and more photos are packed and checked: ``results/store_long.md``.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from statistics import median

import numpy as np
import sqlalchemy as sa
from _tables import markdown, save

from fieldmarks.birds import orm as models
from fieldmarks.birds.collection import Filter, bird_page, list_birds, overview
from fieldmarks.birds.dossier import verify_dossier
from fieldmarks.birds.listfile import accept_list, preview_list
from fieldmarks.birds.model import Bird, Entry, MarkPoint, Observation, SignPoint
from fieldmarks.birds.people import let_in
from fieldmarks.birds.service import advice_on_pair, compare_measurers, make_dossier
from fieldmarks.birds.store import Store
from fieldmarks.record import Question
from fieldmarks.rules import load_rules

sys.path.append(str(Path(__file__).parents[1] / "tests" / "life"))

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
        work.put([*birds, *entries])
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

    with store.writing() as work:
        let_in(work.connection, "steward@club.example", "steward")
        keeper = let_in(work.connection, "keeper@club.example", "keeper")
        half = sa.update(models.birds).where(models.birds.c.number > len(birds) // 2)
        work.connection.execute(half.values(owner=keeper.id))
    own = store.seen_by(keeper)

    return {
        "collection, first page, as a member with half": timed(
            lambda: list_birds(own, Filter(), TODAY)
        ),
        "collection, last page, as a member with half": timed(
            lambda: list_birds(own, Filter(), TODAY, max(last - len(birds) // 2, 0))
        ),
        "counts above the list, as a member with half": timed(lambda: overview(own, TODAY)),
        "one bird's page, as a member with half": timed(lambda: bird_page(own, middle.id)),
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


LIST_ROWS, LIST_LIMIT_S = 50_000, 20
DOSSIERS = (30, 100, 300)
DAY = date(2020, 1, 1)


@dataclass
class Clock:
    """Seconds by the clock and of the processor since it was made."""

    start: float = field(default_factory=time.perf_counter)
    cpu_start: float = field(default_factory=time.process_time)

    def __str__(self) -> str:
        return f"{time.perf_counter() - self.start:.1f} ({self.cpu:.1f})"

    @property
    def cpu(self) -> float:
        """Seconds of the processor."""
        return time.process_time() - self.cpu_start


def long_list(place: Path) -> list[list[str]]:
    """Look through and import a list of LIST_ROWS birds with parents."""
    rows = ["name,ring,hatched,species,sex,father,mother"]
    for i in range(LIST_ROWS):
        parents = f"R{i - 12500:06d},R{i - 12499:06d}" if i >= 12500 and not i % 2 else ","
        hatched = DAY + timedelta(days=i // 25)
        sex = ("cock", "hen")[i % 2]
        rows.append(f"Bird {i},R{i:06d},{hatched},fischeri,{sex},{parents}")
    data, tables = "\n".join(rows).encode(), load_rules()
    with Store(place / "list") as store:
        clock = Clock()
        preview = preview_list(data, store.birds(), tables)
        looked, cpu = str(clock), clock.cpu
        assert len(preview.birds) == LIST_ROWS, preview.problems[:3]
        clock = Clock()
        accept_list(store, preview)
        cpu += clock.cpu
    if cpu > LIST_LIMIT_S:
        sys.exit(f"a list of {LIST_ROWS} rows takes {cpu:.1f} s")
    what = f"list of {LIST_ROWS:,} rows"
    return [[f"{what}, looked through", looked], [f"{what}, imported", str(clock)]]


def dossiers(place: Path) -> list[list[str]]:
    """Pack, compare and check dossiers of small painted photos."""
    from made_birds import CLEAN, a_bird, an_entry, shoot

    tables, lines, each = load_rules(), [], []
    for count in DOSSIERS:
        with Store(place / f"d{count}") as store:
            bird = store.save(a_bird("Pip"))
            for i in range(count):
                shot = shoot(tables, CLEAN, Question(claimed="personatus"), seed=i)
                entry = an_entry(bird, DAY + timedelta(days=i), measured_by=f"measurer {i % 3}")
                store.save_entry(entry, [shot], tables)
            entries, path = store.entries(bird.id), place / f"{count}.zip"
            clock = Clock()
            make_dossier(store, bird, entries, tables, path)
            packed, spent = str(clock), clock.cpu
            clock = Clock()
            compare_measurers(store, entries)
            compared, checked = str(clock), Clock()
            assert verify_dossier(path, tables).same
            each.append(spent / count)
            lines.append([f"dossier of {count} photos: packed / compared / checked",
                          f"{packed} / {compared} / {checked}"])  # fmt: skip
            print(*lines[-1], flush=True)
    if each[-1] > 1.5 * each[0]:
        sys.exit(f"a photo takes longer in a dossier of many: {each}")
    return lines


def run(name: str, make: Callable[[int], Store]) -> list[list[str]]:
    found = {}
    for size in SIZES:
        with make(size) as store:
            found[size] = measure(store, fill(store, size))
            print(name, size, found[size], flush=True)
    pages = [k for k in found[60_000] if k.startswith(("collection", "one bird", "counts"))]
    worst = max(found[60_000][k][0] for k in pages)
    print(f"{name}: slowest page at 60,000 readings {worst:.0f} ms (limit {LIMIT_MS})")
    if worst > LIMIT_MS:
        sys.exit(f"{name}: a page takes longer than {LIMIT_MS} ms")
    return [
        [name, what, *(f"{found[s][what][0]:.1f} ({found[s][what][1]:.1f})" for s in SIZES)]
        for what in found[SIZES[0]]
    ]


def main() -> None:
    if "--long" in sys.argv:
        with tempfile.TemporaryDirectory() as place:
            long = [*long_list(Path(place)), *dossiers(Path(place))]
        save(
            "store_long",
            "Long lists and dossiers of many photos",
            "Made by `benchmarks/store.py --long`. Seconds by the clock (of the processor), with a "
            f"load of {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; photos of 0.06 "
            "megapixels, painted. The script stops where the list takes more than "
            f"{LIST_LIMIT_S} s of the processor, or a photo longer in a dossier of many.",
            markdown(("what", "seconds"), long),
        )
        return
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
