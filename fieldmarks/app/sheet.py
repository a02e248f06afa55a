"""Show HTML with drawings: Streamlit's own HTML element takes every SVG out."""

import html
import re
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit import runtime

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
def component(name: str, body: str, script: str, css: str | None = None) -> Any:
    """A component with a look of its own, or else with that of the page."""
    return st.components.v2.component(
        f"fieldmarks_{name}", html=body, js=script, css=css, isolate_styles=css is not None
    )


def joined(*files: Path) -> str:
    """JavaScript files in one scope, without imports and exports: no build step is needed."""
    text = "\n".join(file.read_text(encoding="utf-8") for file in files)
    text = re.sub(r"^import .*?;\n", "", text, flags=re.MULTILINE | re.DOTALL)
    return re.sub(r"^export (?!default)", "", text, flags=re.MULTILINE)


def address_of(jpeg: bytes, key: str) -> str:
    """Address of a JPEG in Streamlit's media store, the same as long as the picture is.

    One picture is kept per ``key``, which is unique in the page.
    """
    path = runtime.get_instance().media_file_mgr.add(jpeg, "image/jpeg", f"fieldmarks-{key}")
    base = str(st.get_option("server.baseUrlPath") or "").strip("/")
    return f"/{base}{path}" if base else path


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
