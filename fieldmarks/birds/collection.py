"""The whole collection: filtered pages, birds due for a look, open doubts, and CSV."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, get_args

from sqlalchemy import func, or_, select

from fieldmarks.birds import orm as models
from fieldmarks.birds.model import Bird, Entry, Pair, from_json
from fieldmarks.birds.reader import read, told_apart
from fieldmarks.birds.store import Store
from fieldmarks.record import to_csv

Show = Literal["all", "due for a look", "open doubts", "signs seen", "never measured"]
SHOWS: tuple[Show, ...] = get_args(Show)
CSV_COLUMNS = (
    "name", "ring", "ring kind", "ring year", "hatched", "hatch date is", "species", "variety",
    "sex", "sex known by", "source", "promised", "father", "mother", "status", "last look",
    "last outcome", "signs seen", "open doubts", "look due", "notes",
)  # fmt: skip


@dataclass(frozen=True)
class Filter:
    """Which birds to list.

    Args:
        words: Part of a name or ring.
        species, variety: Keys.
        show: Str.
        with_gone: Also birds that were given away or died.
    """

    words: str = ""
    species: str | None = None
    variety: str | None = None
    show: Show = "all"
    with_gone: bool = False


@dataclass(frozen=True)
class CollectionRow:
    """One bird in the list."""

    id: str
    name: str
    ring: str
    species: str | None
    variety: str
    sex: str
    hatched: date | None
    last_day: date | None
    last_outcome: str | None
    signs_seen: int
    doubts: int
    look_due: date | None


@dataclass(frozen=True)
class CollectionPage:
    """Some rows of the list, and how many there are in all."""

    rows: tuple[CollectionRow, ...]
    total: int


_COLUMNS = [models.birds.c[name] for name in CollectionRow.__dataclass_fields__]
_COUNT = select(func.count()).select_from(models.birds)


def _conditions(wanted: Filter, today: date) -> list[Any]:
    b = models.birds.c
    where: list[Any] = [b.withdrawn == ""]
    if not wanted.with_gone:
        where.append(b.status == "here")
    if wanted.words.strip():
        words = wanted.words.strip().lower()
        where.append(
            or_(
                func.lower(b.name).contains(words, autoescape=True),
                func.lower(b.ring).contains(words, autoescape=True),
            )
        )
    if wanted.species:
        where.append(b.species == wanted.species)
    if wanted.variety:
        where.append(b.variety == wanted.variety)
    shown: dict[Show, list[Any]] = {
        "all": [],
        "due for a look": [b.look_due <= today],
        "open doubts": [b.doubts > 0],
        "signs seen": [b.signs_seen > 0],
        "never measured": [b.last_day.is_(None)],
    }
    return where + shown[wanted.show]


def list_birds(
    store: Store, wanted: Filter, today: date, start: int = 0, count: int = 50
) -> CollectionPage:
    """A page of the collection, by name.

    Args:
        today: A bird is due when its day has come.
        start, count: First row and number of rows.
    """
    where = _conditions(wanted, today)
    b = models.birds.c
    query = select(*_COLUMNS).where(*where).order_by(b.name, b.number).limit(count).offset(start)
    with store.engine.connect() as connection:
        total = connection.execute(_COUNT.where(*where)).scalar_one()
        found = tuple(CollectionRow(*row) for row in connection.execute(query))
    return CollectionPage(found, total)


def overview(store: Store, today: date) -> dict[Show, int]:
    """How many birds each kind of list holds."""
    with store.engine.connect() as connection:
        queries = {show: _COUNT.where(*_conditions(Filter(show=show), today)) for show in SHOWS}
        return {show: connection.execute(query).scalar_one() for show, query in queries.items()}


@dataclass(frozen=True)
class BirdPage:
    """Everything that a bird's page shows, without opening a file.

    Args:
        family: Id -> bird, of its parents, mates and young.
    """

    bird: Bird
    entries: tuple[Entry, ...]
    family: dict[str, Bird]
    young: tuple[Bird, ...]
    pairs: tuple[Pair, ...]


def bird_page(store: Store, key: str) -> BirdPage:
    """All about one bird.

    Raises:
        FieldmarksError: There is no such bird.
    """
    bird = store.bird(key)
    b, p = models.birds.c, models.pairs.c
    with store.engine.connect() as connection:
        young = read(connection, Bird, or_(b.father == key, b.mother == key), b.withdrawn == "")
        pairs = read(connection, Pair, or_(p.first == key, p.second == key), p.withdrawn == "")
        wanted = {p for p in (bird.father, bird.mother) if p}
        wanted |= {k for pair in pairs for k in (pair.first, pair.second)}
        family = {x.id: x for x in read(connection, Bird, b.id.in_(wanted))} if wanted else {}
    family |= {x.id: x for x in young}
    return BirdPage(bird, tuple(store.entries(key)), family, tuple(young), tuple(pairs))


def row_labels(rows: Iterable[CollectionRow]) -> dict[str, str]:
    """Id -> label of birds to choose from, no two alike."""
    return told_apart(
        {
            r.id: (f"{r.name} ({r.ring})" if r.ring else r.name,
                   r.hatched and f"hatched {r.hatched}", r.species, r.variety, r.sex)
            for r in rows
        }
    )  # fmt: skip


def collection_csv(store: Store, wanted: Filter, today: date) -> str:
    """The list as CSV (RFC 4180); cells that a spreadsheet would run are disarmed."""
    b = models.birds.c
    columns = (b.data, b.last_day, b.last_outcome, b.signs_seen, b.doubts, b.look_due)
    query = select(*columns).where(*_conditions(wanted, today)).order_by(b.name, b.number)
    with store.engine.connect() as connection:
        names = dict(connection.execute(select(b.id, b.name)).all())
        found = connection.execute(query).all()
    lines = []
    for row in found:
        bird = from_json(Bird, row.data, "database")
        values = (
            bird.name, bird.ring, bird.ring_kind, bird.ring_year, bird.hatched, bird.hatch_known,
            bird.species, bird.variety, bird.sex, bird.sex_by, bird.source, bird.promised,
            names.get(bird.father), names.get(bird.mother), bird.status, row.last_day,
            row.last_outcome, row.signs_seen, row.doubts,
            row.look_due if row.last_day else None, bird.notes,
        )  # fmt: skip
        lines.append({c: "" if v is None else v for c, v in zip(CSV_COLUMNS, values, strict=True)})
    return to_csv(CSV_COLUMNS, lines)
