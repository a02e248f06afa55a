"""A keeper's own key: a signature tells whether a dossier was changed since it was made.

Ed25519 (RFC 8032) as the cryptography package does it. The key is made once, on the keeper's own
computer. What it says is "the same person as last time"; who that person is, it cannot say.
"""

import hashlib
import os
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fieldmarks._util.atomic_write import cannot_write, write_whole
from fieldmarks._util.errors import FieldmarksError
from fieldmarks._util.user_folder import user_folder

KEY_VARIABLE = "FIELDMARKS_KEY"
KEY_FILE = "keeper-key.pem"
SIGNED = b"fieldmarks dossier, edition 2\n"  # so that a signature means nothing elsewhere


class Signature(BaseModel):
    """A signature and the public key it was made with, in hexadecimal digits."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    public_key: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    signature: Annotated[str, Field(pattern="^[0-9a-f]{128}$")]

    @property
    def key_name(self) -> str:
        """Twenty digits of the key's SHA-256, in groups, to be told and compared."""
        digits = hashlib.sha256(bytes.fromhex(self.public_key)).hexdigest()[:20]
        return "-".join(digits[i : i + 4] for i in range(0, 20, 4))

    def fits(self, text: bytes) -> bool:
        """Whether the signature was made for a text."""
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(self.public_key))
        try:
            key.verify(bytes.fromhex(self.signature), SIGNED + text)
        except InvalidSignature:
            return False
        return True


def own_key() -> Path:
    """Where the keeper's key lies; made when it is first needed."""
    given = os.environ.get(KEY_VARIABLE)
    return Path(given) if given else user_folder() / KEY_FILE


def sign(text: bytes, key_file: Path) -> Signature:
    """Sign a text with the key of a file, which is made if it is not there.

    Raises:
        FieldmarksError: The key cannot be read or written.
    """
    from cryptography.hazmat.primitives import serialization as form
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    unusable = FieldmarksError(
        "this is no key to sign with",
        where=str(key_file),
        mend="Put the right file back, or move it away: then a new key is made",
    )
    try:
        if not key_file.exists():
            pem = Ed25519PrivateKey.generate().private_bytes(
                form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption()
            )
            write_whole(key_file, pem, private=True)
        key = form.load_pem_private_key(key_file.read_bytes(), None)
    except OSError as error:
        raise cannot_write(key_file, error) from None
    except (ValueError, TypeError):
        raise unusable from None
    if not isinstance(key, Ed25519PrivateKey):
        raise unusable
    public = key.public_key().public_bytes(form.Encoding.Raw, form.PublicFormat.Raw)
    return Signature(public_key=public.hex(), signature=key.sign(SIGNED + text).hex())


def signature_of(text: bytes) -> Signature | None:
    """A signature file; None if it is none."""
    try:
        return Signature.model_validate_json(text)
    except ValidationError:
        return None
