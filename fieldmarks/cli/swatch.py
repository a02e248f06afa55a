"""Commands about the keeper's own swatches; mounted under the main command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Argument, Option

from fieldmarks.cli.answers import say
from fieldmarks.cli.asking import group

if TYPE_CHECKING:
    from fieldmarks.rules.learning import LearnedSwatch

app = group(help="Your own swatches, learned from birds of known origin.")

Swatch = Annotated[str, Argument(help="Swatch, for example bright_yellow.")]


@app.command()
def learn(
    swatch: Swatch,
    birds: Annotated[Path, Argument(help="CSV list with the columns record, bird and camera.")],
    marks: Annotated[
        list[str], Option("--mark", help="Mark to take the colour from; may be repeated.")
    ],
    origin: Annotated[
        str,
        Option(
            help="How the ancestry of these birds is known. A column 'origin' may say it instead."
        ),
    ] = "",
    keep: Annotated[bool, Option("--keep", help="Use the learned swatch from now on.")] = False,
) -> None:
    """Learn a swatch from birds of known origin; shows the old beside the new."""
    from fieldmarks.birds.known_birds import read_known_birds
    from fieldmarks.rules import keepers, learning, load_rules

    tables = load_rules()
    known = read_known_birds(birds, tables, swatch, marks, origin)
    for line in known.left_out:
        say(f"Left out: {line}.")
    found = learning.learn_swatch(known.samples, tables, swatch)
    _show(found)
    if not keep:
        say("Nothing was kept. To use it, add --keep.")
        return
    path = keepers.keep(found)
    say(f"Kept: {path}. To go back to the shipped swatch: set-aside {swatch}, or forget {swatch}.")


@app.command("list")
def list_own() -> None:
    """List your own swatches, and which of them are in use."""
    from fieldmarks.rules.keepers import own_swatches

    kept = own_swatches()
    for own in kept:
        print(f"{own.key}: {'in use' if own.in_use else 'set aside'}, {own.path}")
    if not kept:
        print("You have none: the shipped swatches are in use.")


@app.command()
def set_aside(swatch: Swatch) -> None:
    """Stop using a swatch of your own, but keep it; the shipped one counts again."""
    from fieldmarks.rules import keepers

    keepers.set_aside(swatch)
    say(f"{swatch}: the shipped swatch is in use again; yours is kept aside.")


@app.command()
def use_again(swatch: Swatch) -> None:
    """Use a swatch of your own again that was set aside."""
    from fieldmarks.rules import keepers

    keepers.use_again(swatch)
    say(f"{swatch}: your own swatch is in use again.")


@app.command()
def forget(swatch: Swatch) -> None:
    """Delete a swatch of your own; the shipped one counts again."""
    from fieldmarks.rules import keepers

    keepers.forget(swatch)
    say(f"{swatch}: your own swatch is deleted; the shipped one is in use.")


def _show(found: LearnedSwatch) -> None:
    made = found.new.learned
    assert made is not None  # learn_swatch always gives it
    print(found.new.name)
    for word, row in (("old", found.old), ("new", found.new)):
        colour = "L* {:.1f}, a* {:.1f}, b* {:.1f}".format(*row.colour)
        print(f"  {word}: {colour}, tolerance {row.tolerance:g} CIEDE2000. {row.source}")
    print(f"  moved by {found.moved:.1f} CIEDE2000 (CIELAB, D65, 2 degrees)")
    print(f"  from {made.birds} birds, {made.photos} photos, cameras: {', '.join(made.cameras)}")
    if found.left_out:
        print(f"  unlike the others, so without weight: {', '.join(found.left_out)}")
    for warning in found.warnings:
        print(f"  {warning}")
