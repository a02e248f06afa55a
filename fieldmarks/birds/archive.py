"""Unpack a ZIP from outside: known names, sizes that can be right, every file's fingerprint."""

from __future__ import annotations

import hashlib
import json
import os
import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

from fieldmarks._util.errors import FieldmarksError

MAX_FILES = 500_000
MAX_FILE = 400 * 1024**2
MAX_JSON = 32 * 1024**2
MAX_MANIFEST = 96 * 1024**2
MAX_TOTAL = 200 * 1024**3
MAX_RATIO = 120  # unpacked over packed; our JSON packs to about a tenth
CHUNK = 1 << 20


def unpack(
    archive: Path, into: Path, allowed: re.Pattern[str], edition: int, strict: bool = True
) -> dict[str, bool]:
    """Unpack a ZIP with a manifest after checking names, sizes and fingerprints.

    Parameters
    ----------
    archive, into : Path
    allowed : pattern
        What a name inside may look like; the manifest's own name included.
    edition : int
        Newest edition of the format that this program reads.
    strict : bool
        Refuse a file whose fingerprint is wrong; else unpack it all the same and say so.

    Returns
    -------
    dict
        Name of each file unpacked, without the manifest -> whether its fingerprint is right.

    Raises
    ------
    FieldmarksError
    """
    where = archive.name
    try:
        with zipfile.ZipFile(archive) as packed:
            members = packed.infolist()
            _check_members(members, where, allowed, archive.stat().st_size)
            by_name = {m.filename: m for m in members}
            manifest = _manifest(packed, by_name, where, edition)
            right = {
                name: _unpack_one(packed, by_name[name], into / name, row)
                for name, row in manifest["files"].items()
            }
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, zlib.error):
        raise FieldmarksError(
            "this file is damaged or no ZIP", where=where, mend="Take a fresh copy"
        ) from None
    except OSError as error:
        raise FieldmarksError(
            f"cannot be unpacked ({error.strerror or error})", where=where, mend="Check the file"
        ) from None
    wrong = [name for name, is_right in right.items() if not is_right]
    if strict and wrong:
        raise FieldmarksError(
            f"{wrong[0]} was changed after it was packed", where=where, mend="Get it again"
        )
    return right


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
    if name == "manifest.json":
        return MAX_MANIFEST
    return MAX_JSON if name.endswith(".json") else MAX_FILE


def _manifest(
    packed: zipfile.ZipFile, members: dict[str, zipfile.ZipInfo], where: str, edition: int
) -> dict[str, Any]:
    broken = FieldmarksError(
        "it is no fieldmarks file, or its list of contents is damaged",
        where=where,
        mend="Take a fresh copy",
    )
    if "manifest.json" not in members:
        raise broken
    try:
        with packed.open("manifest.json") as file:
            text = file.read(MAX_MANIFEST)
        # A row of each file and a few more; endless brackets would fill the memory.
        if text.count(b"{") > len(members) + 8 or b"[" in text:
            raise broken
        read: dict[str, Any] = json.loads(text)
        files = read["files"]
        rows_good = all(
            isinstance(r, dict) and isinstance(r["sha256"], str) and isinstance(r["bytes"], int)
            for r in files.values()
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise broken from None
    if not rows_good or set(files) != set(members) - {"manifest.json"}:
        raise broken
    made = read.get("edition", edition)
    if not isinstance(made, int):
        raise broken
    if made > edition:
        raise FieldmarksError(
            "it was made by a newer program", where=where, mend="Update fieldmarks"
        )
    return read


def _unpack_one(packed: zipfile.ZipFile, member: zipfile.ZipInfo, target: Path, row: Any) -> bool:
    target.parent.mkdir(parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    with packed.open(member) as source, target.open("wb") as out:
        for chunk in _chunks(source):
            size += len(chunk)
            if size > member.file_size:
                break
            digest.update(chunk)
            out.write(chunk)
        out.flush()
        os.fsync(out.fileno())
    return bool(size == row["bytes"] and digest.hexdigest() == row["sha256"])


def _chunks(source: IO[bytes]) -> Iterator[bytes]:
    while chunk := source.read(CHUNK):
        yield chunk
