"""Ways from one page of the app to another."""

import streamlit as st

TITLES = {
    "look": "Look at a bird",
    "buy": "Before you buy",
    "birds": "Your birds",
    "pair": "A pair?",
    "matings": "Pairs and young",
    "opinions": "Two opinions?",
}
SHOP = "asked_in_the_shop"  # what was said under Before you buy, for the next photo


def way_to(page: str, label: str = "") -> None:
    """A link to a page of ``TITLES``, under its title or a label; none where one is shown alone."""
    known = st.session_state.get("pages", {})
    if page in known:
        st.page_link(known[page], label=label or f"→ {TITLES[page]}")


def ways_on_a_phone(here: str) -> None:
    """Links to all other pages, where the list of pages on top is folded away."""
    with st.container(horizontal=True, gap="small", key="ways"):
        for page, title in TITLES.items():
            if page != here:
                way_to(page, title)
