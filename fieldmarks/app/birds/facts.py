"""A form with the facts of a bird."""

import dataclasses
from collections.abc import Sequence
from datetime import date
from typing import Any

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.birds.model import EARLIEST, RING_KINDS, SEXES, STATUSES, Bird, new_id
from fieldmarks.birds.service import save_bird
from fieldmarks.birds.writing import ConflictError, differences

SHORT, LONG = 200, 4000  # letters; see the fields of Bird
TURN = "facts_turn"  # rises whenever a form is to start afresh
OPENED = "facts_opened"  # the bird as it was when its form was opened
CLASH = "facts_clash"  # a save that met another one


def forget_opened() -> None:
    """Open the form of a bird afresh the next time."""
    st.session_state.pop(OPENED, None)
    st.session_state.pop(CLASH, None)


def _start_afresh() -> None:
    """Let the forms hold what is saved, not what was typed."""
    forget_opened()
    st.session_state[TURN] = st.session_state.get(TURN, 0) + 1


def bird_form(bird: Bird | None) -> None:
    """Ask for the facts of a new bird, or change those of one."""
    if bird is None:
        # After a bird is saved the next one gets an empty form; after a mistake nothing is lost.
        _form(Bird(new_id(), ""), f"new_{st.session_state.get(TURN, 0)}")
        return
    opened = st.session_state.get(OPENED)
    if opened is None or opened.id != bird.id:
        forget_opened()
        st.session_state[OPENED] = opened = bird
    if clash := st.session_state.get(CLASH):
        _choose(*clash)
        return
    if bird.revision != opened.revision:
        st.info("This bird was changed elsewhere since you opened it here. Nothing is lost yet.")
        if st.button("Show it as it is now (what you typed here goes)", key=f"newest_{bird.id}"):
            _start_afresh()
            st.rerun()
    # What is typed stays until it is saved, whatever happens to the bird elsewhere meanwhile.
    _form(opened, f"{opened.id}_{st.session_state.get(TURN, 0)}")


def _form(old: Bird, key: str) -> None:
    rows, values = ui.tables(), dict[str, Any]()

    def ask(name: str, label: str, options: Sequence[str] = ()) -> None:
        now = getattr(old, name)
        if options:
            values[name] = st.selectbox(label, options, index=options.index(now))
        else:
            values[name] = st.text_input(label, now, max_chars=SHORT)

    with st.form(f"facts_{key}", border=False):
        left, right = st.columns(2)
        with left:
            ask("name", "Name")
            ask("ring", "Ring number")
            ask("ring_kind", "Ring", RING_KINDS)
            values["ring_year"] = st.number_input("Year on the ring", 1950, 2200, old.ring_year)
            values["hatched"] = _hatched(old, key)
            ask("hatch_known", "The hatch date is", ("exact", "estimate"))
        with right:
            values["species"] = ui.choose_row(
                "Said to be", rows.species, None, "not known", old.species
            )
            values["variety"] = ui.choose_row("Colour variety", rows.varieties, now=old.variety)
            split = st.multiselect(
                "Split for (it carries them without showing them)",
                list(rows.varieties),
                [k for k in old.split_for if k in rows.varieties],
                format_func=lambda k: rows.varieties[k].name,
            )
            values["split_for"] = tuple(split)
            ask("sex", "Sex", SEXES)
            ask("sex_by", "Sex known by (a DNA test, an egg ...)")
            ask("source", "Breeder or seller")
            ask("status", "Where is it now?", STATUSES)
        ask("promised", "What was promised")
        values["notes"] = st.text_area("Notes", old.notes, max_chars=LONG)
        pressed = st.form_submit_button("Save the bird", type="primary")
    if pressed:
        _save(dataclasses.replace(old, **values))


def _choose(here: Bird, mine: Bird) -> None:
    """Show both texts of a bird that was changed twice, and let the keeper choose."""
    st.warning(
        "This bird was changed elsewhere while you wrote. Nothing is saved yet: choose what counts."
    )
    opened = st.session_state[OPENED]
    values: dict[str, Any] = {}
    for name, theirs, ours in differences(here, mine):
        said = [f"yours: {ours or '(empty)'}", f"as it is now: {theirs or '(empty)'}"]
        chosen = st.radio(
            name.replace("_", " "),
            (0, 1),
            index=int(getattr(mine, name) == getattr(opened, name)),  # not touched here
            format_func=[ui.literal(words) for words in said].__getitem__,
            key=f"clash_{here.id}_{here.revision}_{name}",
        )
        values[name] = getattr((mine, here)[chosen], name)
    if st.button("Save what I chose", type="primary"):
        _save(dataclasses.replace(here, **values))


def parents_form(bird: Bird) -> None:
    """Set the parents of a bird, or take one off."""
    ui.changed_elsewhere(f"parents of {bird.id}", [bird])
    place = f"{bird.id}_{bird.revision}"  # what was chosen for an earlier state does not stay
    father = ui.choose_bird("Father", f"father_{place}", bird.id, bird.father)
    mother = ui.choose_bird("Mother", f"mother_{place}", bird.id, bird.mother)
    keys = (father.id if father else None, mother.id if mother else None)
    wanted = dataclasses.replace(bird, father=keys[0], mother=keys[1])
    if wanted != bird and st.button("Save the parents", key=f"save_parents_{place}"):
        opened = st.session_state.get(OPENED)
        with ui.errors_told():
            saved = save_bird(ui.store(), wanted)
            if opened == bird:  # our own change: the form above goes on from it
                st.session_state[OPENED] = saved
            ui.done_next_run("The parents are saved.")


def take_off_form(bird: Bird) -> bool:
    """Take a bird that was added by mistake off the list; whether that was done."""
    st.caption(
        "For a bird that was added by mistake. It stays on record with its looks, and the list has "
        "a place to put it back. A bird that left you or died is told under *Where is it now?*."
    )
    with st.form(f"take_off_{bird.id}", border=False):
        why = st.text_input("Take it off the list, because ...", max_chars=SHORT)
        pressed = st.form_submit_button("Take it off the list")
    if pressed:
        with ui.errors_told():
            ui.store().withdraw(st.session_state.get(OPENED, bird), why)
            return True
    return False


def _save(bird: Bird) -> None:
    with ui.errors_told():
        try:
            saved = save_bird(ui.store(), bird)
        except ConflictError as clash:
            st.session_state[CLASH] = (clash.here, clash.mine)
            st.rerun()
        _start_afresh()
        ui.done_next_run(f"{saved.label} is saved.")


def _hatched(old: Bird, key: str) -> date | None:
    """Ask for the hatch date; it can be taken off, and one that cannot be is left empty."""
    place = f"hatched_{key}"
    known = old.hatched
    if known is not None and not EARLIEST <= known <= date.today():
        st.warning(f"The hatch date {known.isoformat()} cannot be right. Correct it.")
    elif place not in st.session_state:
        st.session_state[place] = known  # as a default value it could not be taken off
    day: date | None = ui.ask_day("Hatched", place)
    return day
