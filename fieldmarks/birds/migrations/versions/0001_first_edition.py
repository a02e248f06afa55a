"""First edition: birds, moult entries with looks, and pairs with young."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "birds",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("ring", sa.String(length=200), nullable=False),
        sa.Column("ring_kind", sa.String(length=20), nullable=False),
        sa.Column("ring_year", sa.Integer(), nullable=True),
        sa.Column("hatched", sa.Date(), nullable=True),
        sa.Column("hatch_known", sa.String(length=20), nullable=False),
        sa.Column("species", sa.String(length=200), nullable=True),
        sa.Column("variety", sa.String(length=200), nullable=False),
        sa.Column("sex", sa.String(length=20), nullable=False),
        sa.Column("sex_by", sa.String(length=200), nullable=False),
        sa.Column("source", sa.String(length=200), nullable=False),
        sa.Column("promised", sa.Text(), nullable=False),
        sa.Column("father", sa.String(length=32), nullable=True),
        sa.Column("mother", sa.String(length=32), nullable=True),
        sa.Column("status", sa.String(length=20), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("saved_at", sa.String(length=40), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=True),
        sa.Column("last_outcome", sa.String(length=200), nullable=True),
        sa.Column("signs_seen", sa.Integer(), server_default="0", nullable=False),
        sa.Column("doubts", sa.Integer(), server_default="0", nullable=False),
        sa.Column("look_due", sa.Date(), nullable=True),
        sa.ForeignKeyConstraint(
            ["father"],
            ["birds.id"],
            name=op.f("fk_birds_father"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.ForeignKeyConstraint(
            ["mother"],
            ["birds.id"],
            name=op.f("fk_birds_mother"),
            initially="DEFERRED",
            deferrable=True,
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_birds")),
        sa.UniqueConstraint("number", name=op.f("uq_birds_number")),
    )
    op.create_index(op.f("ix_birds_father"), "birds", ["father"], unique=False)
    op.create_index(op.f("ix_birds_look_due"), "birds", ["look_due"], unique=False)
    op.create_index(op.f("ix_birds_mother"), "birds", ["mother"], unique=False)
    op.create_index(op.f("ix_birds_name"), "birds", ["name"], unique=False)
    op.create_index(op.f("ix_birds_ring"), "birds", ["ring"], unique=False)
    op.create_index(op.f("ix_birds_species"), "birds", ["species"], unique=False)
    op.create_table(
        "entries",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("bird", sa.String(length=32), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("stage", sa.String(length=40), nullable=False),
        sa.Column("measured_by", sa.String(length=200), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("saved_at", sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(["bird"], ["birds.id"], name=op.f("fk_entries_bird")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_entries")),
        sa.UniqueConstraint("number", name=op.f("uq_entries_number")),
    )
    op.create_index(op.f("ix_entries_bird"), "entries", ["bird"], unique=False)
    op.create_index(
        "ix_entries_bird_day_number", "entries", ["bird", "day", "number"], unique=False
    )
    op.create_table(
        "pairs",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("first", sa.String(length=32), nullable=False),
        sa.Column("second", sa.String(length=32), nullable=False),
        sa.Column("purpose", sa.String(length=20), nullable=False),
        sa.Column("started", sa.Date(), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("withdrawn", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("saved_at", sa.String(length=40), nullable=False),
        sa.ForeignKeyConstraint(["first"], ["birds.id"], name=op.f("fk_pairs_first")),
        sa.ForeignKeyConstraint(["second"], ["birds.id"], name=op.f("fk_pairs_second")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pairs")),
        sa.UniqueConstraint("number", name=op.f("uq_pairs_number")),
    )
    op.create_index(op.f("ix_pairs_first"), "pairs", ["first"], unique=False)
    op.create_index(op.f("ix_pairs_second"), "pairs", ["second"], unique=False)
    op.create_table(
        "looks",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("entry", sa.String(length=32), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("photo", sa.String(length=64), nullable=False),
        sa.Column("file", sa.String(length=200), nullable=False),
        sa.Column("ending", sa.String(length=10), nullable=False),
        sa.Column("outcome", sa.String(length=200), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("variety", sa.String(length=200), nullable=False),
        sa.Column("age", sa.String(length=200), nullable=False),
        sa.Column("claimed", sa.String(length=200), nullable=True),
        sa.Column("program", sa.String(length=200), nullable=False),
        sa.Column("table_fingerprint", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["entry"], ["entries.id"], name=op.f("fk_looks_entry"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_looks")),
    )
    op.create_index(op.f("ix_looks_entry"), "looks", ["entry"], unique=False)
    op.create_index(op.f("ix_looks_photo"), "looks", ["photo"], unique=False)
    op.create_table(
        "young",
        sa.Column("pair", sa.String(length=32), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=200), nullable=False),
        sa.Column("hatched", sa.Date(), nullable=True),
        sa.Column("finding", sa.String(length=20), nullable=False),
        sa.Column("bird", sa.String(length=32), nullable=True),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["bird"], ["birds.id"], name=op.f("fk_young_bird")),
        sa.ForeignKeyConstraint(
            ["pair"], ["pairs.id"], name=op.f("fk_young_pair"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("pair", "place", name=op.f("pk_young")),
    )
    op.create_table(
        "marks",
        sa.Column("look", sa.String(length=32), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("mark", sa.String(length=200), nullable=False),
        sa.Column("lightness", sa.Float(), nullable=False),
        sa.Column("a", sa.Float(), nullable=False),
        sa.Column("b", sa.Float(), nullable=False),
        sa.Column("u_lightness", sa.Float(), nullable=False),
        sa.Column("u_chroma", sa.Float(), nullable=False),
        sa.Column("u_hue", sa.Float(), nullable=False),
        sa.Column("expanded", sa.Float(), nullable=False),
        sa.Column("calibrated", sa.Boolean(), nullable=False),
        sa.Column("dark", sa.Float(), nullable=False),
        sa.Column("u_dark", sa.Float(), nullable=False),
        sa.Column("orange", sa.Float(), nullable=False),
        sa.Column("u_orange", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["look"], ["looks.id"], name=op.f("fk_marks_look"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("look", "place", name=op.f("pk_marks")),
    )
    op.create_table(
        "signs",
        sa.Column("look", sa.String(length=32), nullable=False),
        sa.Column("place", sa.Integer(), nullable=False),
        sa.Column("sign", sa.String(length=200), nullable=False),
        sa.Column("species", sa.String(length=200), nullable=False),
        sa.Column("status", sa.String(length=200), nullable=False),
        sa.Column("strength", sa.String(length=200), nullable=False),
        sa.Column("mark", sa.String(length=200), nullable=False),
        sa.Column("amount", sa.Float(), nullable=False),
        sa.Column("u_amount", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["look"], ["looks.id"], name=op.f("fk_signs_look"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("look", "place", name=op.f("pk_signs")),
    )
