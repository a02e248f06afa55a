"""ZIPs with a list of contents: written whole, and read from outside only after known names, sizes
that can be right, and every file's fingerprint. Nothing is unpacked to the disk.
"""

import hashlib
import json
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fieldmarks._util.atomic_write import cannot_write, whole_file
from fieldmarks._util.errors import FieldmarksError

MAX_FILES = 500_000
MAX_FILE = 400 * 1024**2
MAX_JSON = 32 * 1024**2
MAX_MANIFEST = 96 * 1024**2
MAX_TOTAL = 200 * 1024**3
MAX_RATIO = 120  # unpacked over packed; our JSON packs to about a tenth
MANIFEST = "manifest.json"
EDITION = 2  # of exports and dossiers: the newest that this program reads, and what it writes
_BROKEN = (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, zlib.error)

Tell = Callable[[int, int], None]  # steps done, of so many: for a progress bar


def untold(done: int, total: int) -> None:
    """Nobody waits."""


def digest(data: bytes) -> str:
    """SHA-256."""
    return hashlib.sha256(data).hexdigest()


class Packed(BaseModel):
    """What the list of contents says of a file."""

    model_config = ConfigDict(strict=True)
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    bytes: Annotated[int, Field(ge=0)]


class Manifest(BaseModel):
    """The list of contents of an export or a dossier."""

    model_config = ConfigDict(strict=True)
    format: Literal["fieldmarks store", "fieldmarks dossier"]
    edition: Annotated[int, Field(ge=1)]
    files: dict[str, Packed]


class Written:
    """A ZIP that is being written; ``prints`` are the SHA-256 of the files in it by name."""

    def __init__(self, packed: zipfile.ZipFile) -> None:
        self.packed = packed
        self.prints: dict[str, str] = {}

    def put(self, name: str, data: bytes) -> None:
        """Add a file, unless it is there already."""
        if name not in self.prints:
            self.prints[name] = digest(data)
            # Photos are packed already; packing them again gains nothing.
            photo = name.startswith("photos/") and not name.endswith(".json")
            kind = zipfile.ZIP_STORED if photo else zipfile.ZIP_DEFLATED
            self.packed.writestr(name, data, kind)


@contextmanager
def written(target: Path, kind: str, about: dict[str, str] | None = None) -> Iterator[Written]:
    """Write a ZIP with a list of its contents.

    Args:
        kind: "store" or "dossier".
        about: What the list says besides.

    Raises:
        FieldmarksError: It cannot be written; what was there before is untouched.
    """
    try:
        with (
            whole_file(target) as file,
            zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed,
        ):
            new = Written(packed)
            yield new
            files = {name: {"sha256": print_, "bytes": packed.getinfo(name).file_size}
                     for name, print_ in new.prints.items()}  # fmt: skip
            told = {"format": f"fieldmarks {kind}", "edition": EDITION, **(about or {})}
            packed.writestr(MANIFEST, json.dumps({**told, "files": files}, indent=1) + "\n")
    except OSError as error:
        raise cannot_write(target, error) from None


class Archive:
    """A ZIP from outside whose names and sizes have been checked."""

    def __init__(self, packed: zipfile.ZipFile, listed: dict[str, Packed], where: str) -> None:
        self.packed, self.listed, self.where = packed, listed, where
        self.names = list(listed)

    def __getitem__(self, name: str) -> bytes:
        """A file, whatever the list of contents says of it."""
        return self.told(name)[0]

    def __contains__(self, name: str) -> bool:
        return name in self.listed

    def told(self, name: str) -> tuple[bytes, bool]:
        """A file, and whether it is as the list of contents says."""
        member = self.packed.getinfo(name)
        with self.packed.open(member) as file:
            data = file.read(member.file_size + 1)
        row = self.listed[name]
        return data, len(data) == row.bytes and digest(data) == row.sha256

    def read(self, name: str) -> bytes:
        """A file; refused if it is not as the list of contents says, or missing."""
        if name not in self:
            raise FieldmarksError(f"it lacks {name}", where=self.where, mend="Take a whole export")
        data, is_right = self.told(name)
        if not is_right:
            raise FieldmarksError(
                f"{name} was changed after it was packed", where=self.where, mend="Get it again"
            )
        return data


@contextmanager
def opened(path: Path, allowed: re.Pattern[str]) -> Iterator[Archive]:
    """Open a ZIP with a list of contents after checking names and sizes.

    Args:
        allowed: What a name inside may look like; the list's own name included.

    Raises:
        FieldmarksError
    """
    where = path.name
    try:
        with zipfile.ZipFile(path) as packed:
            members = packed.infolist()
            _check_members(members, where, allowed, path.stat().st_size)
            yield Archive(packed, _manifest(packed, where), where)
    except _BROKEN:
        raise FieldmarksError(
            "this file is damaged or no ZIP", where=where, mend="Take a fresh copy"
        ) from None
    except OSError as error:
        raise FieldmarksError(
            f"cannot be unpacked ({error.strerror or error})", where=where, mend="Check the file"
        ) from None


def _check_members(
    members: list[zipfile.ZipInfo], where: str, allowed: re.Pattern[str], on_disk: int
) -> None:
    names = [m.filename for m in members]
    strange = [n for n in names if not allowed.fullmatch(n)]
    if strange or len(set(names)) != len(names):
        problem = f"it holds {strange[0][:80]!r}" if strange else "it holds a file twice"
        raise FieldmarksError(
            f"{problem}, which does not belong there", where=where, mend="Do not use this file"
        )
    total = sum(m.file_size for m in members)
    packed = sum(m.compress_size for m in members) or 1
    too_large = any(m.file_size > _limit(m.filename) for m in members)
    # Files may be made to lie over one another, so that few bytes unpack to many.
    too_dense = packed > on_disk or total / packed > MAX_RATIO
    if len(members) > MAX_FILES or total > MAX_TOTAL or too_large or too_dense:
        raise FieldmarksError(
            "it unpacks to more than can be right", where=where, mend="Do not use this file"
        )


def _limit(name: str) -> int:
    if name == MANIFEST:
        return MAX_MANIFEST
    return MAX_JSON if name.endswith(".json") else MAX_FILE


def _manifest(packed: zipfile.ZipFile, where: str) -> dict[str, Packed]:
    broken = FieldmarksError(
        "it is no fieldmarks file, or its list of contents is damaged",
        where=where,
        mend="Take a fresh copy",
    )
    members = set(packed.namelist())
    if MANIFEST not in members:
        raise broken
    with packed.open(MANIFEST) as file:
        text = file.read(MAX_MANIFEST)
    # A row of each file and a few more; endless brackets would fill the memory.
    if text.count(b"{") > len(members) + 8 or b"[" in text:
        raise broken
    try:
        read = Manifest.model_validate_json(text)
    except ValidationError:
        raise broken from None
    if set(read.files) != members - {MANIFEST}:
        raise broken
    if read.edition > EDITION:
        raise FieldmarksError(
            "it was made by a newer program", where=where, mend="Update fieldmarks"
        )
    return read.files
