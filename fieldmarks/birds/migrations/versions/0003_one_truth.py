"""Third edition, the first that is migrated step by step; see ``migrations/earliest.py``."""

revision = "0003"
down_revision = None
