"""Where photos lie: one small interface, a folder on a disk that everyone reaches, and a bucket.

A photo's name is its SHA-256 with its ending, below the first two digits. What has a name never
changes, so that writing it twice does no harm and a reader needs no lock.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
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


def _unchanged(name: str, data: bytes, place: str, mend: str) -> bytes:
    if hashlib.sha256(data).hexdigest() != Path(name).stem:
        raise FieldmarksError("this photo was changed after it was saved", where=place, mend=mend)
    return data


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
        return _unchanged(name, data, place, mend)

    def names(self) -> Iterator[str]:
        """See :class:`PhotoStorage`."""
        for path in sorted(self.folder.glob("*/*")):
            name = path.relative_to(self.folder).as_posix()
            if NAME.fullmatch(name) or name.endswith(".part"):
                yield name

    def remove(self, name: str) -> None:
        """See :class:`PhotoStorage`."""
        (self.folder / name).unlink(missing_ok=True)


class PhotoBucket:
    """Photos in an S3-compatible store, by its address (``s3://BUCKET/PLACE``), through fsspec.

    Such a store shows an object whole or not at all, and keeps it once it has answered. Keys and
    address of the service come from where boto3 looks for them (``AWS_ACCESS_KEY_ID``,
    ``AWS_ENDPOINT_URL`` ...).

    Raises:
        FieldmarksError: The address is none, or a package is missing.
    """

    def __init__(self, url: str) -> None:
        try:
            import fsspec

            if not re.fullmatch("s3://[^/]+(/.+)?", url):
                raise ValueError
            # Other programs put photos there too: no list of what is there is kept.
            found = fsspec.core.url_to_fs(url.rstrip("/"), use_listings_cache=False)
            self._files, self._root = found
        except (ImportError, ValueError):
            raise FieldmarksError(
                "photos cannot be kept there",
                where=url,
                mend="Use s3://BUCKET/PLACE (needs 'fieldmarks[club]')",
            ) from None
        self.url = url

    @contextmanager
    def _reached(self) -> Iterator[None]:
        try:
            yield
        except FieldmarksError:
            raise
        except Exception as error:  # fsspec, s3fs and botocore each raise their own
            reason = str(error).split("\n")[0]
            raise FieldmarksError(
                f"the place of the photos does not answer ({reason})",
                where=self.url,
                mend="Check its address and keys; nothing that was kept is lost",
            ) from None

    def put(self, name: str, data: bytes) -> bool:
        """See :class:`PhotoStorage`."""
        with self._reached():
            try:
                if self._files.cat_file(f"{self._root}/{name}") == data:
                    return False
            except FileNotFoundError:
                pass
            self._files.pipe_file(f"{self._root}/{name}", data)
        return True

    def get(self, name: str) -> bytes:
        """See :class:`PhotoStorage`."""
        place, mend = f"{self.url}/{name}", "Take it from a backup: 'bring-in'"
        with self._reached():
            try:
                data = self._files.cat_file(f"{self._root}/{name}")
            except FileNotFoundError:
                raise FieldmarksError("this photo is missing", where=place, mend=mend) from None
        return _unchanged(name, data, place, mend)

    def names(self) -> Iterator[str]:
        """See :class:`PhotoStorage`."""
        with self._reached():
            found = self._files.find(self._root)
        for path in found:
            name = path.removeprefix(f"{self._root}/")
            if NAME.fullmatch(name):
                yield name

    def remove(self, name: str) -> None:
        """See :class:`PhotoStorage`."""
        with self._reached(), suppress(FileNotFoundError):
            self._files.rm_file(f"{self._root}/{name}")
