"""The fieldmarks app. Start it with ``fieldmarks show``."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager

import streamlit as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app import bird, day, findings, look, marking, sign_in, takeaway
from fieldmarks.app.birds.birds import birds_page
from fieldmarks.app.birds.buying import buying_page
from fieldmarks.app.birds.dispute import dispute_page
from fieldmarks.app.birds.keep import keep_panel
from fieldmarks.app.birds.pairs import mating_page, pairing_page
from fieldmarks.app.birds.shared import store, told
from fieldmarks.app.club import club_page
from fieldmarks.app.lasting import set_aside
from fieldmarks.app.page import TITLES, bar, page
from fieldmarks.app.start import start_screen
from fieldmarks.app.state import Work

_log = logging.getLogger(__name__)


def workbench(work: Work) -> None:
    """The photo on one side, what was found on the other; stacked on a phone."""
    left, right = st.columns([6, 5], gap="large")
    with left, st.container(key="photo_side"):
        day.photo_switch(work)
        day.say_refused()
        marking.photo_panel(work)
        marking.card_panel(work)
        day.more_photos(work)
        marking.drawing_panel(work)
        if work.story:
            st.caption(f"An invented bird, painted: {work.story}")
        if st.button("← Another bird", key="another"):
            put_aside()
    with right:
        findings.verdict_card(work)
        sections(work)
    if work.day.verdict is not None and work.day.is_read:
        bar(findings.verdict_line(work.day.verdict), work.day.verdict.tone)


def put_aside() -> None:
    """Back to the first screen; the photo can be taken up again there."""
    st.session_state.put_aside = st.session_state.pop("work")
    st.rerun()


def sections(work: Work) -> None:
    """What was found, by subject. Only the open one is worked out, so that drawing stays quick."""
    panels = {
        "Details": findings.details_panel,
        "The bird": bird.bird_panel,
        "Take away": takeaway.take_away_panel,
        "Keep": keep_panel,
        "Keep in mind": findings.cautions_panel,
        "Words": findings.words_panel,
    }
    for tab, (name, panel) in zip(
        st.tabs(list(panels), key="section", on_change="rerun"), panels.items(), strict=True
    ):
        if tab.open and (work.day.judged is not None or name in ("The bird", "Words")):
            with tab:
                panel(work)


def measuring_page() -> None:
    """A photo to choose, then the workbench."""
    work: Work | None = st.session_state.get("work")
    if work is None:
        page("start", offer="put_aside" not in st.session_state)
        start_screen()
        return
    photos = [(one.given, len(one.data)) for one in work.day.photos]
    if page(f"{work.photo.sha256} {work.looks}", photos):
        put_aside()
    workbench(work)


@contextmanager
def guarded() -> Iterator[None]:
    """Show a fault on the page; what was drawn before it stays.

    Streamlit's own signals to stop or run again pass: they are no ``Exception``.
    """
    try:
        yield
    except FieldmarksError as error:
        told(error)
    except Exception as error:
        # The one who runs the app finds where it happened beside it, in the terminal.
        _log.exception("a page could not be drawn")
        told(
            FieldmarksError(
                f"an unexpected fault ({type(error).__name__}: {error})",
                mend="Nothing that was kept is lost. Load the page again, and please report it",
            )
        )


def main() -> None:
    """Draw the page that is open."""
    set_aside()
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
    st.session_state.pages = dict(pages)  # for the ways from one to another
    with guarded():
        seen = store()  # or nothing is drawn
        if sign_in.door is not None and sign_in.door.way != "open":
            if seen.person is not None and seen.person.role == "steward":
                pages["club"] = st.Page(club_page, title="The club", url_path="club")
            pages["out"] = st.Page(st.logout, title="Sign out", url_path="sign-out")
        st.navigation(list(pages.values()), position="top").run()


if __name__ == "__main__":
    main()
