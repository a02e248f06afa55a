"""The rule tables: what each species, variety and age should show, as checked data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fieldmarks.rules.load import load_rules, validate_tables
    from fieldmarks.rules.tables import Tables

__all__ = ["Tables", "load_rules", "validate_tables"]


def __getattr__(name: str) -> Any:
    """Import the loader on first use only: commands of this package must start at once."""
    if name in __all__:
        from fieldmarks.rules import load

        return getattr(load, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
