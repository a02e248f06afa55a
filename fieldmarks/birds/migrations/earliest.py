"""Stores of the first and second edition: read whole, and put into today's tables in one go.

Their database had a table for each part of a bird, entry or pair; records, rule tables and settings
lay in files. The second edition added two columns to the first, which today's model knows as empty.
"""

import json
import zlib
from collections import defaultdict
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from fieldmarks.birds import orm
from fieldmarks.birds.ring import ring_key

REVISIONS = ("0001", "0002")
OLD = ("signs", "marks", "looks", "young", "pairs", "entries", "birds")
SUMMARY = ("last_day", "last_outcome", "signs_seen", "doubts", "look_due")
PLACED = {"signs": "look", "marks": "look", "looks": "entry", "young": "pair"}  # part -> part of
Row = dict[str, Any]


def take_over(connection: sa.Connection, folder: Path | None) -> None:
    """Read the old tables, make the new ones in their place, and take in what lay in files."""
    old = {name: _read(connection, name) for name in OLD}
    of = {name: _parts(old[name], whole) for name, whole in PLACED.items()}
    for name in OLD:
        sa.Table(name, sa.MetaData()).drop(connection)
    orm.metadata.create_all(connection)

    taken: set[tuple[str, int]] = set()
    rows: dict[sa.Table, list[Row]] = defaultdict(list)
    for bird in old["birds"]:
        key = None if bird["withdrawn"] else ring_key(bird["ring"])
        year = bird["ring_year"] or 0
        if key and (key, year) in taken:  # 'check-store' tells of it
            key = f"{key} also on {bird['id']}"
        if key:
            taken.add((key, year))
        told = {k: v for k, v in bird.items() if k not in SUMMARY}
        rows[orm.birds].append(bird | {"data": _json(told), "ring_key": key, "ring_year": year})
    for entry in old["entries"]:
        looks = [
            look | {name: of[name][look["id"]] for name in ("marks", "signs")}
            for look in of["looks"][entry["id"]]
        ]
        rows[orm.entries].append(entry | {"data": _json(entry | {"observations": looks})})
    for pair in old["pairs"]:
        brood = of["young"][pair["id"]]
        rows[orm.pairs].append(pair | {"data": _json(pair | {"young": brood})})
    for look in old["looks"]:
        name = f"{look['photo'][:2]}/{look['photo']}"
        record = Path(folder or ".", "photos", f"{name}.{look['id']}.record.json")
        found = zlib.compress(record.read_bytes()) if record.is_file() else None
        row = {"id": look["id"], "entry": look["entry"], "photo": name + look["ending"]}
        rows[orm.observations].append(row | {"record": found})
    if folder is not None:
        for path in sorted(Path(folder, "tables").glob("*.zip")):
            row = {"fingerprint": path.stem, "packed": path.read_bytes()}
            rows[orm.rule_tables].append(row)
        try:
            shape = json.loads(Path(folder, "settings.json").read_bytes())["ring_pattern"]
            rows[orm.settings].append({"key": "ring_pattern", "value": str(shape)})
        except (OSError, ValueError, KeyError, TypeError):
            pass
    for table, lines in rows.items():
        columns = table.columns.keys()
        connection.execute(table.insert(), [{c: x[c] for c in columns if c in x} for x in lines])


def _read(connection: sa.Connection, name: str) -> list[Row]:
    table = sa.Table(name, sa.MetaData(), autoload_with=connection)
    order = [table.c[c] for c in ("number", "place") if c in table.c]
    return [dict(r._mapping) for r in connection.execute(sa.select(table).order_by(*order))]


def _parts(rows: list[Row], whole: str) -> dict[str, list[Row]]:
    """Parts by the id of what they are parts of, without what said so."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[row[whole]].append({k: v for k, v in row.items() if k not in (whole, "place")})
    return found


def _json(row: Row) -> str:
    return json.dumps(row, default=str, ensure_ascii=False, separators=(",", ":"))
