"""Tags: keep those that measuring reads, and lay zeros over everything else in the block.

TIFF 6.0 section 2 describes directories of tags; EXIF (CIPA DC-008) is such a block inside another
file. Nothing moves: kept values stay where they are, so offsets need no mending and makers' own
pointers cannot point at anything.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field

from fieldmarks.measure.photo_quality import HDR_XMP

# How the picture is laid out (TIFF 6.0), its profile, camera, software, date and orientation.
PICTURE_TAGS = frozenset(
    [254, 255, 256, 257, 258, 259, 262, 266, 273, 274, 277, 278, 279, 282, 283, 284, 296, 301,
     317, 318, 319, 320, 322, 323, 324, 325, 332, 334, 336, 338, 339, 347, 529, 530, 531, 532,
     271, 272, 305, 306, 34675]
)  # fmt: skip
# Exposure, lens opening, speed, dates, metering, focal length, colour space, rendering, and the
# 35 mm equivalent (EXIF 2.32). No time zone, owner, serial number, title or maker's data.
EXPOSURE_TAGS = frozenset(
    [0x829A, 0x829D, 0x8822, 0x8827, 0x8830, 0x8832, 0x9000, 0x9003, 0x9004, 0x9101, 0x9102,
     *range(0x9201, 0x920B), 0xA000, 0xA001, 0xA002, 0xA003, 0xA217, 0xA300, 0xA301,
     *range(0xA401, 0xA40B)]
)  # fmt: skip
XMP, EXIF, OLD_JPEG = 700, 0x8769, 6
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
_XMP_TURN = re.compile(rb'tiff:Orientation(?:="|>)([0-9])')


def kept_xmp(packet: bytes) -> bytes:
    """An XMP packet with only the orientation and the sign of blended exposures; often empty."""
    turn = _XMP_TURN.search(packet)
    said = b"<!-- gainmap -->" if any(word in packet.lower() for word in HDR_XMP) else b""
    if turn:
        said += (
            b'<rdf:Description xmlns:tiff="http://ns.adobe.com/tiff/1.0/" tiff:Orientation="'
            + turn[1]
            + b'"/>'
        )
    if not said:
        return b""
    space = b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"'
    return (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF ' + space + b">" + said
        + b"</rdf:RDF></x:xmpmeta>"
    )  # fmt: skip


def clean_exif(block: bytes) -> bytes:
    """An EXIF block (a TIFF header and its directories) with the kept tags only."""
    cleaner = _Cleaner(block)
    cleaner.directory(cleaner.first(), PICTURE_TAGS)
    return cleaner.result()[: cleaner.end]


def clean_tiff(data: bytes) -> bytes:
    """A TIFF picture with the kept tags only."""
    cleaner = _Cleaner(data)
    cleaner.directory(cleaner.first(), PICTURE_TAGS, picture=True)
    return cleaner.result()


@dataclass
class _Cleaner:
    """One block: where kept bytes lie, and the directories written anew over their old place."""

    block: bytes
    kept: list[tuple[int, int]] = field(default_factory=list)
    written: dict[int, bytes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.block[:4] not in (b"II*\0", b"MM\0*"):
            raise ValueError("no TIFF block of 32-bit offsets")
        self.order = "<" if self.block[:2] == b"II" else ">"
        self.kept.append((0, 8))

    @property
    def end(self) -> int:
        """First byte after everything that is kept."""
        return max(stop for _, stop in (*self.kept, *self._spans()))

    def _spans(self) -> list[tuple[int, int]]:
        return [(at, at + len(entries)) for at, entries in self.written.items()]

    def first(self) -> int:
        """Place of the first directory."""
        return self._number("I", 4)

    def _number(self, letter: str, at: int) -> int:
        try:
            return int(struct.unpack_from(self.order + letter, self.block, at)[0])
        except struct.error:
            raise ValueError("cut short") from None

    def directory(self, at: int, tags: frozenset[int], picture: bool = False) -> None:
        """Keep some tags of a directory; what follows it (a small picture) is dropped."""
        if at in self.written or at < 8:
            raise ValueError("directories run in a ring")
        count = self._number("H", at)
        self.written[at] = b""
        entries = []
        for place in range(at + 2, at + 2 + 12 * count, 12):
            tag, kind = self._number("H", place), self._number("H", place + 2)
            number = self._number("I", place + 4)
            if tag == EXIF:
                self.directory(self._number("I", place + 8), EXPOSURE_TAGS)
            elif tag == XMP and not self._xmp(place, number * _SIZES.get(kind, 1)):
                continue
            elif tag == 259 and picture and self._number("H", place + 8) == OLD_JPEG:
                raise ValueError("its picture lies where we do not look")
            elif tag not in (EXIF, XMP) and (tag not in tags or kind not in _SIZES):
                continue
            elif tag != XMP:
                self._keep_value(place, number * _SIZES.get(kind, 1))
            entries.append(self.block[place : place + 12])
        if picture:
            self._keep_picture(entries)
        size = struct.pack(self.order + "H", len(entries))
        self.written[at] = size + b"".join(entries) + b"\0\0\0\0"

    def _keep_value(self, place: int, size: int) -> None:
        if size > 4:
            at = self._number("I", place + 8)
            self._keep(at, at + size)

    def _keep(self, start: int, stop: int) -> None:
        if stop > len(self.block):
            raise ValueError("cut short")
        self.kept.append((start, stop))

    def _xmp(self, place: int, size: int) -> bool:
        """Put the short packet over the long one; whether anything is left of it."""
        at = self._number("I", place + 8)
        short = kept_xmp(self.block[at : at + size])
        if not short:
            return False
        if len(short) > size or at + size > len(self.block):
            raise ValueError("no room")
        self.written[at] = short.ljust(size)
        return True

    def _keep_picture(self, entries: list[bytes]) -> None:
        found = {struct.unpack(self.order + "H", e[:2])[0]: e for e in entries}
        for where, how_long in ((273, 279), (324, 325)):
            if where in found and how_long in found:
                starts, sizes = self._values(found[where]), self._values(found[how_long])
                for start, size in zip(starts, sizes, strict=True):
                    self._keep(start, start + size)

    def _values(self, entry: bytes) -> tuple[int, ...]:
        kind, count = struct.unpack_from(self.order + "HI", entry, 2)
        letter = {3: "H", 4: "I"}.get(kind)
        if letter is None or count > len(self.block):
            raise ValueError("offsets of an odd kind")
        form = f"{self.order}{count}{letter}"
        size = struct.calcsize(form)
        start = struct.unpack_from(self.order + "I", entry, 8)[0]
        data = entry[8 : 8 + size] if size <= 4 else self.block[start : start + size]
        if len(data) != size:
            raise ValueError("cut short")
        return struct.unpack(form, data)

    def result(self) -> bytes:
        """The block, with zeros wherever nothing is kept."""
        out = bytearray(len(self.block))
        for start, stop in self.kept:
            out[start:stop] = self.block[start:stop]
        for at, content in self.written.items():
            out[at : at + len(content)] = content
        return bytes(out[: len(self.block)])
