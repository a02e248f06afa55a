"""The rule tables: what each species, variety and age should show, as checked data."""

from fieldmarks.rules.load import load_rules, not_read, validate_tables
from fieldmarks.rules.tables import Tables

__all__ = ["Tables", "load_rules", "not_read", "validate_tables"]
