"""The fieldmarks app. Start it with ``fieldmarks show``."""

from __future__ import annotations

import streamlit as st

from fieldmarks.app import bird, findings, look, marking, takeaway
from fieldmarks.app.birds import (
    birds_page,
    buying_page,
    dispute_page,
    keep_panel,
    mating_page,
    pairing_page,
)
from fieldmarks.app.birds.shared import tables
from fieldmarks.app.guard import guarded
from fieldmarks.app.sheet import start_at_top
from fieldmarks.app.start import start_screen
from fieldmarks.app.state import Work
from fieldmarks.app.ways import TITLES, remember_pages


def workbench(work: Work) -> None:
    """The photo on one side, what was found on the other; stacked on a phone."""
    left, right = st.columns([6, 5], gap="large")
    with left:
        if st.button("← Another photo", key="another"):
            st.session_state.put_aside = work
            st.session_state.work = Work(tables())
            st.rerun()
        marking.instruction(work)
        findings.next_panel(work)
        marking.photo_panel(work)
        findings.verdict(work, "fm-narrow")
        marking.card_panel(work)
        marking.drawing_panel(work)
        if work.story:
            st.caption(f"Invented bird. {work.story}")
    with right:
        findings.verdict(work, "fm-wide")
        findings.variety_panel(work)
        sections(work)
        if work.record is not None:
            st.subheader("Keep in mind", anchor=False)
            findings.cautions_panel(work)


def sections(work: Work) -> None:
    """What was found, by subject. Only the open one is worked out, so that drawing stays quick."""
    panels = {
        "Species": findings.species_panel,
        "Signs": findings.signs_panel,
        "Colours": findings.colours_panel,
        "The bird": bird.bird_panel,
        "Take away": takeaway.take_away_panel,
        "Keep": keep_panel,
        "Words": findings.words_panel,
    }
    for tab, (name, panel) in zip(
        st.tabs(list(panels), key="section", on_change="rerun"), panels.items(), strict=True
    ):
        if tab.open and (work.record is not None or name in ("The bird", "Words")):
            with tab:
                panel(work)


def measuring_page() -> None:
    """A photo to choose, then the workbench."""
    work: Work = st.session_state.setdefault("work", Work(tables()))
    start_at_top(work.photo.sha256 if work.photo else "start")
    if work.photo is None:
        start_screen(work)
    else:
        workbench(work)


def main() -> None:
    """Draw the page that is open."""
    st.set_page_config(page_title="fieldmarks", layout="wide")
    look.dress()
    drawn_by = {
        "look": measuring_page,
        "buy": buying_page,
        "birds": birds_page,
        "pair": pairing_page,
        "matings": mating_page,
        "opinions": dispute_page,
    }
    pages = {
        key: st.Page(draw, title=TITLES[key], url_path=key, default=key == "look")
        for key, draw in drawn_by.items()
    }
    remember_pages(pages)
    with guarded():
        st.navigation(list(pages.values()), position="top").run()


if __name__ == "__main__":
    main()
