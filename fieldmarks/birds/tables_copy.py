"""A copy of the rule tables in one ZIP, so that a bird can be judged again by the same rules."""

import io
import re
import tempfile
import zipfile
import zlib
from functools import lru_cache
from pathlib import Path, PurePosixPath

from fieldmarks._util.errors import TableError
from fieldmarks.rules import Tables
from fieldmarks.rules.load import assemble, own_swatch_folder, shipped_folders

MAX_FILES = 400
MAX_BYTES = 8 * 1024 * 1024
# A numbered folder, folders in it and a file: no drive, no way up, no way to the root.
NAME = re.compile(r"[0-9]{1,3}(/\w[\w .()+-]*)*/\w[\w .()+-]*\.toml")
STAMP = (1980, 1, 1, 0, 0, 0)  # the earliest a ZIP can hold: the same tables give the same bytes


def pack_tables(tables: Tables) -> bytes | None:
    """The table files on this computer as a ZIP; None when they are not the ones in ``tables``.

    Folders are numbered in the order they were read, because later rows replace earlier ones.
    """
    shipped = list(shipped_folders())
    for folders in (shipped, [*shipped, own_swatch_folder()]):
        found, _ = assemble(folders)
        if found is None or found.fingerprint != tables.fingerprint:
            continue
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
            for number, folder in enumerate(folders):
                for path in sorted(folder.rglob("*.toml")):
                    name = f"{number}/{path.relative_to(folder).as_posix()}"
                    packed.writestr(zipfile.ZipInfo(name, STAMP), path.read_bytes())
        return out.getvalue()
    return None


def is_whole(packed: bytes, fingerprint: str) -> bool:
    """Whether packed tables are those of a fingerprint."""
    try:
        return unpack_tables(packed).fingerprint == fingerprint
    except TableError:
        return False


def unpack_tables(data: bytes, where: str = "tables") -> Tables:
    """Read packed tables.

    Raises:
        TableError: The ZIP or a row in it cannot be used.
    """
    try:
        return _unpacked(data)
    except TableError as error:
        place = f"{where}, {error.where}" if error.where else where
        raise TableError(error.problem, where=place, mend=error.mend) from None


@lru_cache(maxsize=2)  # most looks were judged by the same tables
def _unpacked(data: bytes) -> Tables:
    broken = TableError("this copy of the tables cannot be read", mend="Get it again")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            members = packed.infolist()
            names = [m.filename for m in members]
            if len(names) > MAX_FILES or sum(m.file_size for m in members) > MAX_BYTES:
                raise broken
            if len(set(names)) < len(names) or not all(NAME.fullmatch(n) for n in names):
                raise broken
            with tempfile.TemporaryDirectory() as place:
                for member in members:
                    target = Path(place, *PurePosixPath(member.filename).parts)
                    target.parent.mkdir(parents=True, exist_ok=True)
                    target.write_bytes(packed.read(member))
                tables, problems = assemble(sorted(Path(place).iterdir()))
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, RuntimeError):
        raise broken from None
    if tables is None:
        raise TableError(problems[0].problem, where=problems[0].where)
    return tables
