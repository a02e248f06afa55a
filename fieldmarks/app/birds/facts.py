"""A form with the facts of a bird."""

from __future__ import annotations

import dataclasses
from datetime import date
from typing import Any

import streamlit as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds.shared import choose_bird, done_next_run, store, tables, told
from fieldmarks.birds.model import EARLIEST, RING_KINDS, SEXES, Bird, new_id
from fieldmarks.birds.ring import check_ring, read_pattern
from fieldmarks.birds.service import save_bird

UNKNOWN = "not known"
SHORT, LONG = 200, 4000  # letters; see the fields of Bird
TURN = "new_bird_turn"
STATUSES = ("here", "given away", "dead")


def bird_form(bird: Bird | None) -> None:
    """Ask for the facts of a new bird, or change those of one."""
    # After a bird is saved the next one gets an empty form; after a mistake nothing is lost.
    key = bird.id if bird else f"new_{st.session_state.get(TURN, 0)}"
    old = bird or Bird(new_id(), "")
    rows = tables()
    species = [None, *rows.species]
    with st.form(f"facts_{key}", border=False):
        left, right = st.columns(2)
        with left:
            values: dict[str, Any] = {
                "name": _text("Name", old.name),
                "ring": _text("Ring number", old.ring),
                "ring_kind": _choice("Ring", RING_KINDS, old.ring_kind),
                "ring_year": st.number_input("Year on the ring", 1950, 2200, old.ring_year),
                "hatched": _hatched(old, key),
                "hatch_known": _choice("The hatch date is", ("exact", "estimate"), old.hatch_known),
            }
        with right:
            values |= {
                "species": st.selectbox(
                    "Said to be",
                    species,
                    index=species.index(old.species) if old.species in species else 0,
                    format_func=lambda k: rows.species[k].called if k else UNKNOWN,
                ),
                "variety": st.selectbox(
                    "Colour variety",
                    list(rows.varieties),
                    index=_place(list(rows.varieties), old.variety),
                    format_func=lambda k: rows.varieties[k].called,
                ),
                "split_for": tuple(
                    st.multiselect(
                        "Split for (it carries them without showing them)",
                        list(rows.varieties),
                        [k for k in old.split_for if k in rows.varieties],
                        format_func=lambda k: rows.varieties[k].name,
                    )
                ),
                "sex": _choice("Sex", SEXES, old.sex),
                "sex_by": _text("Sex known by (a DNA test, an egg ...)", old.sex_by),
                "source": _text("Breeder or seller", old.source),
                "status": _choice("Where is it now?", STATUSES, old.status),
            }
        values["promised"] = _text("What was promised", old.promised)
        values["notes"] = st.text_area("Notes", old.notes, max_chars=LONG)
        pressed = st.form_submit_button("Save the bird", type="primary")
    if pressed:
        _save(old, values)


def parents_form(bird: Bird) -> None:
    """Set the parents of a bird, or take one off."""
    father = choose_bird("Father", f"father_{bird.id}", bird.id, bird.father)
    mother = choose_bird("Mother", f"mother_{bird.id}", bird.id, bird.mother)
    keys = (father.id if father else None, mother.id if mother else None)
    changed = keys != (bird.father, bird.mother)
    if changed and st.button("Save the parents", key=f"save_parents_{bird.id}"):
        try:
            save_bird(store(), dataclasses.replace(bird, father=keys[0], mother=keys[1]))
        except FieldmarksError as error:
            told(error)
        else:
            done_next_run("The parents are saved.")


def take_off_form(bird: Bird) -> bool:
    """Take a bird that was added by mistake off the list; whether that was done."""
    st.caption(
        "For a bird that was added by mistake. It stays on record with its looks, and the list has "
        "a place to put it back. A bird that left you or died is told under *Where is it now?*."
    )
    with st.form(f"take_off_{bird.id}", border=False):
        why = st.text_input("Take it off the list, because ...", max_chars=SHORT)
        pressed = st.form_submit_button("Take it off the list")
    if not pressed:
        return False
    try:
        store().withdraw(bird, why)
    except FieldmarksError as error:
        told(error)
        return False
    return True


def _save(old: Bird, values: dict[str, Any]) -> None:
    try:
        check_ring(values["ring"], read_pattern(store().folder))
        saved = save_bird(store(), dataclasses.replace(old, **values))
    except FieldmarksError as error:
        told(error)
    else:
        st.session_state[TURN] = st.session_state.get(TURN, 0) + 1
        done_next_run(f"{saved.label} is saved.")


def _hatched(old: Bird, key: str) -> date | None:
    """Ask for the hatch date; it can be taken off, and one that cannot be is left empty."""
    place = f"hatched_{key}"
    known = old.hatched
    if known is not None and not EARLIEST <= known <= date.today():
        st.warning(f"The hatch date {known.isoformat()} cannot be right. Correct it.")
    elif place not in st.session_state:
        st.session_state[place] = known  # as a default value it could not be taken off
    day: date | None = st.date_input(
        "Hatched", None, min_value=EARLIEST, max_value=date.today(), key=place
    )
    return day


def _text(label: str, now: str) -> str:
    return st.text_input(label, now, max_chars=SHORT)


def _choice(label: str, options: tuple[str, ...], now: str) -> str:
    return str(st.selectbox(label, options, index=_place(list(options), now)))


def _place(options: list[str], now: str) -> int:
    return options.index(now) if now in options else 0
