"""Show HTML with drawings: Streamlit's own HTML element takes every SVG out."""

from __future__ import annotations

import html
from functools import cache
from typing import Any

import streamlit as st

from fieldmarks.app.marker.component import address_of

# Only text made by this program comes here; whatever a keeper typed is escaped where it is put in.
SCRIPT = """
export default function ({ data, parentElement }) {
  const place = parentElement.querySelector(".fm-sheet");
  if (place.dataset.shown !== data.body) {
    place.innerHTML = data.body;
    place.dataset.shown = data.body;
  }
}
"""


@cache
def component(name: str, body: str, script: str) -> Any:
    """A component of the page itself, which takes its look from the page."""
    return st.components.v2.component(
        f"fieldmarks_{name}", html=body, js=script, isolate_styles=False
    )


def sheet(body: str, key: str) -> None:
    """Put HTML with SVG, made by this program, on the page; ``key`` is unique in it."""
    component("sheet", "<div class='fm-sheet'></div>", SCRIPT)(key=key, data={"body": body})


def fold(title: str, body: str, look: str = "") -> str:
    """HTML under a title that opens it."""
    return f"<details class='fm-entry {look}'><summary>{title}</summary>{body}</details>"


def picture(jpeg: bytes, alt: str, key: str, caption: str = "") -> None:
    """Put a picture on the page; ``alt`` says what it shows, ``key`` is unique in the page."""
    below = f"<figcaption>{html.escape(caption)}</figcaption>" if caption else ""
    st.html(
        f"<figure class='fm-picture'><img src='{html.escape(address_of(jpeg, key))}' "
        f"alt='{html.escape(alt)}'>{below}</figure>"
    )
