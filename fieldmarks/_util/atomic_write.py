"""Files that are there whole or not at all, whatever happens while they are written."""

import errno
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from fieldmarks._util.errors import FieldmarksError

_SAID = {
    errno.ENOSPC: ("the disk is full", "Free some space, then do it again"),
    errno.EDQUOT: ("your share of the disk is full", "Free some space, then do it again"),
    errno.EROFS: ("nothing can be written to this disk", "Choose another folder"),
    errno.EACCES: ("you may not write there", "Choose another folder"),
    errno.EPERM: ("you may not write there", "Choose another folder"),
}


@contextmanager
def whole_file(path: Path, private: bool = False) -> Iterator[BinaryIO]:
    """A file to write to that takes its name only when it is complete.

    The bytes are on the disk before the name is, and the name before this returns: after a power
    cut the old file or the new one is there, never half of one. A ``private`` file is this user's
    alone (mode 0600).

    Raises:
        FieldmarksError: The folder cannot be written to, or the disk is full. What was there before
            is untouched.
    """
    try:
        if not path.parent.is_dir():
            path.parent.mkdir(parents=True, exist_ok=True)
            settle_folder(path.parent.parent)
        temporary = path.with_name(f".{path.name}.{os.getpid()}{secrets.token_hex(3)}.part")
        try:
            with open(temporary, "xb", opener=_own if private else None) as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            os.replace(temporary, path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        settle_folder(path.parent)
    except OSError as error:
        raise cannot_write(path, error) from None


def _own(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def write_whole(path: Path, content: str | bytes, private: bool = False) -> None:
    """Write a file whole or not at all; see :func:`whole_file`."""
    with whole_file(path, private) as file:
        file.write(content.encode("utf-8") if isinstance(content, str) else content)


@contextmanager
def only_writer(folder: Path) -> Iterator[None]:
    """Have a folder to write to alone; the lock goes with the program that has it, however it ends.

    Raises:
        FieldmarksError: Another program has it, or nothing can be written there.
    """
    from filelock import FileLock, Timeout

    place = folder / ".in-use"
    lock = FileLock(place, timeout=0)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout:
        raise FieldmarksError(
            "another run is writing to this folder",
            where=str(folder),
            mend="Wait until it has finished, or choose another folder",
        ) from None
    except OSError as error:
        raise cannot_write(folder, error) from None
    try:
        yield
    finally:
        with suppress(OSError):  # Windows keeps a file that is open
            place.unlink()
        lock.release()


def settle_folder(folder: Path) -> None:
    """Make new names in a folder outlive a power cut (POSIX asks for this)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno != errno.EINVAL:  # some network disks know no such thing
            raise
    finally:
        os.close(handle)


def cannot_write(path: Path, error: OSError) -> FieldmarksError:
    """What to tell the keeper when a file or folder cannot be written."""
    problem, mend = _SAID.get(
        error.errno or 0,
        (str(error.strerror or error), "Choose another folder, or free some space"),
    )
    return FieldmarksError(f"cannot be written: {problem}", where=str(path), mend=mend)
