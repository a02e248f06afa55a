"""Keep a look: put a measured photo into a bird's moult record."""

from datetime import date

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.app.page import way_to
from fieldmarks.app.state import Work
from fieldmarks.app.turns import turns
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.model import STAGES, Bird, Stage
from fieldmarks.birds.observation import MeasuredPhoto
from fieldmarks.birds.service import WhichBirdError, keep_look, question_for
from fieldmarks.rules.tables import age_class

ASKED = "keep_asked"  # of which bird and photo the keeper is to say that it is the right one


def keep_panel(work: Work) -> None:
    """Keep the photo on the workbench, with what was measured on it, for one of the birds."""
    ui.say_done()
    if work.record is None:
        st.write("Mark the photo first.")
        return
    if ui.no_bird_yet() or not ui.may_change():
        return
    bird = ui.choose_bird("Whose photo is it?", "keep_bird")
    if bird is None:
        st.caption("Is it a new bird? Add it first.")
        way_to("birds")
        return
    st.caption(
        "It is judged as what you wrote down for this bird: its species, its variety and its age "
        "on that day."
    )
    left, middle, right = st.columns(3)
    day = ui.ask_day("When was it taken?", "day_workbench", work.taken, left)
    guess = _stage_of(bird, day)
    stage = middle.selectbox(
        "Where is it in its moults?",
        STAGES,
        index=STAGES.index(guess) if guess else None,
        placeholder="Choose",
        key=f"stage_workbench_{bird.id}",
    )
    who = right.text_input("Who measured?", key="who_workbench")
    note = st.text_input("Your own words", key="note_workbench")
    if stage is None:
        st.caption("Still to choose: where it is in its moults.")
    photos = [shown for shown in work.day.photos if shown.record is not None]
    many = f"Keep all {len(photos)} photos" if len(photos) > 1 else "Keep it"
    pressed = st.button(f"{many} in the moult record", type="primary", disabled=stage is None)
    asked = (bird.id, " ".join(shown.photo.sha256 for shown in photos))
    asked_of, doubts = st.session_state.get(ASKED, (None, ()))
    sure = False
    if stage is not None and asked_of == asked:
        st.warning(ui.literal(f"Is it {bird.label}? {' '.join(doubts)}"))
        sure = st.button(f"Yes, it is {ui.literal(bird.label)}. Keep it", key=f"sure_{bird.id}")
    if stage is None or not (pressed or sure):
        return
    rows = ui.tables()
    with ui.errors_told():
        try:
            with st.spinner("Measuring ..."), turns.turn(first=True):
                question = question_for(bird, day, stage, rows)
                measured = [
                    MeasuredPhoto(shown.data, shown.record_as(question)) for shown in photos
                ]
                entry = keep_look(ui.store(), bird, measured, rows, day, stage, who, note, sure)
        except WhichBirdError as asks:
            st.session_state[ASKED] = asked, asks.doubts
            st.rerun()
        st.session_state.pop(ASKED, None)
        ui.done_next_run(f"Kept as entry {entry.number} of {bird.label}. {entry.said}")


def add_look_panel() -> None:
    """The way to a new look of a bird: the workbench."""
    if not ui.may_change():
        return
    st.caption(
        "Mark the photos on the page *Look at a bird* and open *Keep* there. A region file saved "
        "with a photo is opened there too."
    )
    way_to("look")


def _stage_of(bird: Bird, day: date) -> Stage | None:
    """The latest stage that fits the age of a bird on a day; None when its age is not known."""
    if bird.hatched is None or day < bird.hatched:
        return None
    age = age_class(ui.tables(), bird.hatched, day)
    fitting = [stage for stage in STAGES if advice_table().stage_ages[stage] == age]
    return fitting[-1] if fitting else None
