"""Give a photo away without the place where it was taken, and without touching its pixels.

Phones write the place into a photo in many ways: GPS tags, XMP, captions, the maker's own data, a
small picture with tags of its own, a film after the end. So nothing is searched for: a JPEG keeps
its coded picture, its colour profile and the few tags that measuring reads, and every other kind is
written anew as a lossless PNG of the same pixels with that profile and those tags. The same photo
gives the same bytes as long as the libraries are the same.
"""

import hashlib
import struct
import zlib
from dataclasses import replace
from pathlib import PurePath

import cv2
import numpy as np
from PIL import ExifTags, Image

from fieldmarks._util.errors import PhotoError
from fieldmarks.measure.photo import Photo, decode_photo, jpeg_segments
from fieldmarks.measure.photo_quality import file_facts

TOLD = (
    "Photos go out with the place and the maker's data taken out: a JPEG as it was coded, every "
    "other kind as a PNG of the same pixels."
)
TOLD_WITH_PLACE = (
    "Photos go out as they were taken. If your phone wrote the place into them, it is still in "
    "there."
)
# Maker, model, software and date; exposure time, lens opening, speed, colour space (EXIF 2.32).
_TEXT_TAGS = (0x010F, 0x0110, 0x0131, 0x0132)
_EXPOSURE_TAGS = (0x829A, 0x829D, 0x8827, 0xA001)
_RENDERED, _HDR = 0xA401, 3  # the value says that exposures were blended
_EXIF, _PNG = b"Exif\0\0", b"\x89PNG\r\n\x1a\n"
# JPEG segments (ISO/IEC 10918-1, B.1): a profile and how colours are coded are needed of the
# application segments, and no comment.
_NEEDED = {0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}
_DROPPED = frozenset({*range(0xE0, 0xF0), 0xFE} - set(_NEEDED))


def without_place(data: bytes, name: str) -> bytes:
    """A photo file without anything that could tell where it was taken.

    Args:
        data: The photo file.
        name: Its name, for messages.

    Returns:
        JPEG of a JPEG (the very same bytes when there is nothing to take out), else PNG. Pixels,
        colour profile and facts are the same as before; that is checked here, not assumed.

    Raises:
        PhotoError: It is no photo, or a camera raw file, or the place cannot be taken out.
    """
    harm = PhotoError(
        "the place cannot be taken out of this file without changing the picture",
        where=name,
        mend="Agree to give it away with the place (--with-place), or leave the photo out",
    )
    photo = decode_photo(data, name)
    if photo.header is None:  # camera raw: its pixels mean nothing without the maker's data
        raise harm
    try:
        tags = _kept_tags(photo)
        clean = clean_jpeg(data, tags) if photo.facts.format == "JPEG" else _as_png(photo, tags)
    except (ArithmeticError, LookupError, OSError, TypeError, ValueError, struct.error):
        raise harm from None
    if clean == data:
        return data
    before = _what_is_measured(photo)
    del photo  # two large pictures at once would fill the memory
    try:
        after = _what_is_measured(decode_photo(clean, given_name(name, clean)))
    except PhotoError:
        raise harm from None
    if before != after:
        raise harm
    return clean


def given_name(name: str, data: bytes) -> str:
    """The name of a photo that was cleaned: it says PNG where the file became one."""
    return str(PurePath(name).with_suffix(".png")) if data.startswith(_PNG) else name


def _what_is_measured(photo: Photo) -> tuple[object, ...]:
    """All that a measurement can see of a file: size, facts, profile and pixels."""
    pixels = np.ascontiguousarray(photo.codes((0, 0, photo.width, photo.height)))
    profile = photo.profile
    return (
        (photo.width, photo.height),
        replace(photo.facts, has_position=False, format=""),
        file_facts(photo),
        (profile.name, profile.table, profile.curves.tobytes(), profile.matrix.tobytes()),
        hashlib.sha256(pixels.data).digest(),
    )


def _kept_tags(photo: Photo) -> bytes:
    """An EXIF block with the tags that measuring reads; empty when there are none."""
    assert photo.header is not None
    old, new = photo.header.getexif(), Image.Exif()
    for tag in _TEXT_TAGS:
        if isinstance(old.get(tag), str):
            new[tag] = old[tag].encode("latin-1", "replace")
    found = old.get_ifd(ExifTags.IFD.Exif)
    detail = {tag: found[tag] for tag in _EXPOSURE_TAGS if tag in found}
    if file_facts(photo).hdr:
        detail[_RENDERED] = _HDR
    if detail:
        new[ExifTags.IFD.Exif] = detail
    if photo.facts.format == "JPEG" and photo.orientation != 1:  # a PNG is written upright
        new[ExifTags.Base.Orientation] = photo.orientation
    return new.tobytes().removeprefix(_EXIF) if len(new) else b""


def _as_png(photo: Photo, tags: bytes) -> bytes:
    """The upright picture as a PNG (ISO/IEC 15948) with its profile and the kept tags."""
    codes = photo.codes((0, 0, photo.width, photo.height))[..., ::-1]  # OpenCV wants BGR
    settings = [cv2.IMWRITE_PNG_COMPRESSION, 1]  # level 6 takes four times as long for a quarter
    plain = cv2.imencode(".png", np.ascontiguousarray(codes), settings)[1].tobytes()
    profile = photo.header.info.get("icc_profile")  # type: ignore[union-attr]  # never a raw file
    extra = _chunk(b"iCCP", b"icc\0\0" + zlib.compress(profile)) if profile else b""
    extra += _chunk(b"eXIf", tags) if tags else b""
    end = len(_PNG) + 25  # of the header chunk, which comes first
    return plain[:end] + extra + plain[end:]


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", len(body), kind) + body + struct.pack(">I", zlib.crc32(kind + body))


def clean_jpeg(data: bytes, tags: bytes = b"") -> bytes:
    """A JPEG up to its end marker, with no segment but those a decoder needs and these tags.

    Raises:
        ValueError: Its segments are damaged.
    """
    out = [b"\xff\xd8", _segment(0xE1, _EXIF + tags) if tags else b""]
    for marker, start, stop in jpeg_segments(data):
        body = data[start + 4 : stop]
        if marker == 0xE0 and body.startswith(b"JFIF\0"):
            # Its last two bytes give the size of a small picture that may follow.
            out.append(_segment(0xE0, body[:12] + b"\0\0"))
        elif body.startswith(_NEEDED.get(marker, b"")) and marker not in _DROPPED:
            out.append(data[start:stop])
    return b"".join(out)


def _segment(marker: int, body: bytes) -> bytes:
    if len(body) > 65533:
        raise ValueError("too long for one segment")
    return bytes((0xFF, marker)) + struct.pack(">H", len(body) + 2) + body
