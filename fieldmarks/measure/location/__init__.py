"""Give a photo away without the place where it was taken, and without touching its pixels.

Phones write the place into a photo in many ways: GPS tags, XMP, captions, the maker's own data, a
small picture with tags of its own, a film after the end. So nothing is searched for: everything is
left out but the coded picture, its colour profile and the few tags that measuring reads (camera,
software, date, exposure, orientation, the sign of blended exposures). The pixels are not coded
again, and the same photo always gives the same bytes.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np

from fieldmarks._util.errors import PhotoError
from fieldmarks.measure.location.heif import clean_heif
from fieldmarks.measure.location.segments import clean_jpeg, clean_png, clean_webp
from fieldmarks.measure.location.tags import clean_tiff
from fieldmarks.measure.photo import Photo, decode_photo

_CLEANERS = {
    "JPEG": clean_jpeg,
    "PNG": clean_png,
    "WEBP": clean_webp,
    "TIFF": clean_tiff,
    "HEIF": clean_heif,
}
TOLD = (
    "Photos go out with the place and the maker's data taken out; the picture itself is not "
    "changed."
)
TOLD_WITH_PLACE = (
    "Photos go out as they were taken. If your phone wrote the place into them, it is still in "
    "there."
)


def without_place(data: bytes, name: str) -> bytes:
    """A photo file without anything that could tell where it was taken.

    Parameters
    ----------
    data : bytes
        The photo file.
    name : str
        Its name, for messages.

    Returns
    -------
    bytes
        The very same bytes when there is nothing to take out. Otherwise a file of the same format
        whose pixels, colour profile and facts are the same; that is checked here, not assumed.

    Raises
    ------
    PhotoError
        It is no photo, or the place cannot be taken out without coding the picture again.
    """
    photo = decode_photo(data, name)
    before, kind = _what_is_measured(photo), photo.facts.format
    del photo  # two large pictures at once would fill the memory
    harm = PhotoError(
        "the place cannot be taken out of this file without changing the picture",
        where=name,
        mend="Agree to give it away with the place (--with-place), or leave the photo out",
    )
    cleaner = _CLEANERS.get(kind)
    if cleaner is None:
        raise harm
    try:
        cleaned = cleaner(data)
    except (ValueError, IndexError, OverflowError):  # a structure we do not know well enough
        raise harm from None
    if cleaned == data:
        return data
    try:
        after = _what_is_measured(decode_photo(cleaned, name))
    except PhotoError:
        raise harm from None
    if before != after:
        raise harm
    return cleaned


def _what_is_measured(photo: Photo) -> tuple[object, ...]:
    """All that a measurement can see of a file: size, facts, profile and pixels."""
    from fieldmarks.measure.photo_quality import file_facts

    pixels = np.ascontiguousarray(photo.codes((0, 0, photo.width, photo.height)))
    profile = photo.profile
    return (
        (photo.width, photo.height),
        replace(photo.facts, has_position=False),
        file_facts(photo),
        (profile.name, profile.table, profile.curves.tobytes(), profile.matrix.tobytes()),
        hashlib.sha256(pixels.data).digest(),
    )
