"""The fieldmarks app. Start it with ``fieldmarks show``."""

from __future__ import annotations

import streamlit as st

from fieldmarks.screen import bird, findings, look, marking, takeaway
from fieldmarks.screen.start import start_screen
from fieldmarks.screen.state import Work
from fieldmarks.tables import Tables, load_tables


@st.cache_resource(show_spinner=False)
def tables() -> Tables:
    """The rule tables: the same for everyone, never changed by anyone."""
    return load_tables()


def workbench(work: Work) -> None:
    """The photo on one side, what was found on the other; stacked on a phone."""
    left, right = st.columns([6, 5], gap="large")
    with left:
        if st.button("← Another photo", key="another"):
            st.session_state.work = Work(tables())
            st.session_state.uploads = st.session_state.get("uploads", 0) + 1
            st.rerun()
        if work.story:
            st.caption(f"Invented bird. {work.story}")
        marking.photo_panel(work)
        findings.next_panel(work)
        marking.card_panel(work)
        marking.drawing_panel(work)
    with right:
        findings.verdict(work)
        names = ["Species", "Signs", "Colours", "The bird", "Take away", "Words"]
        species, signs, colours, about, away, words = st.tabs(names)
        with about:
            bird.bird_panel(work)
        if work.record is not None:
            with species:
                findings.species_panel(work)
            with signs:
                findings.signs_panel(work)
            with colours:
                findings.colours_panel(work)
            with away:
                takeaway.take_away_panel(work)
            st.subheader("Keep in mind", anchor=False)
            findings.cautions_panel(work)
        with words:
            findings.words_panel()


def main() -> None:
    """Draw the page."""
    st.set_page_config(page_title="fieldmarks", layout="wide")
    look.dress()
    work: Work = st.session_state.setdefault("work", Work(tables()))
    if work.photo is None:
        start_screen(work)
    else:
        workbench(work)


main()
