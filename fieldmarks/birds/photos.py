"""Where photos lie: a folder on a disk that everyone reaches, or a bucket.

A photo's name is its SHA-256 with its ending, below the first two digits. What has a name never
changes, so that writing it twice does no harm and a reader needs no lock.
"""

import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from fieldmarks._util.atomic_write import write_whole
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.model import Observation
from fieldmarks.measure.suffixes import ENDING

NAME = re.compile(rf"[0-9a-f]{{2}}/[0-9a-f]{{64}}\.(?:{ENDING})")
MEND = "Take it from a backup: 'bring-in'"


def photo_name(observation: Observation) -> str:
    """Name of an observation's photo in the storage."""
    return f"{observation.photo[:2]}/{observation.photo}{observation.ending}"


class PhotoFolder:
    """Photos in a folder; ``place`` is what a keeper reads of it."""

    place = "photos"

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def put(self, name: str, data: bytes) -> bool:
        """Keep a photo, on the disk when this returns; whether it was new or mended."""
        if self._read(name) == data:
            return False
        self._write(name, data)
        return True

    def get(self, name: str) -> bytes:
        """A photo, checked against its name.

        Raises:
            FieldmarksError: It is missing or was changed.
        """
        data, problem = self._read(name), "this photo is missing"
        if data is not None:
            if hashlib.sha256(data).hexdigest() == Path(name).stem:
                return data
            problem = "this photo was changed after it was saved"
        raise FieldmarksError(problem, where=f"{self.place}/{name}", mend=MEND)

    def names(self) -> list[str]:
        """Names of everything there, remains of cut-off saves too."""
        found = [p.relative_to(self.folder).as_posix() for p in sorted(self.folder.glob("*/*"))]
        return [name for name in found if NAME.fullmatch(name) or name.endswith(".part")]

    def remove(self, name: str) -> None:
        """Take away what no observation needs."""
        (self.folder / name).unlink(missing_ok=True)

    def _read(self, name: str) -> bytes | None:
        """What lies under a name, whatever it is; None where nothing does."""
        try:
            return (self.folder / name).read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            problem = f"this photo cannot be read ({error.strerror})"
            raise FieldmarksError(problem, where=f"{self.place}/{name}", mend=MEND) from None

    def _write(self, name: str, data: bytes) -> None:
        write_whole(self.folder / name, data)


class PhotoBucket(PhotoFolder):
    """The same in an S3-compatible store, by its address (``s3://BUCKET/PLACE``), through fsspec.

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
            there = fsspec.core.url_to_fs(url.rstrip("/"), use_listings_cache=False)
        except (ImportError, ValueError):
            raise FieldmarksError(
                "photos cannot be kept there",
                where=url,
                mend="Use s3://BUCKET/PLACE (needs 'fieldmarks[club]')",
            ) from None
        self.place = url
        self._files, self._root = there

    @contextmanager
    def _reached(self) -> Iterator[None]:
        try:
            yield
        except Exception as error:  # fsspec, s3fs and botocore each raise their own
            reason = str(error).split("\n")[0]
            raise FieldmarksError(
                f"the place of the photos does not answer ({reason})",
                where=self.place,
                mend="Check its address and keys; nothing that was kept is lost",
            ) from None

    def _read(self, name: str) -> bytes | None:
        with self._reached(), suppress(FileNotFoundError):
            return bytes(self._files.cat_file(f"{self._root}/{name}"))
        return None

    def _write(self, name: str, data: bytes) -> None:
        with self._reached():
            self._files.pipe_file(f"{self._root}/{name}", data)

    def names(self) -> list[str]:
        """Names of the photos there; what else lies there is others'."""
        with self._reached():
            found = [path.removeprefix(f"{self._root}/") for path in self._files.find(self._root)]
        return [name for name in found if NAME.fullmatch(name)]

    def remove(self, name: str) -> None:
        """Take away what no observation needs."""
        with self._reached(), suppress(FileNotFoundError):
            self._files.rm_file(f"{self._root}/{name}")
