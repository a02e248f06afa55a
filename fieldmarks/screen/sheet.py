"""Show HTML with drawings: Streamlit's own HTML element takes every SVG out."""

from __future__ import annotations

from functools import cache
from typing import Any

import streamlit as st

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
def _component() -> Any:
    return st.components.v2.component(
        "fieldmarks_sheet",
        html="<div class='fm-sheet'></div>",
        js=SCRIPT,
        isolate_styles=False,
    )


def sheet(body: str, key: str) -> None:
    """Put HTML with SVG on the page.

    Parameters
    ----------
    body : str
        HTML made by this program.
    key : str
        Unique in the page.
    """
    _component()(key=key, data={"body": body})


TO_TOP = """
export default function ({ data, parentElement }) {
  const page = parentElement.getRootNode().host?.ownerDocument ?? parentElement.ownerDocument;
  if (page.body.dataset.fmScreen === data.screen) return;
  page.body.dataset.fmScreen = data.screen;
  page.querySelector("[data-testid=stMain]")?.scrollTo(0, 0);
}
"""


@cache
def _to_top() -> Any:
    return st.components.v2.component("fieldmarks_to_top", html="<span></span>", js=TO_TOP)


def start_at_top(screen: str) -> None:
    """Show a new screen from its top, wherever the one before it was scrolled to.

    Parameters
    ----------
    screen : str
        What is shown; nothing moves while it stays the same.
    """
    _to_top()(key="to_top", data={"screen": screen})
