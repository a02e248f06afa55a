"""Between the dataclasses and the rows of the database."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import fields
from typing import Any

from sqlalchemy import Connection, Table, delete, insert, select

from fieldmarks.birds import orm as models
from fieldmarks.birds.model import Bird, Entry, Kept, Look, MarkPoint, Pair, SignPoint, Young

KIND_TABLES: dict[type, Table] = {
    Bird: models.birds,
    Entry: models.entries,
    Pair: models.pairs,
}
FEW = 300
_PARTS = {"looks", "marks", "signs", "young", "split_for", "shows"}


def plain_values(thing: Any) -> dict[str, Any]:
    """Its own fields, without the parts that have a table of their own."""
    return {f.name: getattr(thing, f.name) for f in fields(thing) if f.name not in _PARTS}


def put(connection: Connection, thing: Kept) -> None:
    """Write a thing and all its parts, in place of an earlier revision."""
    table = KIND_TABLES[type(thing)]
    values = plain_values(thing)
    changed = connection.execute(table.update().where(table.c.id == thing.id).values(values))
    if not changed.rowcount:
        connection.execute(insert(table), [values])
    if isinstance(thing, Entry):
        connection.execute(delete(models.looks).where(models.looks.c.entry == thing.id))
        put_looks(connection, [thing])
    elif isinstance(thing, Pair):
        connection.execute(delete(models.young).where(models.young.c.pair == thing.id))
        _insert(
            connection,
            models.young,
            (
                {"pair": thing.id, "place": place, **plain_values(one)}
                for place, one in enumerate(thing.young)
            ),
        )


def put_new(connection: Connection, things: Sequence[Kept]) -> None:
    """Write many things of one kind, none of which is there yet."""
    if not things:
        return
    _insert(connection, KIND_TABLES[type(things[0])], (plain_values(t) for t in things))
    put_looks(connection, [t for t in things if isinstance(t, Entry)])
    _insert(
        connection,
        models.young,
        (
            {"pair": t.id, "place": place, **plain_values(one)}
            for t in things
            if isinstance(t, Pair)
            for place, one in enumerate(t.young)
        ),
    )


def put_looks(connection: Connection, entries: Sequence[Entry]) -> None:
    """Write the looks of entries with their marks and signs."""
    placed = [(e.id, place, look) for e in entries for place, look in enumerate(e.looks)]
    _insert(
        connection,
        models.looks,
        ({"entry": e, "place": place, **plain_values(look)} for e, place, look in placed),
    )
    for name, table in (("marks", models.marks), ("signs", models.signs)):
        _insert(
            connection,
            table,
            (
                {"look": look.id, "place": place, **plain_values(point)}
                for _, _, look in placed
                for place, point in enumerate(getattr(look, name))
            ),
        )


def _insert(connection: Connection, table: Table, rows: Iterable[dict[str, Any]]) -> None:
    rows = list(rows)
    if rows:
        connection.execute(insert(table), rows)


def birds(connection: Connection, *where: Any) -> list[Bird]:
    """Birds in the order in which they were first saved."""
    table = models.birds
    columns = [table.c[f.name] for f in fields(Bird) if f.name not in _PARTS]
    return [
        Bird(**row._mapping)
        for row in connection.execute(select(*columns).where(*where).order_by(table.c.number))
    ]


def entries(connection: Connection, *where: Any) -> list[Entry]:
    """Entries with all their parts, by day and then in the order saved."""
    table = models.entries
    columns = [table.c[f.name] for f in fields(Entry) if f.name not in _PARTS]
    query = select(*columns).where(*where).order_by(table.c.day, table.c.number)
    found = connection.execute(query).all()
    ids = _few([row.id for row in found], select(table.c.id).where(*where))
    parts: dict[str, list[Look]] = {}
    for entry, look in _looks(connection, models.looks.c.entry.in_(ids)):
        parts.setdefault(entry, []).append(look)
    return [Entry(looks=tuple(parts.get(row.id, ())), **row._mapping) for row in found]


def _few(keys: list[str], query: Any) -> Any:
    """Keys as they are while there are few: a database plans that best; else the query for them."""
    return keys if len(keys) <= FEW else query


def _looks(connection: Connection, where: Any) -> list[tuple[str, Look]]:
    query = select(models.looks.c.id).where(where)
    ids = _few(list(connection.scalars(query.limit(FEW + 1))), query)
    marks: dict[str, list[Any]] = {}
    signs: dict[str, list[Any]] = {}
    for table, kind, into in (
        (models.marks, MarkPoint, marks),
        (models.signs, SignPoint, signs),
    ):
        names = [f.name for f in fields(kind)]
        query = (
            select(table.c.look, *(table.c[n] for n in names))
            .where(table.c.look.in_(ids))
            .order_by(table.c.look, table.c.place)
        )
        for look, *values in connection.execute(query):
            into.setdefault(look, []).append(kind(*values))
    names = [f.name for f in fields(Look) if f.name not in _PARTS]
    table = models.looks
    query = (
        select(table.c.entry, *(table.c[n] for n in names))
        .where(where)
        .order_by(table.c.entry, table.c.place)
    )
    return [
        (
            entry,
            Look(
                **dict(zip(names, values, strict=True)),
                marks=tuple(marks.get(values[0], ())),
                signs=tuple(signs.get(values[0], ())),
            ),
        )
        for entry, *values in connection.execute(query)
    ]


def pairs(connection: Connection, *where: Any) -> list[Pair]:
    """Pairs with their young, in the order in which they were first saved."""
    table = models.pairs
    columns = [table.c[f.name] for f in fields(Pair) if f.name not in _PARTS]
    found = connection.execute(select(*columns).where(*where).order_by(table.c.number)).all()
    ids = select(table.c.id).where(*where)
    names = [f.name for f in fields(Young) if f.name not in _PARTS]
    part = models.young
    query = (
        select(part.c.pair, *(part.c[n] for n in names))
        .where(part.c.pair.in_(ids))
        .order_by(part.c.pair, part.c.place)
    )
    brood: dict[str, list[Young]] = {}
    for pair, *values in connection.execute(query):
        brood.setdefault(pair, []).append(Young(*values))
    return [Pair(young=tuple(brood.get(row.id, ())), **row._mapping) for row in found]
