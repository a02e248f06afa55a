"""The page round the app: its scroll place, the Back button, the line at its foot, ways on."""

from collections.abc import Sequence
from pathlib import Path

import streamlit as st

from fieldmarks.app.serve import MAX_UPLOAD_MB
from fieldmarks.app.sheet import component, joined

TITLES = {
    "look": "Look at a bird",
    "buy": "Before you buy",
    "birds": "Your birds",
    "pair": "A pair?",
    "matings": "Pairs and young",
    "opinions": "Two opinions?",
}
SHOP = "asked_in_the_shop"  # what was said under Before you buy, for the next photo
PAGE = """
<p class='fm-too-large' role='alert' hidden></p>
<div class='fm-continue' hidden><button class='fm-strong'></button><button>Forget it</button></div>
"""
HERE = Path(__file__).parent
SCRIPT = joined(HERE / "marker" / "front" / "stored.js", HERE / "page.js")
FOOT = "<button class='fm-bar' type='button'><span></span></button>"
SMALLER = "send_smaller"  # whether the keeper wants photos made smaller before they are sent
BAR = """
export default function ({ data, parentElement }) {
  const bar = parentElement.querySelector(".fm-bar");
  const page = parentElement.ownerDocument;
  bar.className = `fm-bar fm-is-${data.tone}`;
  bar.querySelector("span").textContent = data.line;
  bar.onclick = () => {
    const card = page.querySelector(".fm-verdict");
    const main = page.querySelector("[data-testid=stMain]");
    const { top } = card.getBoundingClientRect();
    const low = top > page.defaultView.innerHeight / 3;
    main.scrollTo({ top: low ? main.scrollTop + top - 66 : 0 });
  };
}
"""


def page(screen: str, photos: Sequence[tuple[str, int]] = (), *, offer: bool = False) -> bool:
    """Look after the page; whether the keeper pressed the browser's Back.

    Args:
        screen: What is shown: a new one is shown from its top.
        photos (sequence of (str, int)): Names and bytes of the files that are open. If any, Back
            leads to the first screen and not out of the app.
        offer: Offer to continue what was drawn last in this browser.
    """
    data = {"screen": screen, "photos": photos, "offer": offer, "limit": MAX_UPLOAD_MB,
            "smaller": bool(st.session_state.get(SMALLER))}  # fmt: skip
    result = component("page", PAGE, SCRIPT)(key="page", data=data, on_back_change=lambda: None)
    return bool(result.back)


def bar(line: str, tone: str) -> None:
    """The verdict in one line at the foot of a phone's screen; a press shows all of it."""
    with st.container(key="bar"):
        component("bar", FOOT, BAR)(key="bar_line", data={"line": line, "tone": tone})


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
