"""One keeper's passphrase: kept as its scrypt hash (RFC 7914), tried with a growing wait."""

import hashlib
import hmac
import json
import os
import secrets
import time
from collections.abc import Callable
from pathlib import Path

from fieldmarks._util.atomic_write import write_whole
from fieldmarks._util.errors import FieldmarksError
from fieldmarks._util.user_folder import user_folder

SHORTEST = 12  # letters
COST = {"n": 2**15, "r": 8, "p": 1, "maxmem": 2**26}
FREE_TRIES, LONGEST_WAIT = 5, 60  # seconds; the wait doubles from one after each further try


def passphrase_file() -> Path:
    """Where the hash of the passphrase lies."""
    given = os.environ.get("FIELDMARKS_PASSPHRASE_FILE")
    return Path(given) if given else user_folder() / "passphrase.json"


def set_passphrase(words: str, file: Path) -> None:
    """Keep the hash of a passphrase, for this computer's user alone (mode 0600).

    Raises:
        FieldmarksError: It is too short, or the file cannot be written.
    """
    if len(words) < SHORTEST:
        raise FieldmarksError(
            f"a passphrase needs {SHORTEST} letters or more", mend="Take four or five words"
        )
    salt = secrets.token_bytes(16)
    told = json.dumps({"salt": salt.hex(), "hash": _hash(words, salt).hex()})
    write_whole(file, told, private=True)


def _hash(words: str, salt: bytes) -> bytes:
    return hashlib.scrypt(words.encode(), salt=salt, **COST)


class Passphrase:
    """The kept passphrase and the tries at it, counted for everyone together.

    Who may be wrong with no wait is not told apart by address: behind a proxy all have one.

    Raises:
        FieldmarksError: The file holds no passphrase.
    """

    def __init__(self, file: Path, clock: Callable[[], float] = time.monotonic) -> None:
        try:
            told = json.loads(file.read_bytes())
            self._salt, self._kept = (bytes.fromhex(told[k]) for k in ("salt", "hash"))
        except (OSError, ValueError, KeyError, TypeError):
            raise FieldmarksError(
                "no passphrase can be read there",
                where=str(file),
                mend="Set one: 'fieldmarks passphrase'",
            ) from None
        self._clock, self._wrong, self._next = clock, 0, 0.0

    def wait(self) -> int:
        """Seconds until it may be tried again."""
        return max(0, -int(-(self._next - self._clock()) // 1))

    def tried(self, words: str) -> bool:
        """Whether a try was right; one during the wait is wrong unread."""
        if self.wait():
            return False
        # Counted before it is worked out, so that many tries at one time do not slip through.
        self._wrong += 1
        if self._wrong >= FREE_TRIES:
            delay = min(2 ** min(self._wrong - FREE_TRIES, 10), LONGEST_WAIT)
            self._next = self._clock() + delay
        if not hmac.compare_digest(_hash(words, self._salt), self._kept):
            return False
        self._wrong, self._next = 0, 0.0
        return True
