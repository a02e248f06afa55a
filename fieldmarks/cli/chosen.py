"""What stands before a command, and the rule tables and the store of birds that it names."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fieldmarks.cli.answers import say

if TYPE_CHECKING:
    from fieldmarks.birds.store import Store
    from fieldmarks.rules import Tables


@dataclass
class Chosen:
    """What stands before the command: it holds for whatever the command reads."""

    more_tables: Path | None = None
    own_swatches: bool = False
    store: Path | None = None
    database: str | None = None


chosen = Chosen()


def rule_tables() -> Tables:
    """The rule tables chosen; faults of one's own, and swatches that lie unused, are mentioned."""
    from fieldmarks.rules import keepers, load_rules, not_read, validate_tables

    unused = [swatch.key for swatch in keepers.own_swatches() if swatch.in_use]
    if unused and not chosen.own_swatches:
        say(
            f"Shipped swatches are used. Yours ({', '.join(unused)}) are taken with "
            "fieldmarks --own-swatches ..."
        )
    tables = load_rules(chosen.more_tables, chosen.own_swatches)
    if folder := chosen.more_tables:
        faults = len(validate_tables(folder)) + bool(not_read(folder))
        if faults:
            say(
                f"Your tables are used as they stand. Faults found in them: {faults}. To see them: "
                f'fieldmarks check-tables "{folder}"'
            )
    return tables


def open_store() -> Store:
    """The store of birds that was named, or the keeper's own."""
    from fieldmarks.birds.store import Store

    return Store(chosen.store, chosen.database)


@contextmanager
def store_and_tables() -> Iterator[tuple[Store, Tables]]:
    """The store, opened for a while, and the rule tables."""
    tables = rule_tables()
    with open_store() as store:
        yield store, tables
