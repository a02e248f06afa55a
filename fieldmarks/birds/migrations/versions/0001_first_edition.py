"""First edition. A new store gets today's tables at once, so nothing makes these any more."""

revision = "0001"
down_revision = None
