"""The command line: thin commands over the same functions that the app uses.

Heavy libraries are imported inside the commands, so that help comes at once.
"""

from __future__ import annotations

import itertools
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from typer import Argument, Option

from fieldmarks import __version__
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.cli import birds, light, swatch
from fieldmarks.cli.answers import console, progress, say, write
from fieldmarks.cli.asking import Age, Regions, SoldAs, Variety, group
from fieldmarks.cli.chosen import chosen, rule_tables

if TYPE_CHECKING:
    from fieldmarks.record import AnyRecord
    from fieldmarks.rules import Tables

app = group(add_completion=False)
app.add_typer(birds.app, name="bird")
app.add_typer(light.app, name="light")
app.add_typer(swatch.app, name="swatch")


@app.callback()
def which_rules(
    more_tables: Annotated[Path | None, Option(help="Folder with table files of your own.")] = None,
    own_swatches: Annotated[
        bool, Option("--own-swatches", help="Use the swatches you learned yourself.")
    ] = False,
) -> None:
    """Measure a lovebird's marks on a photo and compare them with each species."""
    chosen.more_tables, chosen.own_swatches = more_tables, own_swatches


Photo = Annotated[Path, Argument(help="The photo: JPEG, PNG, TIFF, WebP or HEIC.")]
Photos = Annotated[
    list[Path], Argument(metavar="PHOTO...", help="One photo of a bird, or all of one day.")
]
RegionsOfEach = Annotated[
    list[Path] | None,
    Option(help="Region file, once for each photo. Default: the photo's name + .regions.json."),
]
Into = Annotated[Path | None, Option(help="Folder to write the results to.")]
Phone = Annotated[
    str | None, Option(help="Name of your phone's profile; 'light phones' lists them.")
]
Form = Annotated[Literal["text", "json", "csv"], Option("--as", help="How to print the findings.")]


@app.command()
def assess(
    photos: Photos,
    regions: RegionsOfEach = None,
    variety: Variety = "green",
    age: Age = "adult",
    sold_as: SoldAs = None,
    phone: Phone = None,
    form: Form = "text",
    into: Into = None,
) -> None:
    """Measure a bird on one photo, or on several of one day, and compare it with every species."""
    from fieldmarks.measure.phone_profile import load_profile
    from fieldmarks.pipeline import each_of, examine, question_of, record_of_file

    tables = rule_tables()
    question = question_of(tables, sold_as, variety, age)
    profile = load_profile(phone) if phone is not None else None
    given = each_of(regions or None, len(photos))
    looks = [
        record_of_file(photo, tables, question, drawn, phone=profile)
        for photo, drawn in zip(photos, given, strict=True)
    ]
    judged = looks[0][0] if len(photos) == 1 else examine([r for r, _ in looks], tables)
    counted = {id(record) for record in judged.records}
    for (record, _), photo in zip(looks, photos, strict=True):
        if id(record) not in counted:
            say(f"{photo.name} was given twice; it counts once.")
    _print(judged, tables, form)
    if into:
        from fieldmarks._util.atomic_write import only_writer
        from fieldmarks.pipeline import write_results
        from fieldmarks.record import write_record

        what = "record, two tables and the annotated photo"
        with only_writer(into):
            for (record, opened), drawn in zip(looks, given, strict=True):
                if id(record) in counted:
                    written = write_results(record, opened, tables, into, drawn)
            if len(photos) > 1:
                written = write_record(judged, into)
                what += f" of each, and what all of them say ({written.name})"
        say(f"Written to {written.parent}: {what}.")


@app.command()
def assess_folder(
    folder: Annotated[Path, Argument(help="Folder with photos and their region files.")],
    into: Annotated[Path, Option(help="Folder to write the results to.")],
    variety: Variety = "green",
    age: Age = "adult",
    sold_as: SoldAs = None,
    phone: Phone = None,
    again: Annotated[
        bool, Option("--again", help="Do photos again that are already done.")
    ] = False,
    workers: Annotated[
        int | None, Option(min=1, help="Photos to do at the same time. Default: one per core.")
    ] = None,
) -> None:
    """Do the same for every photo in a folder; goes on where it was stopped.

    A list birds.csv beside the photos (photo, bird, day) lets those of one bird and one day be
    judged together.
    """
    from fieldmarks.days import named_birds
    from fieldmarks.folder import assess_many, photos_in, sensible_workers
    from fieldmarks.measure.phone_profile import load_profile
    from fieldmarks.pipeline import question_of

    tables = rule_tables()
    photos = photos_in(folder)
    number = itertools.count(1)
    birds = named_birds(folder)
    with progress("Photos") as tell:
        summary = assess_many(
            photos,
            into,
            tables,
            question_of(tables, sold_as, variety, age),
            again=again,
            phone=load_profile(phone) if phone is not None else None,
            after_each=lambda: tell(next(number), len(photos)),
            workers=workers or sensible_workers(len(photos)),
            birds=birds,
        )
    for problem in summary.problems:
        say(problem)
    say(
        f"{summary.done} measured, {summary.kept} already done, {len(summary.problems)} with "
        f"problems. Tables of all photos: {into}"
    )
    if summary.done + summary.kept == 0:
        raise typer.Exit(2)


@app.command()
def demo(
    name: Annotated[str, Argument(help="Which invented bird; 'list' shows them.")] = "",
    into: Into = None,
    form: Form = "text",
) -> None:
    """Assess one of the invented demo birds that come with the program."""
    from fieldmarks.pipeline import demo_birds, demo_question

    demos = demo_birds()
    if name == "list":
        for bird in demos.values():
            print(f"{bird.stem}: {demo_question(bird)[1]}")
        return
    photo = demos.get(name or next(iter(demos)))
    if photo is None:
        mend = f"Choose one of: {', '.join(demos)}"
        raise FieldmarksError(f"there is no demo bird {name!r}", mend=mend)
    question, story = demo_question(photo)
    say(f"Invented bird: {story}")
    assess([photo], None, question.variety, question.age, question.claimed, None, form, into)


@app.command()
def draw(
    photo: Photo,
    into: Annotated[Path, Argument(help="Picture to write, ending in .jpg or .png.")],
    regions: Regions = None,
) -> None:
    """Draw the regions on the photo, outlined and lettered, with the colours read."""
    from fieldmarks.pipeline import picture_of, record_of_file

    tables = rule_tables()
    record, opened = record_of_file(photo, tables, None, regions)
    write(into, picture_of(record, opened, tables, into.suffix))


@app.command()
def marks() -> None:
    """List the marks that can be drawn, and where each lies on the bird."""
    from fieldmarks.cli.layout import table_of

    rows = ((key, mark.name, mark.look) for key, mark in rule_tables().marks.items())
    console().print(table_of(("mark", "name", "where it is"), rows))


@app.command()
def expect(
    species: Annotated[str, Argument(help="Species, for example personatus.")],
    variety: Variety = "green",
    age: Age = "adult",
    make_up: Annotated[
        bool, Option("--make-up", help="Also of what each mark is made, and the swatches it gives.")
    ] = False,
) -> None:
    """List what a bird of one species should show."""
    from fieldmarks.cli.expectations import print_expectations
    from fieldmarks.rules.tables import any_name

    tables = rule_tables()
    kind, years = any_name(variety, tables.varieties), any_name(age, tables.ages)
    print_expectations(tables, any_name(species, tables.species), kind, years, console(), make_up)


@app.command()
def tell_apart(variety: Variety = "green", age: Age = "adult") -> None:
    """List the marks that tell each two species apart, worked out from the tables."""
    from fieldmarks.cli.expectations import print_separations
    from fieldmarks.pipeline import question_of

    tables = rule_tables()
    asked = question_of(tables, None, variety, age)
    print_separations(tables, asked.variety, asked.age, console())


@app.command()
def word(
    what: Annotated[str, Argument(metavar="WORD", help="Such as collar, or 95 %.")] = "",
) -> None:
    """Say what a word of the trade or of measuring means; without one, list all."""
    from fieldmarks.cli.layout import table_of
    from fieldmarks.report.glossary import explain, words

    rows = [(what, explain(what))] if what else [(w.word, w.text) for w in words().values()]
    console().print(table_of(("word", "what it means"), rows))


@app.command()
def check_tables(
    folder: Annotated[
        Path | None, Argument(help="Folder with your own files; empty: the shipped ones.")
    ] = None,
) -> None:
    """Check species, variety, sign and swatch files: file, row, what is wrong and the mend."""
    from fieldmarks.rules import not_read, validate_tables

    problems = validate_tables(folder)
    for problem in problems:
        say(problem)
    others = not_read(folder) if folder else []
    if others:
        say(
            f"Not read: {', '.join(others)}. Tables end in .toml and lie in the folder itself, in "
            "its species or its signs; guide and places are those of the program"
        )
    if problems:
        raise typer.Exit(2)
    say("All that are read are in order." if others else "All tables are in order.")


@app.command()
def schema(
    of: Annotated[
        Literal["record", "examination", "export", "dossier", "signature", "manifest", "list"],
        Argument(help="What it describes."),
    ] = "record",
) -> None:
    """Print the JSON Schema of a record file, or of something else that goes out."""
    from fieldmarks.birds.schemas import schema_text

    print(schema_text(of), end="")


@app.command()
def show(
    port: Annotated[int, Option(min=1, max=65535, help="Port to listen on.")] = 8612,
    home_network: Annotated[
        bool,
        Option(
            "--home-network",
            help="Let other devices in your home reach it (a phone), once they sign in.",
        ),
    ] = False,
) -> None:
    """Open the app in the browser, for this computer only."""
    from importlib.util import find_spec

    from fieldmarks.app.serve import serve

    if find_spec("streamlit") is None:
        mend = "Install them with: pip install streamlit"
        raise FieldmarksError("the screens of the app are not installed", mend=mend)
    rule_tables()  # a fault in them is said here, not on a page
    if chosen.more_tables:
        os.environ["FIELDMARKS_MORE_TABLES"] = str(chosen.more_tables.absolute())
    if chosen.own_swatches:
        os.environ["FIELDMARKS_OWN_SWATCHES"] = "1"
    raise typer.Exit(serve(port, home_network))


@app.command()
def passphrase() -> None:
    """Set the passphrase that lets your other devices in; it is asked for, never an option."""
    from fieldmarks.app.passphrase import passphrase_file, set_passphrase

    words = typer.prompt("Passphrase", hide_input=True, confirmation_prompt=True)
    set_passphrase(words, passphrase_file())
    say(f"Kept as its hash: {passphrase_file()}. Restart the app to use it.")


@app.command()
def version() -> None:
    """Print the version of the program and of its tables."""
    tables = rule_tables()
    print(f"fieldmarks {__version__}, tables {tables.version} ({tables.fingerprint[:12]})")


def _print(record: AnyRecord, tables: Tables, form: str) -> None:
    from fieldmarks import record as records
    from fieldmarks.cli.text import print_record

    if form == "json":
        print(records.record_to_json(record), end="")
    elif form == "csv":
        rows = records.finding_rows(record)
        print(records.to_csv(records.FINDING_COLUMNS, rows), end="")
    else:
        print_record(record, tables, console())


def main() -> None:
    """Run the command line; every fault ends in one line, never in a traceback."""
    try:
        app(standalone_mode=True)
    except FieldmarksError as error:
        say(f"fieldmarks: {error}")
        sys.exit(2)
    except KeyboardInterrupt:
        say("fieldmarks: stopped; what was finished is kept")
        sys.exit(130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except Exception as error:
        if os.environ.get("FIELDMARKS_TRACEBACK"):
            raise
        kind = f"{type(error).__name__}: {error}".replace("\n", " ")
        say(
            f"fieldmarks: an unexpected fault ({kind}). Please report it; "
            "set FIELDMARKS_TRACEBACK=1 to see where it happened"
        )
        sys.exit(1)


if __name__ == "__main__":
    main()
