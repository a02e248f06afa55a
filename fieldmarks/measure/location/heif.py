"""HEIC and HEIF: boxes of boxes (ISO/IEC 14496-12, 23008-12), cleaned without moving a byte.

Pictures, tags and texts are items whose places a table (``iloc``) gives. The pictures stay; tags
are cleaned where they lie; everything that no kept item claims is laid over with zeros, and boxes
that hold no part of the picture are renamed to ``free``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from fieldmarks.measure.location.tags import clean_exif, kept_xmp

_TOP = (b"ftyp", b"meta", b"mdat")
_META = (
    b"hdlr", b"pitm", b"iloc", b"iinf", b"iref", b"iprp", b"idat", b"dinf", b"grpl", b"free",
)  # fmt: skip
_TEXTS = (b"mime", b"uri ")
_RDF = b"application/rdf+xml"
Extents = list[tuple[int, int]]


@dataclass(frozen=True)
class _Box:
    kind: bytes
    start: int  # of the whole box
    body: int
    stop: int


def clean_heif(data: bytes) -> bytes:
    """A HEIC file with its pictures, their properties and the kept tags."""
    top = list(_boxes(data, 0, len(data)))
    meta = _only(top, b"meta")
    inner = list(_boxes(data, meta.body + 4, meta.stop))
    idat = next((b.body for b in inner if b.kind == b"idat"), 0)
    places = _places(data, _only(inner, b"iloc"), idat)
    kinds = _kinds(data, _only(inner, b"iinf"))
    out = bytearray(data)
    for box in top:
        if box.kind not in _TOP:
            _blank(out, box)
    for box in inner:
        if box.kind not in _META:
            _blank(out, box)
        elif box.kind == b"iprp":
            _blank_descriptions(out, data, box)
    for box in (*top, *inner):
        if box.kind in (b"mdat", b"idat"):
            out[box.body : box.stop] = bytes(box.stop - box.body)
    for item, extents in places.items():
        content = b"".join(data[a:b] for a, b in extents)
        kind, kind_of_text = kinds.get(item, (b"", b""))
        if kind == b"Exif":
            content = _exif_item(content)
        elif kind in _TEXTS:
            short = kept_xmp(content) if kind_of_text == _RDF else b""
            if len(short) > len(content):
                raise ValueError("no room")
            content = short.ljust(len(content))
        elif not kind:
            raise ValueError("an item of no known kind")
        for a, b in extents:
            out[a:b], content = content[: b - a], content[b - a :]
    return bytes(out)


def _exif_item(content: bytes) -> bytes:
    """A number of bytes to step over, then the block of tags (ISO/IEC 23008-12, annex A)."""
    start = 4 + int.from_bytes(content[:4], "big")
    block = clean_exif(content[start:])
    return content[:start] + block.ljust(len(content) - start, b"\0")


def _boxes(data: bytes, place: int, stop: int) -> Iterator[_Box]:
    while place < stop:
        size, body = _number(data, place, 4), place + 8
        if size == 1:
            size, body = _number(data, place + 8, 8), place + 16
        end = stop if size == 0 else place + size
        if end > stop or end < body:
            raise ValueError("a box is cut short")
        yield _Box(data[place + 4 : place + 8], place, body, end)
        place = end


def _only(boxes: list[_Box], kind: bytes) -> _Box:
    found = [b for b in boxes if b.kind == kind]
    if len(found) != 1:
        raise ValueError("not exactly one such box")
    return found[0]


def _number(data: bytes, place: int, size: int) -> int:
    if place + size > len(data):
        raise ValueError("cut short")
    return int.from_bytes(data[place : place + size], "big")


def _blank(out: bytearray, box: _Box) -> None:
    out[box.start + 4 : box.start + 8] = b"free"
    out[box.body : box.stop] = bytes(box.stop - box.body)


def _blank_descriptions(out: bytearray, data: bytes, properties: _Box) -> None:
    """Take out what a person wrote about a picture; its place in the list stays."""
    for box in _boxes(data, properties.body, properties.stop):
        if box.kind == b"ipco":
            for one in _boxes(data, box.body, box.stop):
                if one.kind in (b"udes", b"uuid"):
                    _blank(out, one)


def _kinds(data: bytes, box: _Box) -> dict[int, tuple[bytes, bytes]]:
    """Kind of each item, and for texts the kind of text."""
    first = box.body + (6 if data[box.body] == 0 else 8)
    found = {}
    for entry in _boxes(data, first, box.stop):
        version = data[entry.body]
        if version not in (2, 3):
            raise ValueError("items of another age")
        wide = 2 if version == 2 else 4
        item = _number(data, entry.body + 4, wide)
        place = entry.body + 4 + wide + 2
        kind, rest = data[place : place + 4], data[place + 4 : entry.stop]
        found[item] = (kind, (rest + b"\0\0").split(b"\0")[1])
    return found


def _places(data: bytes, box: _Box, idat: int) -> dict[int, Extents]:
    """Where the bytes of each item lie in the file."""
    version = data[box.body]
    sizes = _number(data, box.body + 4, 2)
    offset, length, base, index = (sizes >> s & 15 for s in (12, 8, 4, 0))
    index = index if version in (1, 2) else 0
    wide = 4 if version == 2 else 2
    place = box.body + 6

    def take(size: int) -> int:
        nonlocal place
        place += size
        return _number(data, place - size, size)

    found: dict[int, Extents] = {}
    for _ in range(take(wide)):
        item = take(wide)
        method = take(2) & 15 if version in (1, 2) else 0
        if take(2) or method > 1:
            raise ValueError("an item lies in another file or item")
        start = take(base) + (idat if method else 0)
        extents = []
        for _ in range(take(2)):
            take(index)
            at = start + take(offset)
            size = take(length)
            if not size or at + size > len(data):
                raise ValueError("cut short")
            extents.append((at, at + size))
        found[item] = extents
    return found
