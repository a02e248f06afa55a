"""Blocks a report is made of, free of any layout."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from fieldmarks.report.glossary import Word


@dataclass(frozen=True)
class Para:
    """A paragraph."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list; each item may start with the icon of a status, or with a box to tick."""

    items: tuple[str, ...]
    icons: tuple[str, ...] = ()
    to_tick: bool = False


@dataclass(frozen=True)
class Facts:
    """Names and their values."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Grid:
    """A table; the first cell of a row names it. ``colours`` gives a patch for each row."""

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    colours: tuple[str, ...] = ()


@dataclass(frozen=True)
class Figure:
    """An SVG drawing with its caption; ``wide`` is its width on paper, mm (0: by its own size)."""

    drawing: str
    caption: str = ""
    name: str = ""
    wide: float = 0.0


@dataclass(frozen=True)
class Picture:
    """A photo as JPEG."""

    jpeg: bytes
    alt: str


@dataclass(frozen=True)
class Title:
    """A smaller heading."""

    text: str


@dataclass(frozen=True)
class Group:
    """Blocks that belong together and should not be torn apart."""

    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class More:
    """Blocks that a page may fold away."""

    summary: str
    blocks: tuple[Block, ...]


Block = Para | Bullets | Facts | Grid | Figure | Picture | Title | Group | More


@dataclass(frozen=True)
class Section:
    """A part of the report with its heading; on paper it may begin a new page."""

    key: str
    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False


@dataclass(frozen=True)
class Content:
    """A whole report; what it is about stands below its title, ``foot`` at the foot of a page."""

    title: str
    about: str
    foot: str
    sections: tuple[Section, ...]
    words: tuple[Word, ...] = ()


def texts(blocks: Iterable[Block]) -> Iterator[str]:
    """Every text in which trade words are linked."""
    for block in blocks:
        if isinstance(block, Para):
            yield block.text
        elif isinstance(block, Bullets):
            yield from block.items
        elif isinstance(block, More | Group):
            yield from texts(block.blocks)
