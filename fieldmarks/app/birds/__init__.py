"""Screens of a bird's life; each page is a function for ``st.Page``."""
