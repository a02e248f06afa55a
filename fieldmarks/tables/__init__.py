"""The rule tables: what each species, variety and age should show, as checked data."""

from fieldmarks.tables.load import Problem, Tables, load_tables, validate_tables

__all__ = ["Problem", "Tables", "load_tables", "validate_tables"]
