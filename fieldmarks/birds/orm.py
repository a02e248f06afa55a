"""The database's tables. Each bird, entry and pair is one row: its JSON in ``data`` is what counts,
the columns beside it repeat what is searched for. ``model.py`` says what the JSON holds.
"""

from typing import Any

import sqlalchemy as sa

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _kept() -> list[sa.Column]:
    """Columns that birds, entries and pairs share."""
    return [
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("number", sa.Integer, nullable=False, unique=True),
        sa.Column("revision", sa.Integer, nullable=False),
        sa.Column("withdrawn", sa.Text, nullable=False),
        sa.Column("data", sa.Text, nullable=False),
    ]


def _parent(name: str) -> sa.Column:
    # Deferred: a list or an import may bring a young bird before its parents.
    key = sa.ForeignKey("birds.id", deferrable=True, initially="DEFERRED")
    return sa.Column(name, key, index=True)


def _saver(context: Any) -> str | None:
    """Whose a new bird is: the signed-in person's; nobody's where there is no sign-in."""
    person = context.root_connection.get_execution_options().get("person")
    return person.id if person else None


people = sa.Table(
    "people",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("email", sa.String(254), nullable=False, unique=True),
    sa.Column("role", sa.String(20), nullable=False),
    sa.Column("subject", sa.String(600), unique=True),
)
birds = sa.Table(
    "birds",
    metadata,
    *_kept(),
    sa.Column("name", sa.String(200), nullable=False, index=True),
    sa.Column("ring", sa.String(200), nullable=False),
    # Ring for comparing (ring.ring_key); empty where there is none, or the bird is off the list.
    sa.Column("ring_key", sa.String(400)),
    sa.Column("ring_year", sa.Integer, nullable=False),  # 0 where it is not known
    sa.Column("species", sa.String(200), index=True),
    sa.Column("variety", sa.String(200), nullable=False),
    sa.Column("sex", sa.String(20), nullable=False),
    sa.Column("hatched", sa.Date),
    sa.Column("status", sa.String(20), nullable=False),
    _parent("father"),
    _parent("mother"),
    # What follows is worked out from the entries whenever one is saved.
    sa.Column("last_day", sa.Date),
    sa.Column("last_outcome", sa.String(200)),
    sa.Column("signs_seen", sa.Integer, nullable=False, server_default="0"),
    sa.Column("doubts", sa.Integer, nullable=False, server_default="0"),
    sa.Column("look_due", sa.Date, index=True),
    sa.Column("owner", sa.ForeignKey("people.id"), index=True, default=_saver),
    sa.UniqueConstraint("ring_key", "ring_year"),
)
entries = sa.Table(
    "entries",
    metadata,
    *_kept(),
    sa.Column("bird", sa.ForeignKey("birds.id"), nullable=False),
    sa.Column("day", sa.Date, nullable=False),
    sa.Index(None, "bird", "day", "number"),
)
pairs = sa.Table(
    "pairs",
    metadata,
    *_kept(),
    sa.Column("first", sa.ForeignKey("birds.id"), nullable=False, index=True),
    sa.Column("second", sa.ForeignKey("birds.id"), nullable=False, index=True),
)
observations = sa.Table(
    "observations",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("entry", sa.ForeignKey("entries.id"), nullable=False, index=True),
    sa.Column("photo", sa.String(80), nullable=False, index=True),  # name in the photo storage
    sa.Column("record", sa.LargeBinary),  # its JSON, compressed (zlib); empty where it was lost
)
rule_tables = sa.Table(
    "rule_tables",
    metadata,
    sa.Column("fingerprint", sa.String(64), primary_key=True),
    sa.Column("packed", sa.LargeBinary, nullable=False),
)
settings = sa.Table(
    "settings",
    metadata,
    sa.Column("key", sa.String(40), primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)
links = sa.Table(  # see links.py
    "links",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    # SHA-256 of the word in the link
    sa.Column("secret", sa.String(64), nullable=False, unique=True),
    sa.Column("bird", sa.ForeignKey("birds.id"), nullable=False, index=True),
    sa.Column("entries", sa.Text, nullable=False),  # ids in a dossier; none: the bird's sheet
    sa.Column("made_at", sa.String(40), nullable=False),
    sa.Column("withdrawn_at", sa.String(40), nullable=False, server_default=""),
)
