"""Links to a bird or a dossier for someone who does not sign in; each can be withdrawn.

The word in a link is 256 random bits; the store has its SHA-256 alone, so that whoever reads the
database cannot open one.
"""

import re
import secrets
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select, update

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import orm
from fieldmarks.birds.archive import digest
from fieldmarks.birds.model import Bird, Entry, new_id, now
from fieldmarks.birds.store import Store

WORD = re.compile(r"[A-Za-z0-9_-]{43}")
NO_SUCH = FieldmarksError("there is no such link, or it was withdrawn")


@dataclass(frozen=True)
class Link:
    """A link that was given out.

    Args:
        entries: Ids of the looks in its dossier; empty for the bird's sheet.
        withdrawn_at: Empty while it opens.
    """

    id: str
    entries: tuple[str, ...]
    made_at: str
    withdrawn_at: str


def make_link(store: Store, bird: Bird, entries: Sequence[Entry] = ()) -> str:
    """Make a link to a bird's sheet, or to the dossier of some of its looks; gives its word.

    Raises:
        FieldmarksError: The bird is not one that may be shared by whoever asks.
    """
    word = secrets.token_urlsafe(32)
    own = " ".join(e.id for e in entries if e.bird == bird.id)
    with store.writing() as work:
        work.write(
            orm.links, id=new_id(), secret=digest(word.encode()), bird=work.bird(bird.id).id,
            entries=own, made_at=now(),
        )  # fmt: skip
    return word


def links_of(store: Store, bird: Bird) -> list[Link]:
    """Links to a bird, the newest first."""
    c = orm.links.c
    query = select(c.id, c.entries, c.made_at, c.withdrawn_at).where(c.bird == bird.id)
    found = store.rows(query.order_by(c.made_at.desc(), c.id))
    return [Link(row.id, tuple(row.entries.split()), *row[2:]) for row in found]


def withdraw_link(store: Store, key: str) -> None:
    """Let a link open no longer."""
    c = orm.links.c
    change = update(orm.links).where(c.id == key, c.withdrawn_at == "")
    with store.writing() as work:
        work.connection.execute(change.values(withdrawn_at=now()))


def opened_by(store: Store, word: str) -> tuple[Bird, list[Entry], bool]:
    """What a link opens: a bird, its looks that count, and whether as a dossier.

    Raises:
        FieldmarksError: Nothing: it never was, was withdrawn, or the bird is off the list. All read
            the same.
    """
    c = orm.links.c
    query = select(c.bird, c.entries).where(c.secret == digest(word.encode()), c.withdrawn_at == "")
    found = store.rows(query) if WORD.fullmatch(word) else ()
    if not found:
        raise NO_SUCH
    (row,) = found
    bird, chosen = store.bird(row.bird), row.entries.split()
    entries = [e for e in store.entries(bird.id) if not chosen or e.id in chosen]
    if bird.withdrawn or (chosen and not entries):
        raise NO_SUCH
    return bird, entries, bool(chosen)
