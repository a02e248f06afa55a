"""All birds: the list with its filters, adding birds, a keeper's own list, and backups."""

import dataclasses
import html
import math
import tempfile
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.app.birds.facts import bird_form, forget_opened
from fieldmarks.app.birds.one_bird import one_bird_panel
from fieldmarks.app.page import page
from fieldmarks.app.serve import MAX_UPLOAD_MB
from fieldmarks.birds import calendar, collection, exchange, invented, listfile
from fieldmarks.birds.brood import coming_up
from fieldmarks.birds.model import Bird
from fieldmarks.birds.people import NOT_YOURS
from fieldmarks.birds.reader import bird_labels
from fieldmarks.birds.ring import HELP
from fieldmarks.birds.service import RING_PATTERN
from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE

ROWS = 25
PREVIEWED = 10
COMING = 40


def birds_page() -> None:
    """The list of birds, or one of them."""
    if "bird" in st.query_params:  # from the QR code of its papers
        st.session_state.life_bird = st.query_params.pop("bird")
    chosen = st.session_state.get("life_bird")
    if not chosen:
        forget_opened()
    page(chosen or "birds")
    if chosen:
        one_bird_panel(chosen)
        return
    ui.heading("Your birds", "Every bird with its moults, young and open doubts.")
    ui.say_done()
    may = ui.may_change()
    counts = collection.overview(ui.store(), date.today())
    if not counts["all"] and not ui.any_bird():
        _empty()
    else:
        st.write(
            f"{ui.count_of(counts['all'], 'bird')}; {counts['due for a look']} due for a look; "
            f"{counts['open doubts']} with open doubts; {counts['signs seen']} with signs."
        )
        if may:
            with st.expander("Add a bird"):
                bird_form(None)
        _coming_up()
        _list()
    if off := ui.store().birds(off_the_list=True) if may else []:
        with st.expander(f"Taken off the list: {ui.count_of(len(off), 'bird')}"):
            _put_back(off)
    if may:
        with st.expander("Take in a list you already have (CSV)"):
            _take_list()
    with st.expander("Backup and moving to another computer"):
        _backup()
    with st.expander("Shape of your ring numbers"):
        _ring_shape()


def _coming_up() -> None:
    place = st.expander("Coming up: eggs, young, looks", key="coming_up", on_change="rerun")
    if not place.open:
        return
    found = coming_up(ui.store(), ui.tables(), date.today())
    with place:
        ui.bullets("", [reminder.text for reminder in found[:COMING]])
        if len(found) > COMING:
            st.caption(f"... and {len(found) - COMING} more, all of them in the calendar.")
        st.caption(calendar.ABOUT if found else "Nothing is coming up.")
        if found:
            made = partial(calendar.to_calendar, found, datetime.now(UTC))
            ui.save_button("For your calendar", made, "birds.ics")


def _empty() -> None:
    if not ui.may_change(said=False):
        st.info("No bird is kept yet.")
        return
    st.info("No bird is kept yet. Add one, or look around with birds that do not exist.")
    with st.expander("Add a bird"):
        bird_form(None)
    st.caption(
        "The invented birds stay among your own; this cannot be undone. To keep them apart, start "
        "the program with FIELDMARKS_STORE set to another folder."
    )
    if st.button("Fill with an invented club of 40 birds"):
        with st.spinner("Painting and measuring 40 invented birds ..."):
            invented.fill_with_invented_club(ui.store(), ui.tables())
        ui.done_next_run(f"Here is the {invented.CLUB}.")


def _list() -> None:
    rows, seen = ui.tables(), ui.store()
    with st.container(key="list_filter"):
        words, show, species, variety = st.columns(4)
    wanted = collection.Filter(
        words=words.text_input("Name or ring", key="list_words"),
        species=ui.choose_row("Species", rows.species, "list_species", "all", place=species),
        variety=ui.choose_row("Variety", rows.varieties, "list_variety", "all", place=variety),
        show=show.selectbox("Show", collection.SHOWS, key="list_show"),
        with_gone=st.checkbox("Also birds given away or dead", key="list_gone"),
    )
    total = collection.list_birds(seen, wanted, date.today(), count=0).total
    pages = math.ceil(total / ROWS)
    number = 1
    if pages > 1:
        number = st.number_input(f"Page, of {pages}", 1, pages, key=f"page_of_{pages}", width=160)
    found = collection.list_birds(seen, wanted, date.today(), (number - 1) * ROWS, ROWS)
    st.caption(f"{ui.count_of(found.total, 'bird')} in this list")
    if not found.total:
        st.write("No bird matches. Loosen what is asked for above.")
    labels = bird_labels(row.bird for row in found.rows)
    with st.container(gap="small", key="bird_list"):
        for row in found.rows:
            _row(row, labels[row.bird.id])
    made = partial(collection.collection_csv, seen, wanted, date.today())
    ui.save_button("This list as CSV", made, "birds.csv")


def _row(row: collection.CollectionRow, label: str) -> None:
    with st.container(border=True):
        left, right = st.columns([1, 3], vertical_alignment="center", gap="small")
    if left.button(ui.literal(label), key=f"open_{row.bird.id}", width="stretch"):
        st.session_state.life_bird = row.bird.id
        st.rerun()
    facts = html.escape(ui.kind_words(row.bird))
    if row.last_day:
        facts += f", <span class='fm-whole'>last look {row.last_day}</span>"
    due = row.look_due is not None and row.look_due <= date.today()
    notes = (
        ("bad", "! signs seen", row.signs_seen),
        ("doubt", "? open doubts", row.doubts),
        ("doubt", "↻ look now" if row.last_day else "↻ never measured", due),
    )
    told = [f"<span class='fm-{css} fm-whole'>{note}</span>" for css, note, is_so in notes if is_so]
    right.html(f"{facts} {' '.join(told)}")


def _put_back(birds: list[Bird]) -> None:
    labels = bird_labels(birds)
    for bird in birds:
        ui.say(f"{labels[bird.id]}: {bird.withdrawn}")
        if st.button(f"Put {ui.literal(labels[bird.id])} back", key=f"back_{bird.id}"):
            with ui.errors_told():
                ui.store().save(dataclasses.replace(bird, withdrawn=""))
                ui.done_next_run(f"{bird.label} is on the list again.")


@ui.errors_told()
def _take_list() -> None:
    st.caption(
        "The first row names the columns: name, ring, hatched, species, variety, sex, father, "
        "mother ... Nothing is imported before you say so."
    )
    turn = st.session_state.get("list_turn", 0)
    chosen = st.file_uploader("Your list", type=["csv", "txt"], key=f"list_file_{turn}")
    if chosen is None:
        return
    looked_through, preview = st.session_state.get("list_preview", ("", None))
    if looked_through != chosen.file_id:  # a long list takes its time: once is enough
        with st.spinner("Looking through the list ..."):
            kept, shape = ui.store().birds(), ui.store().setting(RING_PATTERN)
            preview = listfile.preview_list(chosen.getvalue(), kept, ui.tables(), shape)
        st.session_state.list_preview = chosen.file_id, preview
    st.write(f"{ui.count_of(len(preview.birds), 'bird')} can be imported.")
    if preview.birds:
        st.table([_preview_row(bird) for _, bird in preview.birds[:PREVIEWED]])
        if len(preview.birds) > PREVIEWED:
            st.caption(f"... and {len(preview.birds) - PREVIEWED} more.")
    ui.bullets("Rows with problems", [str(p) for p in preview.problems])
    if preview.unknown:
        st.caption(f"Nothing is done with these columns: {ui.literal(', '.join(preview.unknown))}.")
    agreed = True
    if preview.problems:
        agreed = st.checkbox("Leave the rows with problems out")
    if st.button("Import them", disabled=not (agreed and preview.birds), type="primary"):
        with st.spinner("Importing ..."):
            count = listfile.accept_list(ui.store(), preview, leave_out_bad=agreed)
        st.session_state.list_turn = turn + 1  # an empty place for the next list
        ui.done_next_run(f"{ui.count_of(count, 'bird')} imported.")


def _preview_row(bird: Bird) -> dict[str, str]:
    species = ui.tables().species.get(bird.species or "")
    return {
        "name": ui.literal(bird.name),
        "ring": ui.literal(bird.ring),
        "hatched": bird.hatched.isoformat() if bird.hatched else "",
        "species": species.name if species else "not known",
        "variety": bird.variety,
        "sex": ui.sex_words(bird.sex),
    }


def _backup() -> None:
    with_place = st.checkbox(
        "Photos as they were taken, with the place in them", key="backup_with_place"
    )
    st.caption(TOLD_WITH_PLACE if with_place else TOLD)
    if st.button("Pack everything into one file"):
        with (
            ui.progress("Packing birds, photos and records") as tell,
            tempfile.TemporaryDirectory() as folder,
        ):
            target, today = Path(folder) / "birds.zip", date.today().isoformat()
            with ui.errors_told():
                moved = exchange.export_store(ui.store(), target, with_place, tell)
                st.success(f"Packed: {moved}.")
                ui.save_button("Save the packed file", target.read_bytes(), f"birds-{today}.zip")
    if not ui.may_change(said=False):
        return
    chosen = st.file_uploader("Bring in such a file", type=["zip"], key="backup_file")
    st.caption(
        f"A file of more than {MAX_UPLOAD_MB} MB is brought in from a terminal: fieldmarks bird "
        "bring-in FILE. Kept photos that were lost or changed here come back with the file."
    )
    ways: dict[exchange.Prefer, str] = {
        "refuse": "stop and change nothing",
        "mine": "keep what is here",
        "theirs": "take what is in the file",
    }
    way = st.radio("Where both differ", list(ways), format_func=lambda k: ways[k], horizontal=True)
    one_bird = st.checkbox(
        "A bird in the file and another one here that have one ring are one bird: put together "
        "what is known of them",
        key="backup_one_bird",
    )
    if chosen is not None and st.button("Bring it in"):
        with ui.uploaded(chosen) as path, ui.errors_told(), ui.progress("Bringing it in") as tell:
            moved = exchange.import_store(ui.store(), path, way, one_bird, tell)
            ui.done_next_run(f"Brought in: {moved}.")


def _ring_shape() -> None:
    st.caption(f"{HELP}. Leave it empty and ring numbers are not checked.")
    person = ui.store().person
    if person is not None and person.role != "steward":
        ui.told(NOT_YOURS, st.info)
        return
    given = st.text_input("Pattern", ui.store().setting(RING_PATTERN), key="ring_pattern")
    if st.button("Save the pattern"):
        with ui.errors_told():
            ui.store().set_setting(RING_PATTERN, given.strip())
            ui.done_next_run("The pattern is saved.")
