"""The keeper's own swatches: one file each in the user's data folder, in use or set aside."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fieldmarks._util.errors import TableError
from fieldmarks.rules import load

if TYPE_CHECKING:
    from fieldmarks.rules.learning import LearnedSwatch

ASIDE = ".toml.aside"  # no table file: such a file is kept but not read


@dataclass(frozen=True)
class OwnSwatch:
    """A file with one of the keeper's own swatches."""

    key: str
    path: Path
    in_use: bool


def own_swatches() -> tuple[OwnSwatch, ...]:
    """All swatches a keeper has kept, by name."""
    found = [
        OwnSwatch(path.name.removesuffix(end), path, in_use)
        for end, in_use in ((".toml", True), (ASIDE, False))
        for path in load.own_swatch_folder().glob(f"*{end}")
    ]
    return tuple(sorted(found, key=lambda own: (own.key, not own.in_use)))


def keep(learned: LearnedSwatch) -> Path:
    """Use a learned swatch from now on; gives its file, which says what it replaces."""
    import tomli_w

    new = learned.new
    before = "L* {:.1f}, a* {:.1f}, b* {:.1f}".format(*learned.old.colour)
    content = new.model_dump(exclude={"key"}, exclude_none=True)
    path = load.own_swatch_folder() / f"{new.key}.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        f"# Replaces {before}, tolerance {learned.old.tolerance:g}.\n"
        f"# Moved by {learned.moved:.1f} CIEDE2000.\n"
        + tomli_w.dumps({"swatches": {new.key: content}}),
        encoding="utf-8",
    )
    return path


def set_aside(key: str) -> None:
    """Stop using an own swatch, but keep its file; the shipped one counts again.

    Raises:
        TableError: No swatch of that name is in use, or another of that name is already set aside.
    """
    (used,) = _kept(key, " in use", [True])
    aside = used.with_name(key + ASIDE)
    if aside.exists():
        raise TableError(
            f"another swatch {key!r} is already set aside",
            mend="Use it again, which swaps the two, or forget both",
        )
    used.replace(aside)


def use_again(key: str) -> None:
    """Use an own swatch again that was set aside; one in use changes places with it.

    Raises:
        TableError: No swatch of that name is set aside.
    """
    (aside,) = _kept(key, " set aside", [False])
    used, between = aside.with_name(f"{key}.toml"), aside.with_name(f"{key}.toml.between")
    if used.exists():
        used.replace(between)
    aside.replace(used)
    if between.exists():
        between.replace(aside)


def forget(key: str) -> None:
    """Delete an own swatch, whether it is in use or set aside.

    Raises:
        TableError: No swatch of that name was kept.
    """
    for path in _kept(key, " kept", [True, False]):
        path.unlink()


def _kept(key: str, state: str, in_use: list[bool]) -> list[Path]:
    """Files of an own swatch that are in one of some states; never a path made of the name."""
    kept = own_swatches()
    if found := [own.path for own in kept if own.key == key and own.in_use in in_use]:
        return found
    names = ", ".join(own.key for own in kept)
    raise TableError(
        f"no swatch {key!r} of your own is{state}",
        mend=f"You have: {names}" if names else "You have none yet: learn one first",
    )
