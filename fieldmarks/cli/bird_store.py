"""``fieldmarks bird ...``: disputes, looking after the store, and the people of a club."""

import os
from pathlib import Path
from typing import Annotated, Literal

import typer
from typer import Argument, Option

from fieldmarks._util.errors import FieldmarksError, told_if_not_opened
from fieldmarks.cli.answers import console, heading, print_lists, print_table, progress, say
from fieldmarks.cli.asking import BirdName, group, read_day
from fieldmarks.cli.chosen import chosen, open_store, rule_tables, store_and_tables

app = group()

# Story of a finding that several measured -> its heading, and whether each is quoted.
STORIES = {
    "all agree": ("Stands for all", False),
    "depends on who measured": ("Depends on who measured", True),
    "depends on the photo": ("Depends on the photo", True),
    "only one": ("Said by one only", False),
}
DIFFERENT = 3  # exit code when a dossier does not give the same numbers again
OnDay = Annotated[str | None, Option("--day", help="Only entries of this day.")]
NewZip = Annotated[Path, Argument(help="ZIP file to write.")]
WithPlace = Annotated[
    bool,
    Option(
        "--with-place", help="Photos as they were taken, with the place if your phone wrote it."
    ),
]
Email = Annotated[str, Argument(metavar="EMAIL", help="As their provider tells it.")]


@app.command()
def measurers(bird: BirdName, day: OnDay = None) -> None:
    """Compare what several people measured on the same bird or photo."""
    from fieldmarks.birds.agreement import QUANTITIES
    from fieldmarks.birds.service import compare_measurers, entries_of_day
    from fieldmarks.report.plane import mark_name

    with store_and_tables() as (store, tables):
        entries = entries_of_day(store, store.find(bird), read_day(day))
        with progress("Comparing"):
            found = compare_measurers(store, entries)
    out = console()
    for measurer, photo, sentence in found.conclusions:
        out.print(f"{measurer}, {photo}: {sentence}")
    out.print(found.note)
    headings = (
        "mark", "readings", "largest difference", "repeatability L*", "a*", "b*",
        "least shared region",
    )  # fmt: skip
    rows = []
    for m in found.marks:
        cells = (m.largest, *(m.repeatability[q] for q in QUANTITIES))
        shown = ("" if cell is None else f"{cell:.1f}" for cell in cells)
        shared = "" if m.overlap is None else f"{m.overlap:.0%} ({' / '.join(m.between)})"
        rows.append((mark_name(tables, m.mark), m.readings, *shown, shared))
    print_table(out, headings, rows)
    for (one, other), limits in found.limits.items():
        said = ", ".join(f"{q} {v.low:+.1f} to {v.high:+.1f}" for q, v in limits.items())
        out.print(f"Limits of agreement, {one} less {other}: {said}")
    out.print()
    for story, (title, quoted) in STORIES.items():
        told = [
            f"{f.name}: "
            + ("; ".join(f"{w}: {s}" for w, _, s in f.said) if quoted else f.said[0][2])
            for f in found.findings
            if f.story == story
        ]
        print_lists(out, (title, told))


@app.command()
def dossier(bird: BirdName, into: NewZip, day: OnDay = None, with_place: WithPlace = False) -> None:
    """Write a dossier (PDF and data) from which someone else can repeat the numbers."""
    from fieldmarks.birds.service import entries_of_day, make_dossier
    from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE

    with store_and_tables() as (store, tables):
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
    file: Annotated[Path, Argument(help="The dossier.")],
    seal: Annotated[str, Option(help="Seal that its maker told you.")] = "",
    key: Annotated[str, Option(help="Key that its maker told you.")] = "",
) -> None:
    """Measure everything in a dossier again: same or different, number by number."""
    from fieldmarks.birds.dossier import verify_dossier

    with progress("Measuring everything again") as tell:
        result = verify_dossier(file, rule_tables(), seal, key, tell)
    out = console()
    out.print(heading(result.sentence))
    for check in result.checks:
        detail = f": {check.detail}" if check.detail else ""
        out.print(f"  {check.outcome:<9} {check.where}: {check.what}{detail}")
    out.print(f"Seal: {result.seal}")
    out.print(f"Signed with the key: {result.key or 'none'}")
    out.print("A dossier cannot show who took a photo, or which bird is on it.")
    if not result.same:
        raise typer.Exit(DIFFERENT)


@app.command()
def export(into: NewZip, with_place: WithPlace = False) -> None:
    """Write the whole store into one file: a backup that 'bring-in' reads again."""
    from fieldmarks.birds.exchange import export_store
    from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE

    with open_store() as store, progress("Packing birds, photos and records") as tell:
        moved = export_store(store, into, with_place, tell)
    say(f"Written to {into}: {moved}. {TOLD_WITH_PLACE if with_place else TOLD}")


@app.command()
def bring_in(
    file: Annotated[Path, Argument(help="ZIP file written by 'export'.")],
    keep: Annotated[
        Literal["refuse", "mine", "theirs"],
        Option(help="Where both differ: refuse all, keep mine, or theirs."),
    ] = "refuse",
    same_ring: Annotated[
        Literal["refuse", "one-bird"],
        Option(help="Where another bird here has the ring of one in the file."),
    ] = "refuse",
) -> None:
    """Read an exported file into the store: all of it or nothing."""
    from fieldmarks.birds.exchange import import_store

    with open_store() as store, progress("Bringing in") as tell:
        moved = import_store(store, file, keep, same_ring == "one-bird", tell)
    say(f"Brought in: {moved}.")


@app.command()
def read_list(
    file: Annotated[Path, Argument(help="Your own list as CSV.")],
    accept: Annotated[bool, Option("--accept", help="Import it.")] = False,
    leave_out: Annotated[bool, Option("--leave-out", help="Leave rows with problems out.")] = False,
) -> None:
    """Look through a list of birds (CSV); nothing is imported without --accept."""
    from fieldmarks.birds.listfile import accept_list, preview_list
    from fieldmarks.birds.service import RING_PATTERN

    with told_if_not_opened(str(file), "Check its name"):
        data = file.read_bytes()
    with store_and_tables() as (store, tables):
        with progress("Looking through the list"):
            preview = preview_list(data, store.birds(), tables, store.setting(RING_PATTERN))
        out = console()
        out.print(f"{len(preview.birds)} birds can be imported.")
        print_lists(out, ("Rows with problems", preview.problems))
        if preview.unknown:
            out.print(f"Nothing is done with these columns: {', '.join(preview.unknown)}")
        if accept:
            with progress("Importing"):
                count = accept_list(store, preview, leave_out)
    say(f"{count} birds imported." if accept else "Nothing is imported yet. To import: --accept")


@app.command()
def ring_shape(
    pattern: Annotated[
        str | None, Argument(help="A for a letter, 9 for a digit; '' for none.")
    ] = None,
) -> None:
    """Show or set the shape that your ring numbers have."""
    from fieldmarks.birds.service import RING_PATTERN

    with open_store() as store:
        if pattern is not None:
            store.set_setting(RING_PATTERN, pattern.strip())
        print(store.setting(RING_PATTERN) or "Ring numbers are not checked.")


@app.command()
def check_store(
    mend: Annotated[bool, Option("--mend", help="Mend what can be mended.")] = False,
    elsewhere: Annotated[
        Path | None, Option("--from", help="With --mend: a folder where lost photos may lie.")
    ] = None,
) -> None:
    """Compare the photos, their records and the database with each other."""
    from fieldmarks.birds import upkeep

    with open_store() as store:
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
def restore() -> None:
    """Put the newest whole copy in place of a damaged database file."""
    from fieldmarks.birds import database, store

    if chosen.database or os.environ.get(store.URL_VARIABLE):
        raise FieldmarksError(
            "a database elsewhere is restored by whoever looks after it",
            mend="Or bring your last backup into an empty database: 'bring-in'",
        )
    folder = chosen.store or store.default_folder()
    copy = database.restore(folder / store.DATABASE_FILE, folder / store.COPIES)
    say(f"Restored from {copy.name}: what was saved after it is lost. The old file is put aside.")


@app.command()
def invented_club() -> None:
    """Fill an empty store with an invented club of 40 birds, to try things out."""
    from fieldmarks.birds.invented import CLUB, fill_with_invented_club

    with store_and_tables() as (store, tables):
        if store.birds():
            mend = "Name an empty folder with --store"
            raise FieldmarksError("this store holds birds already", mend=mend)
        club = fill_with_invented_club(store, tables)
    say(f"{len(club.birds)} invented birds of the {CLUB}. None of them exists.")


@app.command()
def people() -> None:
    """List who may sign in, and as what."""
    from fieldmarks.birds.people import people as all_people

    with open_store() as store, store.engine.connect() as connection:
        for one in all_people(connection):
            say(f"{one.email}: {one.role}" + ("" if one.subject else ", never signed in"))


@app.command()
def let_in(
    email: Email,
    role: Annotated[
        Literal["keeper", "reader", "steward"], Option("--as", help="Their role.")
    ] = "keeper",
) -> None:
    """Let somebody in by their e-mail address, or give them another role."""
    from fieldmarks.birds import people as persons

    with open_store() as store, store.writing() as work:
        one = persons.let_in(work.connection, email, role)
    say(f"{one.email} may in as {one.role}: {persons.WHAT[one.role]}.")


@app.command()
def hand_over(email: Email, birds: list[str]) -> None:
    """Make birds those of another member; parents, mates and young go together."""
    from fieldmarks.birds import people as persons

    with open_store() as store:
        found = [store.find(words).id for words in birds]
        with store.writing() as work:
            everybody = persons.people(work.connection)
            wanted = [p for p in everybody if p.email == email.strip().lower()]
            if not wanted:
                raise FieldmarksError("nobody of that address may in", where=email)
            persons.hand_over(work.connection, found, wanted[0])
    say(f"{len(found)} handed over to {wanted[0].email}.")
