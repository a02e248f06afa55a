"""``fieldmarks bird ...``: buying, papers, pairs, test matings, their eggs and young."""

import dataclasses
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Literal

from typer import Argument, Option

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.cli.answers import console, heading, print_lists, print_table, say, write
from fieldmarks.cli.asking import Age, BirdName, SoldAs, Variety, group, known_as, read_day
from fieldmarks.cli.chosen import open_store, store_and_tables, tables_and_question

app = group()

PairId = Annotated[str, Argument(metavar="PAIR", help="Id of the pair, or its start.")]
WEIGHTS = {"against": "x", "wait": "~", "not known": "?", "for": "+"}


@app.command()
def before_buying(
    photo: Annotated[Path, Argument(help="Photo with its region file.")],
    sold_as: SoldAs = None,
    variety: Variety = "green",
    age: Age = "adult",
) -> None:
    """What to look at, what to ask, and what a photo cannot tell you about a bird for sale."""
    from fieldmarks.birds.buying import buying_check
    from fieldmarks.pipeline import record_of_file

    tables, question = tables_and_question(sold_as, variety, age)
    record, _ = record_of_file(photo, tables, question)
    check, out = buying_check(record.assessment, tables), console()
    out.print(heading(check.sentence), end="\n\n")
    print_lists(
        out,
        ("Speaks against it", check.speaks_against),
        ("Fits", check.fits),
        ("Look at these too", [f"{name}: {look}" for name, look in check.look_at]),
        ("Ask the breeder", check.ask),
        ("What this can't tell you", check.cannot_tell),
        ("Keep in mind", check.cautions),
    )


@app.command()
def paper(
    bird: BirdName,
    into: Annotated[Path, Argument(help="PDF file to write.")],
    kind: Annotated[
        Literal["sheet", "card", "transfer"],
        Option(help="Its sheet, the card for its cage, or for sale and transfer."),
    ] = "sheet",
    address: Annotated[
        str, Option(help="What its QR code opens: https://YOUR-SERVER (its page there), or a link.")
    ] = "",
) -> None:
    """Print a bird's sheet, cage card, or sale and transfer sheet, with a QR code that opens it."""
    from urllib.parse import urlsplit

    from fieldmarks.birds.papers import check_address, paper_pdf, told_of

    with store_and_tables() as (store, tables):
        found = store.find(bird)
        if address and urlsplit(address).path in ("", "/"):
            address = f"{address.rstrip('/')}/birds?bird={found.id}"
        check_address(address)
        write(into, paper_pdf(kind, told_of(store, found, address), tables))


@app.command()
def shop_sheet(
    into: Annotated[Path, Argument(help="File to write: shop.pdf, or shop.html to keep.")],
    sold_as: SoldAs = None,
    variety: Variety = "green",
    age: Age = "adult",
) -> None:
    """Write one sheet for a shop without a line: what to photograph, to ask and to check."""
    from fieldmarks.birds.buying import shop_sheet_page, shop_sheet_pdf

    tables, question = tables_and_question(sold_as, variety, age)
    if into.suffix.lower() == ".pdf":
        write(into, shop_sheet_pdf(tables, question))
    elif into.suffix.lower() == ".html":
        write(into, shop_sheet_page(tables, question))
    else:
        raise FieldmarksError("no such kind", where=into.name, mend="End it in .pdf or .html")


@app.command()
def pair_advice(
    first: BirdName,
    second: Annotated[str, Argument(help="The other bird's name or ring number.")],
) -> None:
    """Advice on putting two birds together, with reasons. The choice is yours."""
    from fieldmarks.birds.service import advice_on_pair

    with store_and_tables() as (store, tables):
        pair = store.find(first), store.find(second)
        advice, out = advice_on_pair(store, *pair, tables, date.today()), console()
    out.print(heading(advice.sentence))
    for reason in advice.reasons:
        out.print(f"  {WEIGHTS[reason.weight]} {reason.text}")
    out.print()
    print_lists(out, ("Keep in mind", advice.cautions))


@app.command()
def start_test(
    bird: BirdName,
    mate: Annotated[str, Argument(help="Its mate of known species: name or ring.")],
    started: Annotated[str | None, Option(help="When: 2026-02-01.")] = None,
) -> None:
    """Begin a test mating for a bird whose plumage cannot tell."""
    from fieldmarks.birds.model import Pair, new_id
    from fieldmarks.birds.service import before_test

    with store_and_tables() as (store, tables):
        one, other = store.find(bird), store.find(mate)
        lines = before_test(store, one, other, tables, date.today())
        pair = store.save(Pair(new_id(), one.id, other.id, "test mating", read_day(started)))
    print(pair.id[:8])
    say("Think about this before you put them together:")
    for line in lines:
        say(f"  * {line}")
    say(f"Test mating of {one.label} with {other.label} begun. Add its young with 'add-young'.")


@app.command()
def change_pair(
    pair: PairId,
    started: Annotated[str, Option(help="When they were put together: 2026-02-01; '' for none.")],
) -> None:
    """Correct the day on which a pair was put together."""
    with open_store() as store:
        day = read_day(started)
        store.save(dataclasses.replace(store.pair(pair), started=day))
    say(f"Together since {day or 'a day not known'}.")


@app.command()
def add_young(
    pair: PairId,
    label: Annotated[str, Argument(help="Ring or name of the young bird.")],
    finding: Annotated[
        Literal["clean", "sign", "unclear"], Argument(help="As seen after its first moult.")
    ],
    hatched: Annotated[str | None, Option(help="Hatch date.")] = None,
    laid: Annotated[str | None, Option(help="When its egg was laid; dates follow from it.")] = None,
    bird: Annotated[
        str | None, Option(help="The bird it is kept as; its own looks then judge it.")
    ] = None,
    note: Annotated[str, Option(help="Its marks, in your own words.")] = "",
    variety: Annotated[str, Option(help="Colour variety it shows, for example green.")] = "",
) -> None:
    """Add a young bird or an egg to a pair, or change what was found on it."""
    from fieldmarks.birds.brood import save_young
    from fieldmarks.birds.model import Young

    with store_and_tables() as (store, tables):
        key = store.find(bird).id if bird else None
        shows = known_as(variety, tables.varieties, "variety") or ""
        young = Young(label.strip(), read_day(hatched), finding, key, note, shows, read_day(laid))
        save_young(store, store.pair(pair), young, tables)
    say(f"{label}: {finding}.")


@app.command()
def note_day(
    pair: PairId,
    label: Annotated[str, Argument(help="The egg or young, as it was added.")],
    event: Annotated[
        Literal["laid", "hatched", "ringed", "fledged"], Argument(help="What happened.")
    ],
    day: Annotated[str, Argument(help="When: 2026-03-01.")],
) -> None:
    """Note when an egg or young of a pair was laid, hatched, was ringed or left the nest."""
    from fieldmarks.birds.brood import note_event

    on = read_day(day)
    if on is None:
        raise FieldmarksError("the day is missing", mend="Write it as 2025-04-30")
    with store_and_tables() as (store, tables):
        note_event(store, store.pair(pair), label, event, on, tables)
    say(f"{label}: {event} {on}.")


@app.command()
def coming_up(
    into: Annotated[Path | None, Option(help="Calendar file to write, ending in .ics.")] = None,
) -> None:
    """List what is to be done with eggs, young and birds, and write it for your calendar."""
    from fieldmarks.birds import brood
    from fieldmarks.birds.calendar import ABOUT, to_calendar

    with store_and_tables() as (store, tables):
        reminders = brood.coming_up(store, tables, date.today())
    for reminder in reminders:
        print(f"{reminder.day}  {reminder.text}")
    say(ABOUT if reminders else "Nothing is coming up.")
    if into is not None:
        write(into, to_calendar(reminders, datetime.now(UTC)))


@app.command("test-result")
def young_so_far(
    pair: PairId,
    miss: Annotated[float, Option(help="Chance of missing a sign that you accept.")] = 0.05,
) -> None:
    """What a test mating tells so far, how many young are still needed, and the next dates."""
    from fieldmarks.birds.advice import advice_table
    from fieldmarks.birds.brood import dates_of, mating_result

    with store_and_tables() as (store, tables):
        kept = store.pair(pair)
        dates = dates_of(store, [kept], tables, date.today())
        result = mating_result(store, kept, tables, miss)
    out = console()
    out.print(heading(result.sentence))
    print_lists(
        out,
        ("How strong that is, if ... (assumptions)", result.strengths),
        ("What does not count, and was not looked at", result.gaps),
        ("Dates", [reminder.text for reminder in dates]),
        ("Keep in mind", advice_table().cautions("testing")),
    )


@app.command()
def pairs() -> None:
    """List all pairs and test matings."""
    with open_store() as store:
        names, kept = {b.id: b.label for b in store.birds()}, store.pairs()
    rows = (
        (pair.id[:8], names.get(pair.first, "?"), names.get(pair.second, "?"), pair.purpose,
         pair.started, len(pair.young))
        for pair in kept
    )  # fmt: skip
    print_table(console(), ("pair", "first", "second", "for", "started", "young"), rows)
