"""The command line of a bird's life: ``fieldmarks bird ...``. Heavy libraries load inside."""

from pathlib import Path
from typing import Annotated

from typer import Option

from fieldmarks.cli import bird_looks, bird_pairs, bird_store
from fieldmarks.cli.asking import group
from fieldmarks.cli.chosen import chosen

app = group()
for part in (bird_looks, bird_pairs, bird_store):
    app.add_typer(part.app)


@app.callback()
def where(
    store: Annotated[
        Path | None, Option(help="Folder of the store; of the photos, beside --database.")
    ] = None,
    database: Annotated[str | None, Option(help="Database of a club: postgresql://...")] = None,
) -> None:
    """Keep your birds' lives: moults, pairs, test matings and disputes."""
    chosen.store, chosen.database = store, database
