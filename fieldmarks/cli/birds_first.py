"""``fieldmarks bird ...``: birds, their looks and moults, and buying."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.cli import shared
from fieldmarks.cli.birds_options import (
    BirdName,
    app,
    console,
    known_as,
    open_store,
    progress,
    read_day,
    rule_tables,
    say,
)

if TYPE_CHECKING:
    from fieldmarks.birds.model import Entry
    from fieldmarks.birds.store import Store


Stage = Literal["young plumage", "in first moult", "after first moult", "later moult"]
Sex = Literal["cock", "hen", "unknown"]
RingKind = Literal["closed", "open", "not known", "none"]
Show = Literal["all", "due for a look", "open doubts", "signs seen", "never measured"]
Ring = Annotated[str | None, typer.Option("--ring", help="Ring number as it reads.")]
Kind = Annotated[RingKind | None, typer.Option("--ring-kind", help="Kind of ring.")]
RingYear = Annotated[int | None, typer.Option("--ring-year", help="Year on the ring; 0 for none.")]
Hatched = Annotated[
    str | None, typer.Option("--hatched", help="Hatch date: 2025-04-30, or '' for none.")
]
Estimate = Annotated[
    bool | None, typer.Option("--estimate/--exact", help="Whether the hatch date is a guess.")
]
Species = Annotated[
    str | None, typer.Option("--species", help="Species it is said to be, by any name.")
]
Variety = Annotated[str | None, typer.Option("--variety", help="Colour variety.")]
SplitFor = Annotated[
    list[str] | None,
    typer.Option("--split-for", help="Variety it carries without showing it; may be repeated."),
]
SexOption = Annotated[Sex | None, typer.Option("--sex", help="Cock, hen or unknown.")]
SexBy = Annotated[str | None, typer.Option("--sex-by", help="How the sex is known.")]
Source = Annotated[str | None, typer.Option("--source", help="Breeder or seller.")]
Promised = Annotated[str | None, typer.Option("--promised", help="What was promised.")]
Father = Annotated[str | None, typer.Option("--father", help="Father's name or ring; '' for none.")]
Mother = Annotated[str | None, typer.Option("--mother", help="Mother's name or ring; '' for none.")]
EntryNumber = Annotated[int, typer.Argument(help="Number of the entry, as on the bird's page.")]
Notes = Annotated[str | None, typer.Option("--notes", help="Anything else.")]


@app.command()
def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="What you call the bird.")],
    ring: Ring = None, ring_kind: Kind = None, ring_year: RingYear = None,
    hatched: Hatched = None, estimate: Estimate = None, species: Species = None,
    variety: Variety = None, sex: SexOption = None, sex_by: SexBy = None, source: Source = None,
    promised: Promised = None, father: Father = None, mother: Mother = None, notes: Notes = None,
    split_for: SplitFor = None,
) -> None:  # fmt: skip
    """Add a bird."""
    from fieldmarks.birds.model import Bird, new_id
    from fieldmarks.birds.service import save_bird

    with open_store(context) as store:
        bird = save_bird(store, Bird(new_id(), **_facts(store, locals())))
        say(f"Added: {bird.label}")


@app.command()
def change(
    context: typer.Context,
    bird: BirdName,
    name: Annotated[str | None, typer.Option("--name", help="New name.")] = None,
    ring: Ring = None, ring_kind: Kind = None, ring_year: RingYear = None,
    hatched: Hatched = None, estimate: Estimate = None, species: Species = None,
    variety: Variety = None, sex: SexOption = None, sex_by: SexBy = None, source: Source = None,
    promised: Promised = None, father: Father = None, mother: Mother = None, notes: Notes = None,
    split_for: SplitFor = None,
    status: Annotated[
        str | None, typer.Option("--status", help="here, given away or dead.")
    ] = None,
) -> None:  # fmt: skip
    """Change what is known about a bird; what you do not name stays."""
    import dataclasses

    from fieldmarks.birds.service import save_bird

    with open_store(context) as store:
        values = _facts(store, locals())
        saved = save_bird(store, dataclasses.replace(store.find(bird), **values))
        say(f"Changed: {saved.label}")


@app.command("list")
def list_command(
    context: typer.Context,
    words: Annotated[str, typer.Option("--words", help="Part of a name or ring.")] = "",
    species: Species = None,
    variety: Variety = None,
    show: Annotated[Show, typer.Option("--show", help="Which birds.")] = "all",
    gone: Annotated[bool, typer.Option("--gone", help="Also birds given away or dead.")] = False,
    form: Annotated[Literal["text", "csv"], typer.Option("--as", help="How to print.")] = "text",
) -> None:
    """List your birds, those due for a look, or those with open doubts."""
    from fieldmarks.birds.collection import Filter, collection_csv, list_birds
    from fieldmarks.cli import printing

    tables = rule_tables()
    wanted = Filter(
        words,
        known_as(species, tables.species, "species"),
        known_as(variety, tables.varieties, "variety"),
        show,
        gone,
    )
    with open_store(context) as store:
        if form == "csv":
            print(collection_csv(store, wanted, date.today()), end="")
        else:
            page = list_birds(store, wanted, date.today(), count=1_000_000)
            printing.print_list(page, date.today(), console())


@app.command()
def page(context: typer.Context, bird: BirdName) -> None:
    """Everything on record about a bird."""
    from fieldmarks.birds.carried import hidden_of
    from fieldmarks.birds.collection import bird_page
    from fieldmarks.cli import printing

    tables = rule_tables()
    with open_store(context) as store:
        found = bird_page(store, store.find(bird).id)
        hidden = hidden_of(store, found.bird, tables)
    printing.print_bird(found, tables, console(), hidden)


@app.command()
def look(
    context: typer.Context,
    bird: BirdName,
    photo: Annotated[list[Path], typer.Argument(help="Photos with their region files.")],
    stage: Annotated[Stage, typer.Option("--stage", help="Where it stands in its moults.")],
    by: Annotated[str, typer.Option("--by", help="Who measured.")] = "",
    day: Annotated[str | None, typer.Option("--day", help="When: 2026-03-01. Default: today.")] = (
        None
    ),
    note: Annotated[str, typer.Option("--note", help="Your own words.")] = "",
    yes: Annotated[
        bool, typer.Option("--yes", help="It is this bird, whatever speaks against it.")
    ] = False,
) -> None:
    """Measure photos of a bird and keep them as an entry of its moult record."""
    from fieldmarks.birds.observation import Shot
    from fieldmarks.birds.service import (
        WhichBirdError,
        keep_look,
        lost_comparisons,
        question_for,
    )
    from fieldmarks.pipeline import record_of_file

    tables, on = rule_tables(), read_day(day) or date.today()
    with open_store(context) as store:
        found = store.find(bird)
        question = question_for(found, on, stage, tables)
        records = [(path, record_of_file(path, tables, question)[0]) for path in photo]
        evidence = [Shot(path.read_bytes(), record) for path, record in records]
        keep = partial(keep_look, store, found, evidence, tables, on, stage, by, note)
        try:
            entry = keep(sure=yes)
        except WhichBirdError as asks:
            if not sys.stdin.isatty():
                raise
            for doubt in asks.doubts:
                say(doubt)
            typer.confirm(f"Is it {found.label}?", abort=True, err=True)
            entry = keep(sure=True)
    for kept in entry.observations:
        print(f"{kept.file}: {kept.sentence}")
    if entry.sentence:
        print(f"All photos together: {entry.sentence}")
    for line in lost_comparisons(evidence, tables):
        print(line)
    say(f"Kept as entry {entry.number} of {found.label}.")


@app.command()
def moults(
    context: typer.Context,
    bird: BirdName,
    mark: Annotated[str | None, typer.Option("--mark", help="Only this mark.")] = None,
) -> None:
    """Show how each mark changed over the moults, and what became of each sign."""
    from fieldmarks.birds.service import stories_of
    from fieldmarks.cli import printing

    tables = rule_tables()
    with open_store(context) as store:
        found = store.find(bird)
        stories = stories_of(store, found, tables)
        printing.print_moults(store.entries(found.id), stories, tables, mark, console())


@app.command()
def strike(
    context: typer.Context,
    bird: BirdName,
    entry: EntryNumber,
    why: Annotated[str, typer.Option("--why", help="Why it no longer counts.")],
) -> None:
    """Strike out an entry: it stays on record, but no longer counts."""
    with open_store(context) as store:
        store.withdraw(_entry(store, store.find(bird).id, entry), why)
    say(f"Entry {entry} no longer counts.")


@app.command()
def measure_again(context: typer.Context, bird: BirdName, entry: EntryNumber) -> None:
    """Measure an entry's kept photos by this version; the old numbers stay on record, struck."""
    from fieldmarks.birds.service import measure_again as again

    with open_store(context) as store, progress("Measuring"):
        found = store.find(bird)
        new = again(store, found, _entry(store, found.id, entry), rule_tables())
    print(new.said)
    say(f"Entry {new.number} counts in place of entry {entry}.")


def _entry(store: Store, bird: str, number: int) -> Entry:
    found = [e for e in store.entries(bird) if e.number == number]
    if not found:
        raise FieldmarksError("there is no such entry", mend="See the bird's page")
    return found[0]


@app.command()
def take_off(
    context: typer.Context,
    bird: BirdName,
    why: Annotated[str, typer.Option("--why", help="Why it should not be on the list.")],
) -> None:
    """Take a bird added by mistake off the list; it stays on record and can be put back."""
    with open_store(context) as store:
        found = store.find(bird)
        store.withdraw(found, why)
    say(f"{found.label} is off the list; 'put-back' undoes it.")


@app.command()
def put_back(context: typer.Context, bird: BirdName) -> None:
    """Put a bird back on the list that was taken off."""
    import dataclasses

    with open_store(context) as store:
        found = store.find(bird, off_the_list=True)
        store.save(dataclasses.replace(found, withdrawn=""))
    say(f"{found.label} is on the list again.")


@app.command()
def before_buying(
    photo: Annotated[Path, typer.Argument(help="Photo with its region file.")],
    sold_as: shared.SoldAs = None,
    variety: shared.Variety = "green",
    age: shared.Age = "adult",
) -> None:
    """What to look at, what to ask, and what a photo cannot tell you about a bird for sale."""
    from fieldmarks.birds.buying import buying_check
    from fieldmarks.cli import printing
    from fieldmarks.pipeline import question_of, record_of_file

    tables = rule_tables()
    record, _ = record_of_file(photo, tables, question_of(tables, sold_as, variety, age))
    printing.print_buying(buying_check(record.assessment, tables), console())


@app.command()
def paper(
    context: typer.Context,
    bird: BirdName,
    into: Annotated[Path, typer.Argument(help="PDF file to write.")],
    kind: Annotated[
        Literal["sheet", "card", "transfer"],
        typer.Option("--kind", help="Its sheet, the card for its cage, or for sale and transfer."),
    ] = "sheet",
    address: Annotated[
        str,
        typer.Option(
            "--address",
            help="What its QR code opens: https://YOUR-SERVER (its page there), or a link.",
        ),
    ] = "",
) -> None:
    """Print a bird's sheet, cage card, or sale and transfer sheet, with a QR code that opens it."""
    from urllib.parse import urlsplit

    from fieldmarks._util.atomic_write import write_whole
    from fieldmarks.birds.papers import check_address, paper_pdf, told_of

    tables = rule_tables()
    with open_store(context) as store:
        found = store.find(bird)
        if address and urlsplit(address).path in ("", "/"):
            address = f"{address.rstrip('/')}/birds?bird={found.id}"
        check_address(address)
        made = paper_pdf(kind, told_of(store, found, address), tables)
    write_whole(into, made)
    say(f"Written: {into}")


@app.command()
def shop_sheet(
    into: Annotated[Path, typer.Argument(help="File to write: shop.pdf, or shop.html to keep.")],
    sold_as: shared.SoldAs = None,
    variety: shared.Variety = "green",
    age: shared.Age = "adult",
) -> None:
    """Write one sheet for a shop without a line: what to photograph, to ask and to check."""
    from fieldmarks._util.atomic_write import write_whole
    from fieldmarks.birds.buying import shop_sheet_page, shop_sheet_pdf
    from fieldmarks.pipeline import question_of

    tables = rule_tables()
    question = question_of(tables, sold_as, variety, age)
    if into.suffix.lower() not in (".pdf", ".html"):
        raise FieldmarksError("no such kind", where=into.name, mend="End it in .pdf or .html")
    on_paper = into.suffix.lower() == ".pdf"
    made = shop_sheet_pdf(tables, question) if on_paper else shop_sheet_page(tables, question)
    write_whole(into, made)
    say(f"Written: {into}")


PLAIN = ("ring", "ring_kind", "sex", "sex_by", "source", "promised", "notes", "name", "status")


def _facts(store: Store, given: dict[str, Any]) -> dict[str, Any]:
    """Fields of a bird from options that were given; empty text takes a fact off."""
    tables = rule_tables()

    def parent(words: str) -> str | None:
        return store.find(words).id if words.strip() else None

    def variety(words: str) -> str | None:
        return known_as(words, tables.varieties, "variety")

    read: dict[str, Callable[[Any], object]] = {
        **dict.fromkeys(PLAIN, lambda value: value),
        "father": parent,
        "mother": parent,
        "hatched": read_day,
        "estimate": lambda guessed: "estimate" if guessed else "exact",
        "ring_year": lambda year: year or None,
        "species": lambda words: known_as(words, tables.species, "species"),
        "variety": lambda words: variety(words) or "green",
        "split_for": lambda several: tuple(key for words in several if (key := variety(words))),
    }
    values = {key: of(given[key]) for key, of in read.items() if given.get(key) is not None}
    if "estimate" in values:
        values["hatch_known"] = values.pop("estimate")
    return values
