"""JPEG, PNG and WebP: files made of labelled pieces, of which only the known ones are kept."""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Iterator

from fieldmarks.measure.location.tags import clean_exif, kept_xmp

_EXIF, _XMP = b"Exif\0\0", b"http://ns.adobe.com/xap/1.0/\0"
_JFIF = b"JFIF\0"
# Application segments and comments; only a profile and how colours are coded are needed.
_NEEDED = {0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}
_DROPPED = frozenset({*range(0xE0, 0xF0), 0xFE} - set(_NEEDED))
# In the coded picture every FF is followed by 00, a restart marker or another FF (T.81, B.1.1.5).
_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_PNG_KEPT = (
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"iCCP", b"sRGB", b"gAMA", b"cHRM", b"pHYs",
    b"sBIT", b"bKGD", b"cICP", b"mDCV", b"cLLI",
)  # fmt: skip
_WEBP_KEPT = (b"VP8 ", b"VP8L", b"ALPH", b"ICCP")
_HAS_EXIF, _HAS_XMP = 0x08, 0x04  # flags of a VP8X chunk


def clean_jpeg(data: bytes, with_tags: bool = True) -> bytes:
    """A JPEG (ISO/IEC 10918-1) up to its end marker, with no segment but those a decoder needs.

    ``with_tags`` says whether the kept tags go along.
    """
    out, exif, xmp = [], b"", b""
    for marker, body, piece in _jpeg_pieces(data):
        if marker == 0xE1 and body.startswith(_EXIF):
            exif += body[len(_EXIF) :]  # a long block is split over several segments
        elif marker == 0xE1 and body.startswith(_XMP):
            xmp = xmp or kept_xmp(body[len(_XMP) :])
        elif marker == 0xE0 and body.startswith(_JFIF):
            # Its last two bytes give the size of a small picture that may follow.
            out.append(_segment(0xE0, body[:12] + b"\0\0"))
        elif body.startswith(_NEEDED.get(marker, b"")) and marker not in _DROPPED:
            out.append(piece)
    head = [_segment(0xE1, _EXIF + clean_exif(exif))] if exif and with_tags else []
    head += [_segment(0xE1, _XMP + xmp)] if xmp and with_tags else []
    return b"".join([b"\xff\xd8", *head, *out])


def _jpeg_pieces(data: bytes) -> Iterator[tuple[int, bytes, bytes]]:
    """Marker, content and whole of each segment; coded data goes with its start of scan."""
    place = 2
    while True:
        if data[place] != 0xFF:
            raise ValueError("no marker where one should be")
        marker = data[place + 1]
        if marker == 0xFF:  # fill byte
            place += 1
        elif marker == 0xD9:
            yield marker, b"", b"\xff\xd9"
            return
        elif marker == 0x01 or 0xD0 <= marker <= 0xD7:
            place += 2
        else:
            size = int.from_bytes(data[place + 2 : place + 4], "big")
            stop = place + 2 + size
            if size < 2 or stop > len(data):
                raise ValueError("cut short")
            body = data[place + 4 : stop]
            if marker == 0xDA:
                found = _MARKER.search(data, stop)
                if found is None:
                    raise ValueError("cut short")
                stop = found.start()
            yield marker, body, data[place:stop]
            place = stop


def _segment(marker: int, body: bytes) -> bytes:
    if len(body) > 65533:
        raise ValueError("too long for one segment")
    return bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body


def clean_png(data: bytes) -> bytes:
    """A PNG (ISO/IEC 15948) without texts, dates and unknown chunks."""
    out, place, kind = [data[:8]], 8, b""
    while kind != b"IEND":
        size = int.from_bytes(data[place : place + 4], "big")
        kind, stop = data[place + 4 : place + 8], place + 12 + size
        if len(kind) < 4 or stop > len(data):
            raise ValueError("cut short")
        body = data[place + 8 : stop - 4]
        if kind in _PNG_KEPT:
            out.append(data[place:stop])
        elif kind == b"eXIf":
            out.append(_chunk(kind, clean_exif(body.removeprefix(_EXIF))))
        elif kind in (b"zTXt", b"tEXt") and body.lower().startswith(b"raw profile type"):
            raise ValueError("tags written as text")
        elif kind == b"iTXt" and body.startswith(b"XML:com.adobe.xmp\0"):
            xmp = kept_xmp(_text(body))
            if xmp:
                out.append(_chunk(kind, b"XML:com.adobe.xmp\0\0\0\0\0" + xmp))
        place = stop
    return b"".join(out)


def _text(body: bytes) -> bytes:
    """Text of an iTXt chunk: keyword, whether packed, language and translated keyword go first."""
    rest = body.split(b"\0", 1)[1]
    text = rest[2:].split(b"\0", 2)[2]
    if rest[0]:
        try:
            return zlib.decompressobj().decompress(text, 1 << 24)
        except zlib.error:
            raise ValueError("damaged text") from None
    return text


def _chunk(kind: bytes, body: bytes) -> bytes:
    check = struct.pack(">I", zlib.crc32(kind + body))
    return struct.pack(">I", len(body)) + kind + body + check


def clean_webp(data: bytes) -> bytes:
    """A WebP (RFC 9649) with the picture, its profile and the kept tags."""
    stop = min(8 + int.from_bytes(data[4:8], "little"), len(data))
    pieces: list[tuple[bytes, bytes]] = []
    place = 12
    while place + 8 <= stop:
        kind, size = data[place : place + 4], int.from_bytes(data[place + 4 : place + 8], "little")
        body = data[place + 8 : place + 8 + size]
        if len(body) != size:
            raise ValueError("cut short")
        if kind in (*_WEBP_KEPT, b"VP8X"):
            pieces.append((kind, body))
        elif kind == b"EXIF":
            pieces.append((kind, clean_exif(body.removeprefix(_EXIF))))
        elif kind == b"XMP " and kept_xmp(body):
            pieces.append((kind, kept_xmp(body)))
        place += 8 + size + size % 2
    names = {kind for kind, _ in pieces}
    out = b""
    for kind, body in pieces:
        if kind == b"VP8X":
            flags = body[0] & ~(_HAS_EXIF | _HAS_XMP)
            flags |= _HAS_EXIF * (b"EXIF" in names) | _HAS_XMP * (b"XMP " in names)
            body = bytes([flags]) + body[1:]
        out += kind + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)
    return b"RIFF" + struct.pack("<I", len(out) + 4) + b"WEBP" + out
