"""``fieldmarks bird ...``: birds, their looks and moults."""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer
from typer import Argument, Option

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.cli.answers import console, heading, print_lists, print_table, progress, say
from fieldmarks.cli.asking import BirdName, group, known_as, read_day
from fieldmarks.cli.chosen import open_store, rule_tables, store_and_tables

if TYPE_CHECKING:
    from rich.console import Console

    from fieldmarks.birds.carried import Hidden
    from fieldmarks.birds.collection import BirdPage, CollectionPage
    from fieldmarks.birds.model import Bird, Entry
    from fieldmarks.birds.moult import Quantity, TimePoint
    from fieldmarks.birds.store import Store
    from fieldmarks.rules import Tables

app = group()

Stage = Literal["young plumage", "in first moult", "after first moult", "later moult"]
Sex = Literal["cock", "hen", "unknown"]
RingKind = Literal["closed", "open", "not known", "none"]
Show = Literal["all", "due for a look", "open doubts", "signs seen", "never measured"]
Ring = Annotated[str | None, Option(help="Ring number as it reads.")]
Kind = Annotated[RingKind | None, Option(help="Kind of ring.")]
RingYear = Annotated[int | None, Option(help="Year on the ring; 0 for none.")]
Hatched = Annotated[str | None, Option(help="Hatch date: 2025-04-30, or '' for none.")]
HatchKnown = Annotated[
    bool | None, Option("--estimate/--exact", help="Whether the hatch date is a guess.")
]
Species = Annotated[str | None, Option(help="Species it is said to be, by any name.")]
ItsVariety = Annotated[str | None, Option(help="Colour variety.")]
SplitFor = Annotated[
    list[str] | None, Option(help="Variety it carries without showing it; may be repeated.")
]
SexOption = Annotated[Sex | None, Option(help="Cock, hen or unknown.")]
SexBy = Annotated[str | None, Option(help="How the sex is known.")]
Source = Annotated[str | None, Option(help="Breeder or seller.")]
Promised = Annotated[str | None, Option(help="What was promised.")]
Father = Annotated[str | None, Option(help="Father's name or ring; '' for none.")]
Mother = Annotated[str | None, Option(help="Mother's name or ring; '' for none.")]
EntryNumber = Annotated[int, Argument(help="Number of the entry, as on the bird's page.")]
Notes = Annotated[str | None, Option(help="Anything else.")]


@app.command()
def add(
    name: Annotated[str, Argument(help="What you call the bird.")],
    ring: Ring = None, ring_kind: Kind = None, ring_year: RingYear = None,
    hatched: Hatched = None, hatch_known: HatchKnown = None, species: Species = None,
    variety: ItsVariety = None, sex: SexOption = None, sex_by: SexBy = None, source: Source = None,
    promised: Promised = None, father: Father = None, mother: Mother = None, notes: Notes = None,
    split_for: SplitFor = None,
) -> None:  # fmt: skip
    """Add a bird."""
    from fieldmarks.birds import model, service

    given = locals()
    with store_and_tables() as (store, tables):
        facts = _facts(given, store, tables)
        bird = service.save_bird(store, model.Bird(model.new_id(), **facts))
    say(f"Added: {bird.label}")


@app.command()
def change(
    bird: BirdName,
    name: Annotated[str | None, Option(help="New name.")] = None,
    ring: Ring = None, ring_kind: Kind = None, ring_year: RingYear = None,
    hatched: Hatched = None, hatch_known: HatchKnown = None, species: Species = None,
    variety: ItsVariety = None, sex: SexOption = None, sex_by: SexBy = None, source: Source = None,
    promised: Promised = None, father: Father = None, mother: Mother = None, notes: Notes = None,
    split_for: SplitFor = None,
    status: Annotated[str | None, Option(help="here, given away or dead.")] = None,
) -> None:  # fmt: skip
    """Change what is known about a bird; what you do not name stays."""
    from fieldmarks.birds.service import save_bird

    given = locals()
    with store_and_tables() as (store, tables):
        facts = _facts(given, store, tables)
        saved = save_bird(store, dataclasses.replace(store.find(bird), **facts))
    say(f"Changed: {saved.label}")


# Of these what is typed is what is kept.
PLAIN = ("ring", "ring_kind", "sex", "sex_by", "source", "promised", "notes", "name", "status")


def _facts(given: dict[str, Any], store: Store, tables: Tables) -> dict[str, Any]:
    """Fields of a bird from the options that were given; empty text takes a fact off."""
    variety = partial(known_as, rows=tables.varieties, what="variety")

    def parent(words: str) -> str | None:
        return store.find(words).id if words.strip() else None

    read: dict[str, Callable[[Any], object]] = {
        **dict.fromkeys(PLAIN, str),
        "father": parent,
        "mother": parent,
        "hatched": read_day,
        "hatch_known": lambda guessed: "estimate" if guessed else "exact",
        "ring_year": lambda year: year or None,
        "species": partial(known_as, rows=tables.species, what="species"),
        "variety": lambda words: variety(words) or "green",
        "split_for": lambda several: tuple(filter(None, map(variety, several))),
    }
    return {key: of(given[key]) for key, of in read.items() if given.get(key) is not None}


@app.command("list")
def list_command(
    words: Annotated[str, Option(help="Part of a name or ring.")] = "",
    species: Species = None,
    variety: ItsVariety = None,
    show: Annotated[Show, Option(help="Which birds.")] = "all",
    gone: Annotated[bool, Option("--gone", help="Also birds given away or dead.")] = False,
    form: Annotated[Literal["text", "csv"], Option("--as", help="How to print.")] = "text",
) -> None:
    """List your birds, those due for a look, or those with open doubts."""
    from fieldmarks.birds.collection import Filter, collection_csv, list_birds

    tables, today = rule_tables(), date.today()
    kind = known_as(species, tables.species, "species")
    colour = known_as(variety, tables.varieties, "variety")
    wanted = Filter(words, kind, colour, show, gone)
    with open_store() as store:  # only once the words are known: opening makes a store
        if form == "csv":
            print(collection_csv(store, wanted, today), end="")
        else:
            print_list(list_birds(store, wanted, today, count=None), today, console())


def print_list(page: CollectionPage, today: date, console: Console) -> None:
    """A list of birds."""
    headings = (
        "name", "ring", "species", "variety", "sex", "hatched", "last look", "signs", "doubts", "",
        "id",
    )  # fmt: skip
    rows = (
        (b.name, b.ring, b.species, b.variety, b.sex, b.hatched, row.last_day,
         row.signs_seen or "", row.doubts or "",
         "look now" if row.look_due is not None and row.look_due <= today else "", b.id[:8])
        for row in page.rows for b in (row.bird,)
    )  # fmt: skip
    print_table(console, headings, rows)
    console.print(f"{page.total} birds")


@app.command()
def page(bird: BirdName) -> None:
    """Everything on record about a bird."""
    from fieldmarks.birds.carried import hidden_of
    from fieldmarks.birds.collection import bird_page

    with store_and_tables() as (store, tables):
        found = bird_page(store, store.find(bird).id)
        print_bird(found, tables, console(), hidden_of(store, found.bird, tables))


def print_bird(
    page: BirdPage, tables: Tables, console: Console, hidden: Sequence[Hidden] = ()
) -> None:
    """Everything on record about a bird."""
    from fieldmarks.birds.papers import bird_facts

    bird = page.bird
    console.print(heading(bird.label))
    rows = (
        ("Id", bird.id[:8]), *bird_facts(bird, tables), ("Sex known by", bird.sex_by),
        ("From", bird.source), ("Promised", bird.promised), ("Notes", bird.notes),
    )  # fmt: skip
    for title, text in rows:
        if text:
            console.print(f"{title}: {text}")
    looks = [
        f"entry {e.number}, {e.day}, {e.stage}, by {e.measured_by or 'someone'}: "
        + " ".join(look.sentence for look in e.observations)
        for e in page.entries
    ]
    parents = [page.family[p].label for p in (bird.father, bird.mother) if p in page.family]
    print_lists(
        console,
        ("Parents", parents),
        ("Young", [b.label for b in page.young]),
        ("Colours it may carry unseen (split)", hidden),
        ("Moult record", looks),
    )


@app.command()
def look(
    bird: BirdName,
    photo: Annotated[list[Path], Argument(help="Photos with their region files.")],
    stage: Annotated[Stage, Option(help="Where it stands in its moults.")],
    by: Annotated[str, Option(help="Who measured.")] = "",
    day: Annotated[str | None, Option(help="When: 2026-03-01. Default: today.")] = None,
    note: Annotated[str, Option(help="Your own words.")] = "",
    yes: Annotated[
        bool, Option("--yes", help="It is this bird, whatever speaks against it.")
    ] = False,
) -> None:
    """Measure photos of a bird and keep them as an entry of its moult record."""
    from fieldmarks.birds import service
    from fieldmarks.birds.observation import MeasuredPhoto
    from fieldmarks.pipeline import record_of_file

    on = read_day(day) or date.today()
    with store_and_tables() as (store, tables):
        found = store.find(bird)
        question = service.question_for(found, on, stage, tables)
        records = [record_of_file(path, tables, question)[0] for path in photo]
        photos = [
            MeasuredPhoto(path.read_bytes(), record)
            for path, record in zip(photo, records, strict=True)
        ]
        keep = partial(service.keep_look, store, found, photos, tables, on, stage, by, note)
        try:
            entry = keep(sure=yes)
        except service.WhichBirdError as asks:
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
    for line in service.lost_comparisons(photos, tables):
        print(line)
    say(f"Kept as entry {entry.number} of {found.label}.")


@app.command()
def moults(
    bird: BirdName, mark: Annotated[str | None, Option(help="Only this mark.")] = None
) -> None:
    """Show how each mark changed over the moults, and what became of each sign."""
    from fieldmarks.birds import moult
    from fieldmarks.birds.service import stories_of
    from fieldmarks.report.plane import mark_name

    def shown(spot: TimePoint, quantity: Quantity) -> str:
        measured = spot.measured(quantity)
        if measured is None:
            return "-"
        _, _, factor, unit = moult.SCALES[quantity]
        return f"{measured.value * factor:.0f} ± {2 * measured.u * factor:.0f}{unit}"

    with store_and_tables() as (store, tables):
        found = store.find(bird)
        stories = stories_of(store, found, tables)
        lines = moult.timelines(store.entries(found.id))
    lines = {key: line for key, line in lines.items() if mark in (None, key)}
    out = console()
    for key, line in lines.items():
        rows = ((s.day, s.stage, *(shown(s, what) for what in moult.QUANTITIES)) for s in line)
        print_table(out, ("day", "stage", *moult.QUANTITIES), rows, mark_name(tables, key))
    changes = moult.changes(lines)
    said = [moult.change_sentence(c, mark_name(tables, c.mark)) for c in changes]
    print_lists(out, ("From the first to the last look (± holds 95 times in 100)", said))
    if changes:
        chance = moult.expected_by_chance(len(changes))
        out.print(
            f"{len(changes)} comparisons: about {chance:.1f} would stand out by chance alone."
        )
    print_lists(out, ("Signs over time", [s.sentence for s in stories if s.story != "never"]))


@app.command()
def strike(
    bird: BirdName,
    entry: EntryNumber,
    why: Annotated[str, Option(help="Why it no longer counts.")],
) -> None:
    """Strike out an entry: it stays on record, but no longer counts."""
    with open_store() as store:
        store.withdraw(_entry(store, store.find(bird), entry), why)
    say(f"Entry {entry} no longer counts.")


@app.command()
def measure_again(bird: BirdName, entry: EntryNumber) -> None:
    """Measure an entry's kept photos by this version; the old numbers stay on record, struck."""
    from fieldmarks.birds import service

    with store_and_tables() as (store, tables), progress("Measuring"):
        found = store.find(bird)
        new = service.measure_again(store, found, _entry(store, found, entry), tables)
    print(new.said)
    say(f"Entry {new.number} counts in place of entry {entry}.")


def _entry(store: Store, bird: Bird, number: int) -> Entry:
    for entry in store.entries(bird.id):
        if entry.number == number:
            return entry
    raise FieldmarksError("there is no such entry", mend="See the bird's page")


@app.command()
def take_off(
    bird: BirdName,
    why: Annotated[str, Option(help="Why it should not be on the list.")],
) -> None:
    """Take a bird added by mistake off the list; it stays on record and can be put back."""
    with open_store() as store:
        off = store.withdraw(store.find(bird), why)
    say(f"{off.label} is off the list; 'put-back' undoes it.")


@app.command()
def put_back(bird: BirdName) -> None:
    """Put a bird back on the list that was taken off."""
    with open_store() as store:
        found = store.find(bird, off_the_list=True)
        store.save(dataclasses.replace(found, withdrawn=""))
    say(f"{found.label} is on the list again.")
