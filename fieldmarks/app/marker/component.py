"""The Streamlit side of the drawing: mounts the browser part and hands its events to Python.

Python keeps the truth. The browser shows a change at once, sends it when the finger is lifted, and
takes over whatever Python answers with. Three things keep the photo from flickering or jumping:

* the component has a fixed key, so Streamlit keeps its place in the page and only passes new data;
* the picture goes out once, as a file of Streamlit's media store under an address that is a hash of
  its content; the browser gets only that address again;
* every event has a serial number and Python says which it has dealt with, so that an answer to an
  older event never undoes a newer stroke.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from PIL import Image

from fieldmarks._util.errors import RegionError
from fieldmarks.app.marker.wire import MarkerEvent, event_from_wire, region_to_wire, shape_to_wire
from fieldmarks.measure.region import Region, RegionSet, Shape

FRONT = Path(__file__).parent / "front"
# One scope in the order given: the page gets a single script and needs no build step.
SCRIPTS = (
    "letters", "shapes", "stroke", "view", "memory", "ink", "loupe", "tasks", "hand", "actions",
    "panel", "asking", "marker",
)  # fmt: skip
DASHES = {"card": "long", "scale": "dot", "size": "dot"}
"""Kind of mark -> dash of its outline; marks on the bird are drawn solid."""


@dataclass(frozen=True)
class Offer:
    """An outline to keep or drop.

    ``sure`` says how sure it is in words, ``likely`` whether enough so to be kept; ``note`` goes to
    the region that it becomes.
    """

    mark: str
    shape: Shape
    sure: str
    likely: bool
    note: str = ""


def reduced_jpeg(image: Image.Image, longest: int = 1600, quality: int = 85) -> bytes:
    """A picture small enough to send, as JPEG bytes.

    Args:
        image (PIL image): The upright photo.
        longest: Longest side in pixels; a smaller photo is not enlarged.
        quality: JPEG quality, 1 to 95.
    """
    small = image.convert("RGB")
    small.thumbnail((longest, longest), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    small.save(out, "JPEG", quality=quality)
    return out.getvalue()


def photo_key(jpeg: bytes) -> str:
    """What the browser knows a photo by: a fingerprint of the picture sent to it."""
    return hashlib.sha256(jpeg).hexdigest()[:16]


def marker(
    picture: Image.Image | bytes,
    photo_size: tuple[int, int],
    regions: RegionSet,
    marks: Sequence[Mapping[str, Any]],
    current_mark: str,
    suggestion: Region | None = None,
    *,
    key: str,
    note: str = "",
    aside: Mapping[str, str] | None = None,
    coming: Sequence[str] = (),
    drawing: str = "",
    odd: Sequence[str] = (),
    taps: Sequence[tuple[str, str]] = (),
    offers: Sequence[Offer] = (),
    beside: Sequence[str] = (),
    on_event: Callable[[MarkerEvent], None] | None = None,
) -> MarkerEvent | None:
    """Show a photo to draw on.

    Args:
        picture (PIL image or bytes): The photo reduced for the screen, upright; bytes must be JPEG
            (see :func:`reduced_jpeg`, and keep its result, so that it is not made anew in every
            run).
        photo_size ((width, height)): Size of the full photo in pixels; regions are in these pixels.
        regions: The regions to show.
        marks: Marks that can be drawn: ``key``, ``name``, ``look``, ``shape`` ("area" or "line")
            and, if known, ``kind``, which decides the dash of the outline, ``eye`` (true of what no
            label may hide) and ``whole`` (true where a tap would find only a part).
        current_mark: Key of the mark drawn next.
        suggestion: An outline to show dotted with "Keep it" and "Drop it".
        key: Streamlit key; one per place in the page.
        note: A sentence to show and speak below the photo, such as why no outline was found.
        aside: A few words the browser remembers with the drawing, and gives back with it.
        coming: Marks to ask for one after another, as soon as one is drawn or passed over.
        drawing: SVG that shows where ``current_mark`` lies on a bird.
        odd: Marks that speak against the bird, to be shown so on the photo.
        taps (sequence of (key, words)): Places to be tapped first; all of them arrive in one "taps"
            event.
        offers: Outlines to choose from: a tap drops one, one press keeps the rest.
        beside: Other photos of the day on which nothing is drawn yet, as :func:`photo_key` gives
            them.
        on_event: Called with each event before the script runs, so that one run draws the answer.
            Without it the app acts on the returned event and, to change what is shown, runs again.

    Returns:
        What happened since the last run, once.

    Raises:
        RegionError: The browser sent something that is not an event.
    """
    import streamlit as st  # Takes a second; the rest of the package does without.

    jpeg = picture if isinstance(picture, bytes) else reduced_jpeg(picture)
    photo = photo_key(jpeg)
    seen_key = f"{key}:seen"
    seen = int(st.session_state.get(seen_key, 0))
    # With a callback the regions given already hold the newest event.
    arrived = _serial(st.session_state.get(key), photo)
    answered = max(seen, arrived) if on_event else seen
    raw = _mounted()(
        key=key,
        data={
            "key": key,
            "photo": photo,
            "name": regions.photo,
            "src": address_of(jpeg, key),
            "size": list(photo_size),
            "regions": [region_to_wire(region) for region in regions.regions],
            "marks": [_mark(mark) for mark in marks],
            "current": current_mark,
            "suggestion": region_to_wire(suggestion) if suggestion else None,
            "seen": answered,
            "note": note,
            "aside": dict(aside or {}),
            "coming": list(coming),
            "drawing": {"mark": current_mark, "svg": drawing},
            "odd": list(odd),
            "beside": list(beside),
            "taps": [{"key": name, "name": words} for name, words in taps],
            "offers": [{**vars(one), "shape": shape_to_wire(one.shape)} for one in offers],
        },
        on_event_change=lambda: _deliver(key, photo, regions, on_event),
    ).event
    if _serial({"event": raw}, photo) <= seen:
        return None
    st.session_state[seen_key] = _serial({"event": raw}, photo)
    return event_from_wire(raw, regions)


def _deliver(
    key: str, photo: str, regions: RegionSet, on_event: Callable[[MarkerEvent], None] | None
) -> None:
    import streamlit as st

    state: Any = st.session_state.get(key)
    # What cannot be read is told by the run that follows, where the page can show it.
    with contextlib.suppress(RegionError):
        if on_event and _serial(state, photo):
            on_event(event_from_wire(state["event"], regions))


def _serial(state: Any, photo: str) -> int:
    """Serial of the event in a component state, 0 if there is none for this photo."""
    event = state.get("event") if isinstance(state, Mapping) else None
    if not isinstance(event, Mapping) or event.get("photo") != photo:
        return 0
    serial = event.get("serial")
    return serial if isinstance(serial, int) else 0


def _mark(mark: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "key": str(mark["key"]),
        "name": str(mark["name"]),
        "look": str(mark.get("look", "")),
        "shape": str(mark.get("shape", "area")),
        "dash": DASHES.get(str(mark.get("kind", "")), "solid"),
        "kind": str(mark.get("kind", "")),
        "eye": bool(mark.get("eye")),
        "whole": bool(mark.get("whole")),
    }


def address_of(jpeg: bytes, key: str) -> str:
    """Address of a JPEG in Streamlit's media store, the same as long as the picture is.

    Args:
        key: Unique in the page: one picture per place is kept.
    """
    import streamlit as st
    from streamlit import runtime

    path = runtime.get_instance().media_file_mgr.add(jpeg, "image/jpeg", f"fieldmarks-{key}")
    base = str(st.get_option("server.baseUrlPath") or "").strip("/")
    return f"/{base}{path}" if base else path


@cache
def script() -> str:
    """The browser part as one script: the files of ``front`` without imports and exports."""
    parts = []
    for name in SCRIPTS:
        text = (FRONT / f"{name}.js").read_text(encoding="utf-8")
        text = re.sub(r"^import .*?;\n", "", text, flags=re.MULTILINE | re.DOTALL)
        parts.append(re.sub(r"^export (?!default)", "", text, flags=re.MULTILINE))
    return "\n".join(parts)


@cache
def _mounted() -> Any:
    import streamlit as st

    return st.components.v2.component(
        "fieldmarks_marker",
        html=(FRONT / "marker.html").read_text(encoding="utf-8"),
        css=(FRONT / "marker.css").read_text(encoding="utf-8"),
        js=script(),
    )
