"""A page with nothing but the drawing, for the browser tests.

The last event and the regions are shown as JSON so that a test can read what Python received.
"""

import json
import time
import tomllib
from pathlib import Path

import cv2
import numpy as np
import streamlit as st
from PIL import Image

import fieldmarks
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.lasting import set_aside
from fieldmarks.app.marker.component import Board, marker, reduced_jpeg
from fieldmarks.app.marker.wire import MarkerEvent, region_to_wire
from fieldmarks.measure.region import Region, RegionSet
from fieldmarks.measure.suggest import suggest_outline

WIDTH, HEIGHT = 4000, 3000
DATA = Path(fieldmarks.__file__).parent / "data" / "marks.toml"


@st.cache_resource
def painted() -> tuple[bytes, np.ndarray]:
    """An invented bird of plain patches, 12 megapixels: reduced JPEG and its pixels."""
    rng = np.random.default_rng(7)
    photo = np.full((HEIGHT, WIDTH, 3), (150, 160, 150), dtype=np.uint8)
    cv2.ellipse(photo, (2000, 1800), (700, 1000), 0, 0, 360, (60, 140, 50), -1)
    cv2.circle(photo, (2000, 900), 500, (225, 110, 50), -1)
    cv2.circle(photo, (2150, 800), 130, (245, 245, 240), -1)
    cv2.circle(photo, (2150, 800), 80, (40, 20, 20), -1)
    cv2.fillPoly(photo, [np.array([[2420, 820], [2700, 1000], [2420, 1100]])], (200, 40, 40))
    cv2.rectangle(photo, (300, 2200), (1000, 2800), (119, 119, 119), -1)
    noise = rng.normal(0, 8, (HEIGHT // 4, WIDTH // 4, 3)).astype(np.int16)
    image = Image.fromarray(cv2.add(photo, cv2.resize(noise, (WIDTH, HEIGHT)), dtype=cv2.CV_8U))
    jpeg = reduced_jpeg(image)
    image.thumbnail((1600, 1600))
    return jpeg, np.asarray(image)


def main() -> None:
    """Draw the page."""
    set_aside()
    st.set_page_config(layout="wide", page_title="Marker trial")
    state = st.session_state
    marks = [{"key": k, **m} for k, m in tomllib.loads(DATA.read_text("utf-8"))["marks"].items()]
    jpeg, small = painted()
    turn = state.setdefault("turn", 0)
    state.setdefault("regions", RegionSet("bird.jpg", WIDTH, HEIGHT))
    state.setdefault("mark", "face")
    state.setdefault("events", [])
    state.setdefault("oddities", [])
    for name in ("suggestion", "note"):
        state.setdefault(name, None)

    def act(event: MarkerEvent) -> None:
        received = time.time()
        state.regions = event.regions
        state.suggestion, state.note = None, None
        state.mark = event.next or state.mark
        if event.kind == "tap" and event.at is not None:
            try:
                reach = None if "Reach anywhere" in state.oddities else event.reach
                scale = WIDTH / small.shape[1]
                outline = suggest_outline(small, event.at, scale=scale, reach=reach)
                state.suggestion = Region("?", event.mark, outline)
            except FieldmarksError as error:
                state.note = str(error)
        state.events.append(
            {"kind": event.kind, "region": event.region, "mark": event.mark, "at": event.at}
            | {"reach": event.reach}
            | {"serial": event.serial, "received": received}
        )

    board = Board(
        jpeg=jpeg,
        regions=state.regions,
        marks=marks,
        current=state.mark,
        suggestion=state.suggestion,
        note=state.note or "",
    )
    marker(board, f"photo {turn}", act)
    time.sleep(0.7 if "Be slow" in state.oddities else 0)
    if st.button("Run again"):
        state.reruns = state.get("reruns", 0) + 1
    if st.button("Forget the first"):
        state.regions = state.regions.with_regions(state.regions.regions[1:])
        st.rerun()
    for oddity in ("Be slow", "Reach anywhere"):
        if st.button(oddity):
            state.oddities.append(oddity)
    shown = {
        "regions": [region_to_wire(r) for r in state.regions.regions],
        "events": state.events,
        "mark": state.mark,
        "suggestion": region_to_wire(state.suggestion) if state.suggestion else None,
        "reruns": state.get("reruns", 0),
        "turn": turn,
        "oddities": state.oddities,
    }
    with st.expander("What Python knows", expanded=True):
        st.code(json.dumps(shown), language=None)
    if st.button("Begin anew"):  # As if the page had just been opened, without loading it.
        state.clear()
        state.turn = turn + 1
        st.rerun()


if __name__ == "__main__":
    main()
