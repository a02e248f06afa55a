"""The pages of a bird's life alone, for browser tests; the app mounts the same functions."""

import streamlit as st

from fieldmarks.app import look
from fieldmarks.app.birds.birds import birds_page
from fieldmarks.app.birds.buying import buying_page
from fieldmarks.app.birds.dispute import dispute_page
from fieldmarks.app.birds.keep import keep_panel
from fieldmarks.app.birds.pairs import mating_page, pairing_page
from fieldmarks.app.lasting import set_aside
from fieldmarks.app.state import open_demo
from fieldmarks.pipeline import demo_birds
from fieldmarks.rules import load_rules


def keep_page() -> None:
    """A demo bird with its marks drawn, as on the workbench, to be kept."""
    if "work" not in st.session_state:
        path = demo_birds()["personatus_orange_collar"]
        st.session_state.work = open_demo(load_rules(), path, with_regions=True)
    st.title("Keep this look")
    keep_panel(st.session_state.work)


def anew() -> None:
    """As if the app had just been opened, without loading it: go on to another page."""
    st.session_state.clear()
    st.title("Begun anew")


set_aside()
st.set_page_config(page_title="fieldmarks", layout="wide")
look.dress()
pages = {
    "Your birds": birds_page,
    "Before you buy": buying_page,
    "A pair?": pairing_page,
    "Pairs and young": mating_page,
    "Two opinions?": dispute_page,
    "Keep this look": keep_page,
    "Begin anew": anew,
}
st.navigation(
    [st.Page(page, title=title, url_path=page.__name__) for title, page in pages.items()]
).run()
