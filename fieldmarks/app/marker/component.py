"""The Streamlit side of the drawing: mounts the browser part and hands its events to Python.

Python keeps the truth. The browser shows a change at once, sends it when the finger is lifted, and
takes over whatever Python answers with. Three things keep the photo from flickering or jumping:

* the component has a fixed key, so Streamlit keeps its place in the page and only passes new data;
* the picture goes out once, as a file of Streamlit's media store under an address that is a hash of
  its content; the browser gets only that address again;
* every event has a serial number and Python says which it has dealt with, so that an answer to an
  older event never undoes a newer stroke.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import streamlit as st
from PIL import Image

from fieldmarks._util.errors import RegionError
from fieldmarks.app.marker.wire import MarkerEvent, Offer, event_from_wire, region_to_wire
from fieldmarks.app.sheet import address_of, component, joined
from fieldmarks.measure.region import Region, RegionSet
from fieldmarks.report.picture import to_jpeg

FRONT = Path(__file__).parent / "front"
SCRIPTS = (
    "letters", "shapes", "stroke", "view", "stored", "memory", "ink", "loupe", "tasks", "hand",
    "actions", "panel", "asking", "marker",
)  # fmt: skip
DASHES = {"card": "long", "scale": "dot", "size": "dot"}
"""Kind of mark -> dash of its outline; marks on the bird are drawn solid."""
PASSED_ON = ("note", "aside", "coming", "odd", "taps", "beside")


@dataclass(frozen=True, kw_only=True)
class Board:
    """What is shown to draw on."""

    jpeg: bytes  # the photo reduced for the screen; kept, so that it is not made anew in every run
    regions: RegionSet  # to show, with the size of the full photo, in whose pixels they are
    # What can be drawn: key, name, look, shape ("area" or "line"), kind, which decides the dash of
    # the outline, eye (true of what no label may hide), whole (where a tap would find only a part).
    marks: Sequence[Mapping[str, Any]]
    current: str  # key of the mark drawn next
    drawing: str = ""  # SVG that shows where that mark lies on a bird
    suggestion: Region | None = None  # shown dotted with "Keep it" and "Drop it"
    offers: Sequence[Offer] = ()  # a tap drops one, one press keeps the rest
    note: str = ""  # shown and spoken below the photo, such as why no outline was found
    # A few words the browser remembers with the drawing, and gives back with it.
    aside: Mapping[str, str] = field(default_factory=dict)
    coming: Sequence[str] = ()  # marks to ask for in turn, as soon as one is drawn or passed over
    odd: Sequence[str] = ()  # marks that speak against the bird, to be shown so on the photo
    # Places to be tapped first, each a key and a name; all of them arrive in one "taps" event.
    taps: Sequence[Mapping[str, str]] = ()
    beside: Sequence[str] = ()  # photo_key of others of the day on which nothing is drawn yet


def reduced_jpeg(image: Image.Image, longest: int = 1600) -> bytes:
    """An upright photo small enough to send, its longer side of so many pixels at most, as JPEG."""
    small = image.convert("RGB")
    small.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    return to_jpeg(small, 85)


def photo_key(jpeg: bytes) -> str:
    """What the browser knows a photo by: a fingerprint of the picture sent to it."""
    return hashlib.sha256(jpeg).hexdigest()[:16]


def marker(board: Board, key: str, on_event: Callable[[MarkerEvent], None]) -> None:
    """Show a photo to draw on.

    Args:
        key: Streamlit key; one per place in the page.
        on_event: Called with each event before the script runs, so that one run draws the answer.

    Raises:
        RegionError: The browser sent something that is not an event.
    """
    photo, regions = photo_key(board.jpeg), board.regions
    refused = f"{key}:refused"
    # Noted in a plain dict: a run may be stopped wherever it writes to the session's state itself.
    heard = st.session_state.setdefault(f"{key}:heard", {"serial": 0})

    def deliver() -> None:
        raw: Any = st.session_state[key]["event"]
        if not isinstance(raw, Mapping) or raw.get("photo") != photo:
            return
        try:
            # Streamlit stops a run that another overtakes, maybe before it came here.
            missed = raw.get("missed")
            sent = [*missed, raw] if isinstance(missed, list) else [raw]
            events = [event_from_wire(one, regions) for one in sent]
        except RegionError as error:  # told by the run that follows, where the page can show it
            st.session_state[refused], heard["serial"] = error, raw.get("serial")
            return
        before = heard["serial"]
        for event in events:
            if event is events[-1] or event.serial > before:
                on_event(event)
                heard["serial"] = event.serial

    _mounted()(
        key=key,
        data={
            "key": key,
            "photo": photo,
            "name": regions.photo,
            "src": address_of(board.jpeg, key),
            "size": [regions.width, regions.height],
            "regions": [region_to_wire(region) for region in regions.regions],
            "marks": [{**mark, "dash": DASHES.get(mark["kind"], "solid")} for mark in board.marks],
            "current": board.current,
            "suggestion": region_to_wire(board.suggestion) if board.suggestion else None,
            "offers": [region_to_wire(one) for one in board.offers],
            "seen": heard["serial"],
            "drawing": {"mark": board.current, "svg": board.drawing},
            **{name: getattr(board, name) for name in PASSED_ON},
        },
        on_event_change=deliver,
    )
    if error := st.session_state.pop(refused, None):
        raise error


@cache
def _mounted() -> Any:
    html, css = ((FRONT / f"marker.{kind}").read_text(encoding="utf-8") for kind in ("html", "css"))
    return component("marker", html, script(), css)


@cache
def script() -> str:
    """The browser part as one script: the files of ``front``."""
    return joined(*(FRONT / f"{name}.js" for name in SCRIPTS))
