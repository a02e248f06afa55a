"""Where files that ship with the program lie: beside the package in a checkout, inside a wheel."""

from pathlib import Path

from fieldmarks._util.errors import FieldmarksError

PACKAGE = Path(__file__).resolve().parent.parent


def shipped(name: str) -> Path:
    """Path of a shipped file or folder, such as ``demo_images``.

    Raises:
        FieldmarksError: The installation is incomplete.
    """
    for place in (PACKAGE / name, PACKAGE.parent / name):
        if place.exists():
            return place
    raise FieldmarksError(f"{name} is missing", where="fieldmarks", mend="Install it again")
