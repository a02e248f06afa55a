"""The keeper's own swatches: one file each, in use, set aside or deleted."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fieldmarks._util.errors import TableError
from fieldmarks.rules import load

ASIDE = ".toml.aside"  # no table file: such a file is kept but not read


@dataclass(frozen=True)
class OwnSwatch:
    """A file with one of the keeper's own swatches."""

    key: str
    path: Path
    in_use: bool


def own_swatches(folder: Path | None = None) -> tuple[OwnSwatch, ...]:
    """All swatches a keeper has kept, by name.

    Args:
        folder: Where they live; by default in the user's data folder.
    """
    folder = load.own_swatch_folder() if folder is None else folder
    used = [OwnSwatch(p.name.removesuffix(".toml"), p, True) for p in folder.glob("*.toml")]
    aside = [OwnSwatch(p.name.removesuffix(ASIDE), p, False) for p in folder.glob(f"*{ASIDE}")]
    return tuple(sorted((*used, *aside), key=lambda own: (own.key, not own.in_use)))


def set_aside(key: str, folder: Path | None = None) -> None:
    """Stop using an own swatch, but keep its file; the shipped one counts again.

    Raises:
        TableError: No swatch of that name is in use, or another of that name is already set aside.
    """
    own = _find(key, folder, in_use=True)
    aside = own.path.with_name(key + ASIDE)
    if aside.exists():
        raise TableError(
            f"another swatch {key!r} is already set aside",
            mend="Use it again, which swaps the two, or forget both",
        )
    own.path.replace(aside)


def use_again(key: str, folder: Path | None = None) -> None:
    """Use an own swatch again that was set aside; one in use changes places with it.

    Raises:
        TableError: No swatch of that name is set aside.
    """
    own = _find(key, folder, in_use=False)
    used = own.path.with_name(f"{key}.toml")
    between = own.path.with_name(f"{key}.toml.between")
    if used.exists():
        used.replace(between)
    own.path.replace(used)
    if between.exists():
        between.replace(own.path)


def forget(key: str, folder: Path | None = None) -> None:
    """Delete an own swatch, whether it is in use or set aside.

    Raises:
        TableError: No swatch of that name was kept.
    """
    _find(key, folder)
    for own in own_swatches(folder):
        if own.key == key:
            own.path.unlink()


def _find(key: str, folder: Path | None, in_use: bool | None = None) -> OwnSwatch:
    kept = own_swatches(folder)
    for own in kept:
        if own.key == key and in_use in (None, own.in_use):
            return own
    state = {True: " in use", False: " set aside", None: ""}[in_use]
    names = ", ".join(own.key for own in kept)
    raise TableError(
        f"no swatch {key!r} of your own is{state or ' kept'}",
        mend=f"You have: {names}" if names else "You have none yet: learn one first",
    )
