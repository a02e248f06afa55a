"""Where photos lie: one small interface, and the folder that does it on a disk everyone can reach.

A photo's name is its SHA-256 with its ending, below the first two digits. What has a name never
changes, so that writing it twice does no harm and a reader needs no lock.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

from fieldmarks._util.atomic_write import write_whole
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.model import Observation
from fieldmarks.measure.suffixes import ENDING

NAME = re.compile(rf"[0-9a-f]{{2}}/[0-9a-f]{{64}}\.(?:{ENDING})")


def photo_name(observation: Observation) -> str:
    """Name of an observation's photo in the storage."""
    return f"{observation.photo[:2]}/{observation.photo}{observation.ending}"


class PhotoStorage(Protocol):
    """What a store asks of the place where photos lie."""

    def put(self, name: str, data: bytes) -> bool:
        """Keep a photo, on the disk when this returns; whether it was new or mended."""

    def get(self, name: str) -> bytes:
        """A photo, checked against its name; FieldmarksError if it is missing or was changed."""

    def names(self) -> Iterator[str]:
        """Names of everything there, remains of cut-off saves too."""

    def remove(self, name: str) -> None:
        """Take away what no observation needs."""


class PhotoFolder:
    """Photos in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, name: str, data: bytes) -> bool:
        """See :class:`PhotoStorage`."""
        path = self.folder / name
        if path.exists() and path.stat().st_size == len(data) and path.read_bytes() == data:
            return False
        write_whole(path, data)
        return True

    def get(self, name: str) -> bytes:
        """See :class:`PhotoStorage`."""
        place, mend = f"photos/{name}", "Take it from a backup: 'bring-in'"
        try:
            data = (self.folder / name).read_bytes()
        except OSError as error:
            raise FieldmarksError(
                f"this photo is missing or cannot be read ({error.strerror})",
                where=place,
                mend=mend,
            ) from None
        if hashlib.sha256(data).hexdigest() != Path(name).stem:
            raise FieldmarksError(
                "this photo was changed after it was saved", where=place, mend=mend
            )
        return data

    def names(self) -> Iterator[str]:
        """See :class:`PhotoStorage`."""
        for path in sorted(self.folder.glob("*/*")):
            name = path.relative_to(self.folder).as_posix()
            if NAME.fullmatch(name) or name.endswith(".part"):
                yield name

    def remove(self, name: str) -> None:
        """See :class:`PhotoStorage`."""
        (self.folder / name).unlink(missing_ok=True)
