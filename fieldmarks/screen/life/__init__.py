"""Screens of a bird's life; each page is a function for ``st.Page``."""

from fieldmarks.screen.life.birds import birds_page
from fieldmarks.screen.life.buying import buying_page
from fieldmarks.screen.life.dispute import dispute_page
from fieldmarks.screen.life.keep import keep_panel
from fieldmarks.screen.life.mating import mating_page
from fieldmarks.screen.life.pairing import pairing_page

__all__ = [
    "birds_page",
    "buying_page",
    "dispute_page",
    "keep_panel",
    "mating_page",
    "pairing_page",
]
