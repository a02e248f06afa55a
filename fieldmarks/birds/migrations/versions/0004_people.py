"""People of a club, who owns a bird, and links that can be withdrawn."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Every bird that is there is nobody's own: the steward's to hand over."""
    op.create_table(
        "people",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("email", sa.String(254), nullable=False, unique=True),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("subject", sa.String(600), unique=True),
    )
    # SQLite adds a column with its foreign key in one go only.
    op.execute(
        "ALTER TABLE birds ADD COLUMN owner VARCHAR(32) "
        "CONSTRAINT fk_birds_owner REFERENCES people (id)"
    )
    op.create_index("ix_birds_owner", "birds", ["owner"])
    op.create_table(
        "links",
        sa.Column("id", sa.String(32), primary_key=True),
        sa.Column("secret", sa.String(64), nullable=False, unique=True),
        sa.Column("bird", sa.String(32), sa.ForeignKey("birds.id"), nullable=False, index=True),
        sa.Column("entries", sa.Text, nullable=False),
        sa.Column("made_at", sa.String(40), nullable=False),
        sa.Column("withdrawn_at", sa.String(40), nullable=False, server_default=""),
    )
