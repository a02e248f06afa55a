"""Second edition: in which marks a sign was compared, and in which it was."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Earlier looks do not say."""
    for name in ("compared", "there"):
        column = sa.Column(name, sa.String(length=200), server_default="", nullable=False)
        op.add_column("signs", column)
