"""The pages of a bird's life alone, for browser tests; the app mounts the same functions."""

import streamlit as st

from fieldmarks.screen import look
from fieldmarks.screen.life import (
    birds_page,
    buying_page,
    dispute_page,
    mating_page,
    pairing_page,
)

st.set_page_config(page_title="fieldmarks", layout="wide")
look.dress()
pages = {
    "Your birds": birds_page,
    "Before you buy": buying_page,
    "A pair?": pairing_page,
    "Test matings": mating_page,
    "Two opinions?": dispute_page,
}
st.navigation([st.Page(page, title=title) for title, page in pages.items()]).run()
