"""What the commands of a bird's life share: their group, what many of them ask, and the store."""

from pathlib import Path
from typing import Annotated

from typer import Argument, Option

from fieldmarks.cli.asking import group
from fieldmarks.cli.chosen import chosen

app = group()

BirdName = Annotated[str, Argument(metavar="BIRD", help="Its name, ring number or id.")]
OnDay = Annotated[str | None, Option("--day", help="Only entries of this day.")]


@app.callback()
def where(
    store: Annotated[
        Path | None, Option(help="Folder of the store; of the photos, beside --database.")
    ] = None,
    database: Annotated[str | None, Option(help="Database of a club: postgresql://...")] = None,
) -> None:
    """Keep your birds' lives: moults, pairs, test matings and disputes."""
    chosen.store, chosen.database = store, database
