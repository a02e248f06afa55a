"""More of ``fieldmarks bird ...``: pairs, test matings, disputes, and looking after the store."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Literal

import typer

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.cli.birds_options import (
    BirdName,
    OnDay,
    app,
    console,
    known_as,
    open_store,
    progress,
    read_day,
    rule_tables,
    say,
)

DIFFERENT = 3  # exit code when a dossier does not give the same numbers again
WithPlace = Annotated[
    bool,
    typer.Option(
        "--with-place", help="Photos as they were taken, with the place if your phone wrote it."
    ),
]
PairId = Annotated[str, typer.Argument(metavar="PAIR", help="Id of the pair, or its start.")]


@app.command()
def pair_advice(
    context: typer.Context,
    first: BirdName,
    second: Annotated[str, typer.Argument(help="The other bird's name or ring number.")],
) -> None:
    """Advice on putting two birds together, with reasons. The choice is yours."""
    from fieldmarks.birds.service import advice_on_pair
    from fieldmarks.cli import printing

    tables = rule_tables()
    with open_store(context) as store:
        one, other = store.find(first), store.find(second)
        advice = advice_on_pair(store, one, other, tables, date.today())
    printing.print_advice(advice, console())


@app.command()
def start_test(
    context: typer.Context,
    bird: BirdName,
    mate: Annotated[str, typer.Argument(help="Its mate of known species: name or ring.")],
    started: Annotated[str | None, typer.Option("--started", help="When: 2026-02-01.")] = None,
) -> None:
    """Begin a test mating for a bird whose plumage cannot tell."""
    from fieldmarks.birds.model import Pair, new_id
    from fieldmarks.birds.service import before_test

    tables = rule_tables()
    with open_store(context) as store:
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
    context: typer.Context,
    pair: PairId,
    started: Annotated[
        str, typer.Option("--started", help="When they were put together: 2026-02-01; '' for none.")
    ],
) -> None:
    """Correct the day on which a pair was put together."""
    import dataclasses

    with open_store(context) as store:
        day = read_day(started)
        store.save(dataclasses.replace(store.pair(pair), started=day))
    say(f"Together since {day or 'a day not known'}.")


@app.command()
def add_young(
    context: typer.Context,
    pair: PairId,
    label: Annotated[str, typer.Argument(help="Ring or name of the young bird.")],
    finding: Annotated[
        Literal["clean", "sign", "unclear"], typer.Argument(help="As seen after its first moult.")
    ],
    hatched: Annotated[str | None, typer.Option("--hatched", help="Hatch date.")] = None,
    laid: Annotated[
        str | None, typer.Option("--laid", help="When its egg was laid; dates follow from it.")
    ] = None,
    kept_as: Annotated[
        str | None,
        typer.Option("--bird", help="The bird it is kept as; its own looks then judge it."),
    ] = None,
    note: Annotated[str, typer.Option("--note", help="Its marks, in your own words.")] = "",
    shows: Annotated[
        str, typer.Option("--variety", help="Colour variety it shows, for example green.")
    ] = "",
) -> None:
    """Add a young bird or an egg to a pair, or change what was found on it."""
    from fieldmarks.birds.brood import save_young
    from fieldmarks.birds.model import Young

    tables = rule_tables()
    with open_store(context) as store:
        key = store.find(kept_as).id if kept_as else None
        variety = known_as(shows, tables.varieties, "variety") or ""
        young = Young(label.strip(), read_day(hatched), finding, key, note, variety, read_day(laid))
        save_young(store, store.pair(pair), young, tables)
    say(f"{label}: {finding}.")


@app.command()
def note_day(
    context: typer.Context,
    pair: PairId,
    label: Annotated[str, typer.Argument(help="The egg or young, as it was added.")],
    event: Annotated[
        Literal["laid", "hatched", "ringed", "fledged"], typer.Argument(help="What happened.")
    ],
    day: Annotated[str, typer.Argument(help="When: 2026-03-01.")],
) -> None:
    """Note when an egg or young of a pair was laid, hatched, was ringed or left the nest."""
    from fieldmarks.birds.brood import note_event

    on, tables = read_day(day), rule_tables()
    if on is None:
        raise FieldmarksError("the day is missing", mend="Write it as 2025-04-30")
    with open_store(context) as store:
        note_event(store, store.pair(pair), label, event, on, tables)
    say(f"{label}: {event} {on}.")


@app.command()
def coming_up(
    context: typer.Context,
    into: Annotated[
        Path | None, typer.Option("--into", help="Calendar file to write, ending in .ics.")
    ] = None,
) -> None:
    """List what is to be done with eggs, young and birds, and write it for your calendar."""
    from datetime import UTC, datetime

    from fieldmarks._util.atomic_write import write_whole
    from fieldmarks.birds.brood import coming_up as all_of_it
    from fieldmarks.birds.calendar import ABOUT, to_calendar

    with open_store(context) as store:
        reminders = all_of_it(store, rule_tables(), date.today())
    for reminder in reminders:
        print(f"{reminder.day}  {reminder.text}")
    say(ABOUT if reminders else "Nothing is coming up.")
    if into is not None:
        write_whole(into, to_calendar(reminders, datetime.now(UTC)))
        say(f"Written: {into}")


@app.command("test-result")
def young_so_far(
    context: typer.Context,
    pair: PairId,
    miss: Annotated[
        float, typer.Option("--miss", help="Chance of missing a sign that you accept.")
    ] = 0.05,
) -> None:
    """What a test mating tells so far, how many young are still needed, and the next dates."""
    from fieldmarks.birds.brood import dates_of, mating_result
    from fieldmarks.cli import printing

    tables = rule_tables()
    with open_store(context) as store:
        kept = store.pair(pair)
        result = mating_result(store, kept, tables, miss)
        dates = dates_of(store, [kept], tables, date.today())
    printing.print_mating(result, [reminder.text for reminder in dates], console())


@app.command()
def pairs(context: typer.Context) -> None:
    """List all pairs and test matings."""
    from fieldmarks.cli import printing

    with open_store(context) as store:
        names = {b.id: b.label for b in store.birds()}
        printing.print_pairs(store.pairs(), names, console())


@app.command()
def measurers(context: typer.Context, bird: BirdName, day: OnDay = None) -> None:
    """Compare what several people measured on the same bird or photo."""
    from fieldmarks.birds.service import compare_measurers, entries_of_day
    from fieldmarks.cli import printing

    tables = rule_tables()
    with open_store(context) as store:
        entries = entries_of_day(store, store.find(bird), read_day(day))
        with progress("Comparing"):
            found = compare_measurers(store, entries)
    printing.print_agreement(found, tables, console())


@app.command()
def dossier(
    context: typer.Context,
    bird: BirdName,
    into: Annotated[Path, typer.Argument(help="ZIP file to write.")],
    day: OnDay = None,
    with_place: WithPlace = False,
) -> None:
    """Write a dossier (PDF and data) from which someone else can repeat the numbers."""
    from fieldmarks.birds.service import entries_of_day, make_dossier
    from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE

    tables = rule_tables()
    with open_store(context) as store:
        found = store.find(bird)
        entries = entries_of_day(store, found, read_day(day))
        with progress("Packing photos, records and the PDF") as tell:
            made = make_dossier(store, found, entries, tables, into, with_place, tell)
    print(made.seal)
    print(f"Signed with your key {made.key}")
    say(TOLD_WITH_PLACE if with_place else TOLD)
    say(f"Written: {into}. Tell the other side seal and key by another way, so they can compare.")


@app.command()
def verify(
    file: Annotated[Path, typer.Argument(help="The dossier.")],
    seal: Annotated[str, typer.Option("--seal", help="Seal that its maker told you.")] = "",
    key: Annotated[str, typer.Option("--key", help="Key that its maker told you.")] = "",
) -> None:
    """Measure everything in a dossier again: same or different, number by number."""
    from fieldmarks.birds.dossier import verify_dossier
    from fieldmarks.cli import printing

    with progress("Measuring everything again") as tell:
        result = verify_dossier(file, rule_tables(), seal, key, tell)
    printing.print_verified(result, console())
    if not result.same:
        raise typer.Exit(DIFFERENT)


@app.command()
def export(
    context: typer.Context,
    into: Annotated[Path, typer.Argument(help="ZIP file to write.")],
    with_place: WithPlace = False,
) -> None:
    """Write the whole store into one file: a backup that 'bring-in' reads again."""
    from fieldmarks.birds.exchange import export_store
    from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE

    with open_store(context) as store, progress("Packing birds, photos and records") as tell:
        moved = export_store(store, into, with_place, tell)
    say(f"Written to {into}: {moved}. {TOLD_WITH_PLACE if with_place else TOLD}")


@app.command()
def bring_in(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="ZIP file written by 'export'.")],
    keep: Annotated[
        Literal["refuse", "mine", "theirs"],
        typer.Option("--keep", help="Where both differ: refuse all, keep mine, or theirs."),
    ] = "refuse",
    same_ring: Annotated[
        Literal["refuse", "one-bird"],
        typer.Option(
            "--same-ring", help="Where another bird here has the ring of one in the file."
        ),
    ] = "refuse",
) -> None:
    """Read an exported file into the store: all of it or nothing."""
    from fieldmarks.birds.exchange import import_store

    with open_store(context) as store, progress("Bringing in") as tell:
        moved = import_store(store, file, keep, same_ring == "one-bird", tell)
    say(f"Brought in: {moved}.")


@app.command()
def read_list(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="Your own list as CSV.")],
    accept: Annotated[bool, typer.Option("--accept", help="Import it.")] = False,
    leave_out: Annotated[
        bool, typer.Option("--leave-out", help="Leave rows with problems out.")
    ] = False,
) -> None:
    """Look through a list of birds (CSV); nothing is imported without --accept."""
    from fieldmarks.birds.listfile import accept_list, preview_list
    from fieldmarks.birds.service import RING_PATTERN
    from fieldmarks.cli import printing

    try:
        data = file.read_bytes()
    except OSError as error:
        raise FieldmarksError(
            f"cannot be opened ({error.strerror})", where=str(file), mend="Check its name"
        ) from None
    tables = rule_tables()
    with open_store(context) as store:
        with progress("Looking through the list"):
            preview = preview_list(data, store.birds(), tables, store.setting(RING_PATTERN))
        printing.print_preview(preview, console())
        if accept:
            with progress("Importing"):
                count = accept_list(store, preview, leave_out)
            say(f"{count} birds imported.")
        else:
            say("Nothing is imported yet. To import: --accept")


@app.command()
def ring_shape(
    context: typer.Context,
    pattern: Annotated[
        str | None, typer.Argument(help="A for a letter, 9 for a digit; '' for none.")
    ] = None,
) -> None:
    """Show or set the shape that your ring numbers have."""
    from fieldmarks.birds.service import RING_PATTERN

    with open_store(context) as store:
        if pattern is not None:
            store.set_setting(RING_PATTERN, pattern.strip())
        print(store.setting(RING_PATTERN) or "Ring numbers are not checked.")


@app.command()
def check_store(
    context: typer.Context,
    mend: Annotated[bool, typer.Option("--mend", help="Mend what can be mended.")] = False,
    elsewhere: Annotated[
        Path | None,
        typer.Option("--from", help="With --mend: a folder where lost photos may lie."),
    ] = None,
) -> None:
    """Compare the photos, their records and the database with each other."""
    from fieldmarks.birds import upkeep

    with open_store(context) as store:
        if mend:
            say(f"{upkeep.mend_store(store, elsewhere)} files and records mended.")
        with progress("Checking") as tell:
            problems = upkeep.check_store(store, tell)
    for problem in problems:
        print(problem)
    if problems:
        raise typer.Exit(2)
    say("The store is in order.")


@app.command()
def restore(context: typer.Context) -> None:
    """Put the newest whole copy in place of a damaged database file."""
    import os

    from fieldmarks.birds import database
    from fieldmarks.birds import store as store_module

    folder, address = context.obj or (None, None)
    if address or os.environ.get(store_module.URL_VARIABLE):
        raise FieldmarksError(
            "a database elsewhere is restored by whoever looks after it",
            mend="Or bring your last backup into an empty database: 'bring-in'",
        )
    folder = folder or store_module.default_folder()
    file = folder / store_module.DATABASE_FILE
    copy = database.restore(file, folder / store_module.COPIES)
    say(f"Restored from {copy.name}: what was saved after it is lost. The old file is put aside.")


@app.command()
def invented_club(context: typer.Context) -> None:
    """Fill an empty store with an invented club of 40 birds, to try things out."""
    from fieldmarks.birds.invented import CLUB, fill_with_invented_club

    tables = rule_tables()
    with open_store(context) as store:
        if store.birds():
            raise FieldmarksError(
                "this store holds birds already", mend="Name an empty folder with --store"
            )
        club = fill_with_invented_club(store, tables)
    say(f"{len(club.birds)} invented birds of the {CLUB}. None of them exists.")
