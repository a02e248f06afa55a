"""The whole collection: filtered pages, birds due for a look, open doubts, and CSV."""

from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, get_args

from sqlalchemy import func, or_, select

from fieldmarks.birds import orm
from fieldmarks.birds.model import Bird, Entry, Pair, from_json, keys_of_birds
from fieldmarks.birds.store import Store
from fieldmarks.record import to_csv

Show = Literal["all", "due for a look", "open doubts", "signs seen", "never measured"]
SHOWS: tuple[Show, ...] = get_args(Show)
CSV_COLUMNS = {  # -> field of a bird, or of its row
    "name": "name", "ring": "ring", "ring kind": "ring_kind", "ring year": "ring_year",
    "hatched": "hatched", "hatch date is": "hatch_known", "species": "species",
    "variety": "variety", "sex": "sex", "sex known by": "sex_by", "source": "source",
    "promised": "promised", "father": "father", "mother": "mother", "status": "status",
    "last look": "last_day", "last outcome": "last_outcome", "signs seen": "signs_seen",
    "open doubts": "doubts", "look due": "look_due", "notes": "notes",
}  # fmt: skip


@dataclass(frozen=True)
class Filter:
    """Which birds to list.

    Args:
        words: Part of a name or ring.
        with_gone: Also birds that were given away or died.
    """

    words: str = ""
    species: str | None = None
    variety: str | None = None
    show: Show = "all"
    with_gone: bool = False


@dataclass(frozen=True)
class CollectionRow:
    """One bird in the list, and what its looks come to."""

    bird: Bird
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


_COUNT = select(func.count()).select_from(orm.birds)


def _conditions(wanted: Filter, today: date) -> list[Any]:
    b, words = orm.birds.c, wanted.words.strip().lower()
    named = (func.lower(c).contains(words, autoescape=True) for c in (b.name, b.ring))
    conditions: tuple[tuple[Any, object], ...] = (
        (b.withdrawn == "", True),
        (b.status == "here", not wanted.with_gone),
        (or_(*named), words),
        (b.species == wanted.species, wanted.species),
        (b.variety == wanted.variety, wanted.variety),
        (b.look_due <= today, wanted.show == "due for a look"),
        (b.doubts > 0, wanted.show == "open doubts"),
        (b.signs_seen > 0, wanted.show == "signs seen"),
        (b.last_day.is_(None), wanted.show == "never measured"),
    )
    return [condition for condition, is_asked in conditions if is_asked]


def list_birds(
    store: Store, wanted: Filter, today: date, start: int = 0, count: int | None = 50
) -> CollectionPage:
    """A page of the collection, by name; a bird is due when its day has come."""
    where, b = _conditions(wanted, today), orm.birds.c
    summary = (b.last_day, b.last_outcome, b.signs_seen, b.doubts, b.look_due)
    query = select(b.data, *summary).where(*where).order_by(b.name, b.number)
    with store.moment() as now:
        total = now.value(_COUNT.where(*where))
        found = now.rows(query.limit(count).offset(start))
    rows = (CollectionRow(from_json(Bird, data, "database"), *rest) for data, *rest in found)
    return CollectionPage(tuple(rows), total)


def overview(store: Store, today: date) -> dict[Show, int]:
    """How many birds each kind of list holds."""
    with store.moment() as now:
        return {show: now.value(_COUNT.where(*_conditions(Filter(show=show), today)))
                for show in SHOWS}  # fmt: skip


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
    b = orm.birds.c
    with store.moment() as now:
        bird, entries, pairs = now.bird(key), now.entries(key), now.pairs(key)
        young = now.birds(or_(b.father == key, b.mother == key))
        named = {*keys_of_birds(bird), *(k for pair in pairs for k in keys_of_birds(pair))}
        family = now.by_id(Bird, named) | {x.id: x for x in young}
    return BirdPage(bird, tuple(entries), family, tuple(young), tuple(pairs))


def collection_csv(store: Store, wanted: Filter, today: date) -> str:
    """The list as CSV (RFC 4180); cells that a spreadsheet would run are disarmed."""
    names = {row.id: row.name for row in store.rows(select(orm.birds.c.id, orm.birds.c.name))}
    lines = []
    for row in list_birds(store, wanted, today, count=None).rows:
        told = vars(row.bird) | vars(row)
        told |= {parent: names.get(told[parent]) for parent in ("father", "mother")}
        told["look_due"] = row.look_due if row.last_day else None
        cells = ((column, told[field]) for column, field in CSV_COLUMNS.items())
        lines.append({column: "" if cell is None else cell for column, cell in cells})
    return to_csv(CSV_COLUMNS, lines)
