"""More of ``fieldmarks bird ...``: pairs, test matings, disputes, and looking after the store."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.cli.birds_options import (
    BirdName,
    OnDay,
    app,
    console,
    known_as,
    open_store,
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


class YoungFinding(StrEnum):
    """What was found on a young bird after its first moult."""

    clean = "clean"
    sign = "sign"
    unclear = "unclear"


class Choice(StrEnum):
    """Which record to keep where two differ."""

    refuse = "refuse"
    mine = "mine"
    theirs = "theirs"


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
    from fieldmarks.birds.service import before_test, check_day

    tables = rule_tables()
    with open_store(context) as store:
        one, other = store.find(bird), store.find(mate)
        lines = before_test(store, one, other, tables, date.today())
        check_day("start", read_day(started), one.label)
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

    from fieldmarks.birds.service import check_day

    with open_store(context) as store:
        day = read_day(started)
        check_day("start", day, pair)
        store.save(dataclasses.replace(store.pair(pair), started=day))
    say(f"Together since {day or 'a day not known'}.")


@app.command()
def add_young(
    context: typer.Context,
    pair: PairId,
    label: Annotated[str, typer.Argument(help="Ring or name of the young bird.")],
    finding: Annotated[YoungFinding, typer.Argument(help="As seen after its first moult.")],
    hatched: Annotated[str | None, typer.Option("--hatched", help="Hatch date.")] = None,
    kept_as: Annotated[
        str | None,
        typer.Option("--bird", help="The bird it is kept as; its own looks then judge it."),
    ] = None,
    note: Annotated[str, typer.Option("--note", help="Its marks, in your own words.")] = "",
    shows: Annotated[
        str, typer.Option("--variety", help="Colour variety it shows, for example green.")
    ] = "",
) -> None:
    """Add a young bird to a pair, or change what was found on it."""
    from fieldmarks.birds.model import Young
    from fieldmarks.birds.service import save_young

    tables = rule_tables()
    with open_store(context) as store:
        key = store.find(kept_as).id if kept_as else None
        variety = known_as(shows, tables.varieties, "variety") or ""
        young = Young(label.strip(), read_day(hatched), finding.value, key, note, variety)
        save_young(store, store.pair(pair), young, tables)
    say(f"{label}: {finding.value}.")


@app.command("test-result")
def young_so_far(
    context: typer.Context,
    pair: PairId,
    miss: Annotated[
        float, typer.Option("--miss", help="Chance of missing a sign that you accept.")
    ] = 0.05,
) -> None:
    """What a test mating tells so far, and how many young are still needed."""
    from fieldmarks.birds.service import mating_result
    from fieldmarks.cli import printing

    tables = rule_tables()
    with open_store(context) as store:
        result = mating_result(store, store.pair(pair), tables, miss)
    printing.print_mating(result, console())


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
        found = compare_measurers(store, entries_of_day(store, store.find(bird), read_day(day)))
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
        seal = make_dossier(store, found, entries, tables, into, with_place)
    print(seal)
    say(TOLD_WITH_PLACE if with_place else TOLD)
    say(f"Written: {into}. Tell the other side this seal by another way, so they can compare it.")


@app.command()
def verify(
    file: Annotated[Path, typer.Argument(help="The dossier.")],
) -> None:
    """Measure everything in a dossier again: same or different, number by number."""
    from fieldmarks.birds.dossier import verify_dossier
    from fieldmarks.cli import printing

    result = verify_dossier(file, rule_tables())
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

    told = TOLD_WITH_PLACE if with_place else TOLD
    with open_store(context) as store:
        say(f"Written to {into}: {export_store(store, into, with_place)}. {told}")


@app.command()
def bring_in(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="ZIP file written by 'export'.")],
    keep: Annotated[
        Choice, typer.Option("--keep", help="Where both differ: refuse all, keep mine, or theirs.")
    ] = Choice.refuse,
) -> None:
    """Read an exported file into the store: all of it or nothing."""
    from fieldmarks.birds.exchange import import_store

    with open_store(context) as store:
        say(f"Brought in: {import_store(store, file, keep.value)}.")


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
    from fieldmarks.birds.ring import read_pattern
    from fieldmarks.cli import printing

    try:
        data = file.read_bytes()
    except OSError as error:
        raise FieldmarksError(
            f"cannot be opened ({error.strerror})", where=str(file), mend="Check its name"
        ) from None
    tables = rule_tables()
    with open_store(context) as store:
        preview = preview_list(data, store.birds(), tables, read_pattern(store.folder))
        printing.print_preview(preview, console())
        if accept:
            say(f"{accept_list(store, preview, leave_out)} birds imported.")
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
    from fieldmarks.birds.ring import read_pattern, write_pattern

    with open_store(context) as store:
        if pattern is not None:
            write_pattern(store.folder, pattern)
        print(read_pattern(store.folder) or "Ring numbers are not checked.")


@app.command()
def check_store(
    context: typer.Context,
    mend: Annotated[bool, typer.Option("--mend", help="Mend what can be mended.")] = False,
) -> None:
    """Compare photos, side files and database with each other."""
    from fieldmarks.birds import upkeep

    with open_store(context) as store:
        if mend:
            say(f"{upkeep.mend_store(store)} records mended.")
        problems = upkeep.check_store(store)
    for problem in problems:
        print(problem)
    if problems:
        raise typer.Exit(2)
    say("The store is in order.")


@app.command()
def rebuild(context: typer.Context) -> None:
    """Make the database of this computer afresh from the folder of photos and side files."""
    from fieldmarks.birds import upkeep
    from fieldmarks.birds.store import default_folder

    folder = (context.obj or (None, None))[0] or default_folder()
    with upkeep.rebuild(folder) as store:
        say(f"Rebuilt: {len(store.birds())} birds. The old database lies beside it (.aside).")


@app.command()
def schema() -> None:
    """Print the JSON Schema of the side files."""
    import json

    from fieldmarks.birds.model import life_schema

    print(json.dumps(life_schema(), indent=1))


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
