"""Give a photo away without the place where it was taken, and without touching its pixels.

Phones write the place into a photo in many ways: GPS tags, XMP, captions, the maker's own data, a
small picture with tags of its own, a film after the end. So nothing is searched for: everything is
left out but the coded picture, its colour profile and the few tags that measuring reads (camera,
software, date, exposure, orientation, the sign of blended exposures). The pixels are not coded
again, and the same photo always gives the same bytes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fieldmarks.errors import PhotoError
from fieldmarks.location.heif import clean_heif
from fieldmarks.location.segments import clean_jpeg, clean_png, clean_webp
from fieldmarks.location.tags import clean_tiff
from fieldmarks.photo import Photo, decode_photo

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
    before = decode_photo(data, name)
    harm = PhotoError(
        "the place cannot be taken out of this file without changing the picture",
        where=name,
        mend="Agree to give it away with the place (--with-place), or leave the photo out",
    )
    cleaner = _CLEANERS.get(before.facts.format)
    if cleaner is None:
        raise harm
    try:
        cleaned = cleaner(data)
    except (ValueError, IndexError, OverflowError):  # a structure we do not know well enough
        raise harm from None
    if cleaned == data:
        return data
    try:
        after = decode_photo(cleaned, name)
    except PhotoError:
        raise harm from None
    if not _same_picture(before, after):
        raise harm
    return cleaned


def _same_picture(before: Photo, after: Photo) -> bool:
    """Whether two files measure alike: pixels, profile, and what they say of their making."""
    from fieldmarks.optics.fitness import file_facts

    whole = (0, 0, before.width, before.height)
    return (
        (before.width, before.height) == (after.width, after.height)
        and replace(before.facts, has_position=False) == after.facts
        and file_facts(before) == file_facts(after)
        and before.profile.table == after.profile.table
        and np.array_equal(before.profile.curves, after.profile.curves)
        and np.array_equal(before.profile.matrix, after.profile.matrix)
        and np.array_equal(before.codes(whole), after.codes(whole))
    )
