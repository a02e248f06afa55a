"""Third edition: the database alone decides; a bird, entry or pair is one row with its JSON."""

import json
import zlib
from collections import defaultdict
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from alembic import context, op

from fieldmarks.birds.ring import ring_key

revision = "0003"
down_revision = "0002"

OLD = ("signs", "marks", "looks", "young", "pairs", "entries", "birds")
SUMMARY = ("last_day", "last_outcome", "signs_seen", "doubts", "look_due")
NOT_TOLD = {"looks": ("entry", "place"), "young": ("pair", "place"), "birds": SUMMARY,
            "marks": ("look", "place"), "signs": ("look", "place")}  # fmt: skip


def upgrade() -> None:
    """Read the old tables, make the new ones in their place, and take in what lay in files."""
    connection = op.get_bind()
    old = {name: _read(connection, name) for name in OLD}
    for name in OLD:
        op.drop_table(name)
    tables = _tables()
    tables.create_all(connection)
    made = {name: tables.tables[name] for name in tables.tables}

    looks = _grouped(old["looks"], "entry")
    points = {name: _grouped(old[name], "look") for name in ("marks", "signs")}
    young = _grouped(old["young"], "pair")
    taken: set[tuple[str, int]] = set()
    rows: dict[str, list[dict]] = defaultdict(list)
    for bird in old["birds"]:
        key = None if bird["withdrawn"] else ring_key(bird["ring"])
        year = bird["ring_year"] or 0
        if key and (key, year) in taken:  # 'check-store' tells of it
            key = f"{key} also on {bird['id']}"
        if key:
            taken.add((key, year))
        rows["birds"].append(
            bird | {"data": _json(_told("birds", bird)), "ring_key": key, "ring_year": year}
        )
    for entry in old["entries"]:
        of_entry = [
            _told("looks", look)
            | {name: [_told(name, p) for p in points[name][look["id"]]] for name in points}
            for look in looks[entry["id"]]
        ]
        rows["entries"].append(entry | {"data": _json(entry | {"observations": of_entry})})
    for pair in old["pairs"]:
        brood = [_told("young", y) for y in young[pair["id"]]]
        rows["pairs"].append(pair | {"data": _json(pair | {"young": brood})})
    folder = context.config.attributes.get("folder")
    for look in old["looks"]:
        name = f"{look['photo'][:2]}/{look['photo']}"
        record = Path(folder or ".", "photos", f"{name}.{look['id']}.record.json")
        found = zlib.compress(record.read_bytes()) if record.is_file() else None
        rows["observations"].append(
            {"id": look["id"], "entry": look["entry"], "photo": name + look["ending"],
             "record": found}
        )  # fmt: skip
    if folder is not None:
        for path in sorted(Path(folder, "tables").glob("*.zip")):
            row = {"fingerprint": path.stem, "packed": path.read_bytes()}
            rows["rule_tables"].append(row)
        try:
            shape = json.loads(Path(folder, "settings.json").read_bytes())["ring_pattern"]
            rows["settings"].append({"key": "ring_pattern", "value": str(shape)})
        except (OSError, ValueError, KeyError, TypeError):
            pass
    for name, lines in rows.items():
        columns = made[name].columns.keys()
        connection.execute(made[name].insert(), [{c: x[c] for c in columns} for x in lines])


def _read(connection: sa.Connection, name: str) -> list[dict]:
    table = sa.Table(name, sa.MetaData(), autoload_with=connection)
    order = [table.c[c] for c in ("number", "place") if c in table.c]
    return [dict(r._mapping) for r in connection.execute(sa.select(table).order_by(*order))]


def _grouped(rows: list[dict], by: str) -> dict[str, list[dict]]:
    found: dict[str, list[dict]] = defaultdict(list)
    for row in rows:
        found[row[by]].append(row)
    return found


def _told(name: str, row: dict) -> dict:
    return {k: v for k, v in row.items() if k not in NOT_TOLD[name]}


def _json(row: dict) -> str:
    return json.dumps(row, default=str, ensure_ascii=False, separators=(",", ":"))


def _tables() -> sa.MetaData:
    """The tables as this edition made them."""
    meta = sa.MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )

    def text(name: str, size: int, **more: Any) -> sa.Column:
        return sa.Column(name, sa.String(size), **more)

    def needed(name: str, kind: sa.types.TypeEngine) -> sa.Column:
        return sa.Column(name, kind, nullable=False)

    def counted(name: str) -> sa.Column:
        return sa.Column(name, sa.Integer, nullable=False, server_default="0")

    def key(name: str, to: str, later: bool = False, index: bool = True) -> sa.Column:
        how: dict[str, Any] = {"deferrable": True, "initially": "DEFERRED"} if later else {}
        foreign = sa.ForeignKey(f"{to}.id", **how)
        return sa.Column(name, foreign, nullable=later, index=index)

    def kept() -> list[sa.Column]:
        return [
            text("id", 32, primary_key=True),
            sa.Column("number", sa.Integer, nullable=False, unique=True),
            needed("revision", sa.Integer()),
            needed("withdrawn", sa.Text()),
            needed("data", sa.Text()),
        ]

    sa.Table(
        "birds", meta, *kept(),
        text("name", 200, nullable=False, index=True), text("ring", 200, nullable=False),
        text("ring_key", 400), needed("ring_year", sa.Integer()), text("species", 200, index=True),
        text("variety", 200, nullable=False), text("sex", 20, nullable=False),
        sa.Column("hatched", sa.Date), text("status", 20, nullable=False),
        key("father", "birds", later=True), key("mother", "birds", later=True),
        sa.Column("last_day", sa.Date), text("last_outcome", 200), counted("signs_seen"),
        counted("doubts"), sa.Column("look_due", sa.Date, index=True),
        sa.UniqueConstraint("ring_key", "ring_year"),
    )  # fmt: skip
    sa.Table(
        "entries", meta, *kept(), key("bird", "birds", index=False),
        needed("day", sa.Date()), sa.Index(None, "bird", "day", "number"),
    )  # fmt: skip
    sa.Table("pairs", meta, *kept(), key("first", "birds"), key("second", "birds"))
    sa.Table(
        "observations", meta, text("id", 32, primary_key=True), key("entry", "entries"),
        text("photo", 80, nullable=False, index=True), sa.Column("record", sa.LargeBinary),
    )  # fmt: skip
    sa.Table(
        "rule_tables", meta, text("fingerprint", 64, primary_key=True),
        needed("packed", sa.LargeBinary()),
    )  # fmt: skip
    sa.Table(
        "settings", meta, text("key", 40, primary_key=True), needed("value", sa.Text())
    )  # fmt: skip
    return meta
