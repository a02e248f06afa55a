"""Screens of a bird's life; each page is a function for ``st.Page``."""

from fieldmarks.app.birds.birds import birds_page
from fieldmarks.app.birds.buying import buying_page
from fieldmarks.app.birds.dispute import dispute_page
from fieldmarks.app.birds.keep import keep_panel
from fieldmarks.app.birds.pairs import mating_page, pairing_page

__all__ = [
    "birds_page",
    "buying_page",
    "dispute_page",
    "keep_panel",
    "mating_page",
    "pairing_page",
]
