"""The database's tables. It is an index over the side files and can be rebuilt from them."""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
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
        Column("withdrawn", Text, nullable=False),
        Column("number", Integer, nullable=False, unique=True),
        Column("revision", Integer, nullable=False),
        Column("saved_at", String(40), nullable=False),
    ]


birds = Table(
    "birds",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("name", String(200), nullable=False, index=True),
    Column("ring", String(200), nullable=False, index=True),
    Column("ring_kind", String(20), nullable=False),
    Column("ring_year", Integer),
    Column("hatched", Date),
    Column("hatch_known", String(20), nullable=False),
    Column("species", String(200), index=True),
    Column("variety", String(200), nullable=False),
    Column("sex", String(20), nullable=False),
    Column("sex_by", String(200), nullable=False),
    Column("source", String(200), nullable=False),
    Column("promised", Text, nullable=False),
    # Deferred: an import may bring a young bird before its parents.
    Column("father", ForeignKey("birds.id", deferrable=True, initially="DEFERRED"), index=True),
    Column("mother", ForeignKey("birds.id", deferrable=True, initially="DEFERRED"), index=True),
    Column("status", String(20), nullable=False),
    Column("notes", Text, nullable=False),
    *_kept(),
    # What follows is worked out from the entries whenever one is saved.
    Column("last_day", Date),
    Column("last_outcome", String(200)),
    Column("signs_seen", Integer, nullable=False, server_default="0"),
    Column("doubts", Integer, nullable=False, server_default="0"),
    Column("look_due", Date, index=True),
)

entries = Table(
    "entries",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("bird", ForeignKey("birds.id"), nullable=False, index=True),
    Column("day", Date, nullable=False),
    Column("stage", String(40), nullable=False),
    Column("measured_by", String(200), nullable=False),
    Column("note", Text, nullable=False),
    *_kept(),
)

looks = Table(
    "looks",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("entry", ForeignKey("entries.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("place", Integer, nullable=False),
    Column("photo", String(64), nullable=False, index=True),
    Column("file", String(200), nullable=False),
    Column("ending", String(10), nullable=False),
    Column("outcome", String(200), nullable=False),
    Column("sentence", Text, nullable=False),
    Column("variety", String(200), nullable=False),
    Column("age", String(200), nullable=False),
    Column("claimed", String(200)),
    Column("program", String(200), nullable=False),
    Column("table_fingerprint", String(64), nullable=False),
)

marks = Table(
    "marks",
    metadata,
    Column("look", ForeignKey("looks.id", ondelete="CASCADE"), primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("mark", String(200), nullable=False),
    *(
        Column(name, Float, nullable=False)
        for name in (
            "lightness",
            "a",
            "b",
            "u_lightness",
            "u_chroma",
            "u_hue",
            "expanded",
        )
    ),
    Column("calibrated", Boolean, nullable=False),
    *(Column(name, Float, nullable=False) for name in ("dark", "u_dark", "orange", "u_orange")),
)

signs = Table(
    "signs",
    metadata,
    Column("look", ForeignKey("looks.id", ondelete="CASCADE"), primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("sign", String(200), nullable=False),
    Column("species", String(200), nullable=False),
    Column("status", String(200), nullable=False),
    Column("strength", String(200), nullable=False),
    Column("mark", String(200), nullable=False),
    Column("amount", Float, nullable=False),
    Column("u_amount", Float, nullable=False),
    Column("compared", String(200), nullable=False, server_default=""),
    Column("there", String(200), nullable=False, server_default=""),
)

pairs = Table(
    "pairs",
    metadata,
    Column("id", String(32), primary_key=True),
    Column("first", ForeignKey("birds.id"), nullable=False, index=True),
    Column("second", ForeignKey("birds.id"), nullable=False, index=True),
    Column("purpose", String(20), nullable=False),
    Column("started", Date),
    Column("note", Text, nullable=False),
    *_kept(),
)

young = Table(
    "young",
    metadata,
    Column("pair", ForeignKey("pairs.id", ondelete="CASCADE"), primary_key=True),
    Column("place", Integer, primary_key=True),
    Column("label", String(200), nullable=False),
    Column("hatched", Date),
    Column("finding", String(20), nullable=False),
    Column("bird", ForeignKey("birds.id")),
    Column("note", Text, nullable=False),
)

Index("ix_entries_bird_day_number", entries.c.bird, entries.c.day, entries.c.number)
