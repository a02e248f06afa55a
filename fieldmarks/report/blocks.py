"""Blocks a report is made of, free of any layout."""

from __future__ import annotations

from dataclasses import dataclass

from fieldmarks.report.glossary import Word


@dataclass(frozen=True)
class Para:
    """A paragraph."""

    text: str
    strong: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list; each item may start with the icon of a status."""

    items: tuple[str, ...]
    icons: tuple[str, ...] = ()


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
    """An SVG drawing with its caption;"""

    drawing: str
    caption: str = ""
    name: str = ""


@dataclass(frozen=True)
class PhotoPlace:
    """Where the annotated photo stands."""

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


Block = Para | Bullets | Facts | Grid | Figure | PhotoPlace | Title | Group | More


@dataclass(frozen=True)
class Section:
    """A part of the report with its heading."""

    key: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Content:
    """The whole report."""

    title: str
    sections: tuple[Section, ...]
    words: tuple[Word, ...]
