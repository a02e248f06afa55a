"""The database's tables. Each bird, entry and pair is one row: its JSON in ``data`` is what counts,
the columns beside it repeat what is searched for. ``model.py`` says what the JSON holds.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    Column,
    Date,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _kept() -> list[Column]:
    """Columns that birds, entries and pairs share."""
    return [
        Column("id", String(32), primary_key=True),
        Column("number", Integer, nullable=False, unique=True),
        Column("revision", Integer, nullable=False),
        Column("withdrawn", Text, nullable=False),
        Column("data", Text, nullable=False),
    ]


def _parent(name: str) -> Column:
    # Deferred: a list or an import may bring a young bird before its parents.
    key = ForeignKey("birds.id", deferrable=True, initially="DEFERRED")
    return Column(name, key, index=True)


def _saver(context: Any) -> str | None:
    """Whose a new bird is: the signed-in person's; nobody's where there is no sign-in."""
    person = context.root_connection.get_execution_options().get("person")
    return person.id if person else None


people = Table(
    "people",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("email", String(254), nullable=False, unique=True),
    Column("role", String(20), nullable=False),
    Column("subject", String(600), unique=True),
)
birds = Table(
    "birds",
    metadata,
    *_kept(),
    Column("name", String(200), nullable=False, index=True),
    Column("ring", String(200), nullable=False),
    # Ring for comparing (ring.ring_key); empty where there is none, or the bird is off the list.
    Column("ring_key", String(400)),
    Column("ring_year", Integer, nullable=False),  # 0 where it is not known
    Column("species", String(200), index=True),
    Column("variety", String(200), nullable=False),
    Column("sex", String(20), nullable=False),
    Column("hatched", Date),
    Column("status", String(20), nullable=False),
    _parent("father"),
    _parent("mother"),
    # What follows is worked out from the entries whenever one is saved.
    Column("last_day", Date),
    Column("last_outcome", String(200)),
    Column("signs_seen", Integer, nullable=False, server_default="0"),
    Column("doubts", Integer, nullable=False, server_default="0"),
    Column("look_due", Date, index=True),
    Column("owner", ForeignKey("people.id"), index=True, default=_saver),
    UniqueConstraint("ring_key", "ring_year"),
)
entries = Table(
    "entries",
    metadata,
    *_kept(),
    Column("bird", ForeignKey("birds.id"), nullable=False),
    Column("day", Date, nullable=False),
    Index(None, "bird", "day", "number"),
)
pairs = Table(
    "pairs",
    metadata,
    *_kept(),
    Column("first", ForeignKey("birds.id"), nullable=False, index=True),
    Column("second", ForeignKey("birds.id"), nullable=False, index=True),
)
observations = Table(
    "observations",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("entry", ForeignKey("entries.id"), nullable=False, index=True),
    Column("photo", String(80), nullable=False, index=True),  # name in the photo storage
    Column("record", LargeBinary),  # its JSON, compressed (zlib); empty where it was lost
)
rule_tables = Table(
    "rule_tables",
    metadata,
    Column("fingerprint", String(64), primary_key=True),
    Column("packed", LargeBinary, nullable=False),
)
settings = Table(
    "settings",
    metadata,
    Column("key", String(40), primary_key=True),
    Column("value", Text, nullable=False),
)
links = Table(  # see links.py
    "links",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("secret", String(64), nullable=False, unique=True),  # SHA-256 of the word in the link
    Column("bird", ForeignKey("birds.id"), nullable=False, index=True),
    Column("entries", Text, nullable=False),  # ids in a dossier; none: the bird's sheet
    Column("made_at", String(40), nullable=False),
    Column("withdrawn_at", String(40), nullable=False, server_default=""),
)
