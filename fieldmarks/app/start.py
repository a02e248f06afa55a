"""First screen: choose a photo, take one, or open an invented bird."""

from collections.abc import Iterable
from pathlib import Path
from urllib.parse import urlsplit

import streamlit as st
from PIL import Image
from streamlit.runtime.uploaded_file_manager import UploadedFile

from fieldmarks.app.birds.shared import literal, tables
from fieldmarks.app.day import open_files
from fieldmarks.app.marker.component import reduced_jpeg
from fieldmarks.app.page import SHOP, SMALLER, TITLES, ways_on_a_phone
from fieldmarks.app.sheet import picture
from fieldmarks.app.state import Day, Work, open_demo
from fieldmarks.measure.suffixes import ENDINGS
from fieldmarks.pipeline import demo_birds, demo_question
from fieldmarks.record import Question

THUMBNAIL = 420
# Shown first, in this order, each under a few words that say what it is about.
SHOWN_FIRST = {
    "personatus_orange_collar": "Orange in the collar",
    "nigrigenis_blue_rump": "A rump of the wrong colour",
    "personatus_clean": "All marks of one species",
    "fischeri_clean": "All marks of another",
    "lilianae_large": "A large photo",
    "fischeri_no_card": "No grey card",
    "personatus_card_in_shadow": "The card in shadow",
}


def start_screen() -> None:
    """Draw the first screen."""
    st.title("Which lovebird is it, and is it mixed?", anchor=False)
    st.html(
        "<p class='fm-lead'>Tap the eye, the beak and the tail on a photo. fieldmarks measures the "
        "colours and says which species they fit.</p>"
    )
    birds = demo_birds()
    left, right = st.columns([1, 1], gap="large")
    with left:
        _go_back()
        _from_the_shop()
        _own_photo()
        first = next(iter(SHOWN_FIRST))
        if first in birds and st.button("No photo? Try it on an example", key="example"):
            _open_demo(birds[first], with_regions=False)
        _camera()
        ways_on_a_phone("look")
    with right:
        st.subheader("How to take the photo", anchor=False)
        st.markdown(
            "1. Put a plain grey card beside the bird, in the **same light** and equally far "
            "away.\n"
            "2. No flash. Nothing may be burnt out to white.\n"
            "3. Bird side-on, so that face, collar, rump and beak can be seen.\n"
            "4. Save it as the phone makes it: no filter, no beauty mode."
        )
        st.caption(
            "Grey cards (18 %) are sold where cameras are; a paler one of 36 % (neutral 6.5) reads "
            "colours a little better. Without one, fine tints are not counted."
        )
        st.caption(
            "Do not chase or hold a bird for a photo. If it pants, sits puffed up or has any "
            "wound, leave it and call an avian vet."
        )
    st.subheader("Examples", anchor=False)
    st.caption("Painted by this program and invented: the birds do not exist.")
    names = sorted(birds, key=lambda name: [*SHOWN_FIRST, name].index(name))
    with st.container(key="demos"):
        for row in range(0, len(names), 4):
            for place, name in zip(st.columns(4), names[row : row + 4], strict=False):
                with place:
                    _demo_bird(name, birds[name])


def _own_photo() -> None:
    chosen = st.file_uploader(
        "Your photo of the bird, or several taken on one day",
        type=ENDINGS,
        accept_multiple_files=True,
        key="photo_file",
        help="JPEG, PNG, TIFF, WebP or HEIC, up to 120 megapixels.",
    )
    if chosen:
        _open(chosen)

    def keep() -> None:  # while the page is open, also when this is not shown
        st.session_state[SMALLER] = st.session_state.smaller

    st.checkbox(
        "Slow line: make photos smaller before they are sent",
        value=bool(st.session_state.get(SMALLER)),
        key="smaller",
        on_change=keep,
        help="A JPEG goes out with at most 2400 pixels on its longer side: a third of the bytes. "
        "Colours of feathers read nearly the same; small marks are read less surely, and the "
        "record says that it was made smaller. The full photo stays on your phone: choose it again "
        "for the bird's record.",
    )


def _camera() -> None:
    # Elsewhere the browser refuses; on a phone the button above offers the phone's own camera.
    if not camera_may_be_asked_for(st.context.url):
        return
    with st.container(key="own_camera"), st.expander("Use this computer's camera"):
        if st.toggle("Switch the camera on", key="camera_on"):
            taken = st.camera_input("Bird and grey card in one picture", key="camera")
            if taken is not None:
                _open([taken])


def camera_may_be_asked_for(url: str | None) -> bool:
    """Whether a browser lets the page at an address use the camera (W3C Secure Contexts, 3.1)."""
    page = urlsplit(url or "http://localhost")
    host = page.hostname or ""
    return page.scheme == "https" or host in ("localhost", "::1") or host.startswith("127.")


def _go_back() -> None:
    """The photo worked on before, with all that was drawn on it."""
    before: Work | None = st.session_state.get("put_aside")
    if before and st.button(f"← Back to {literal(before.photo.name)} and its marks", key="go_back"):
        st.session_state.work = st.session_state.pop("put_aside")
        st.rerun()


def _from_the_shop() -> None:
    """What was said of a bird under Before you buy goes to the next photo, and is shown."""
    asked: Question | None = st.session_state.get(SHOP)
    if asked is None:
        return
    rows = tables()
    words = [rows.varieties[asked.variety].name, rows.ages[asked.age].name]
    if asked.claimed:
        words.insert(0, f"sold as {rows.species[asked.claimed].name}")
    st.info(f"From {TITLES['buy']}, for your next photo: {', '.join(words)}.")
    if st.button("It is another bird", key="other_bird"):
        del st.session_state[SHOP]
        st.rerun()


def _open(files: Iterable[UploadedFile]) -> None:
    asked = st.session_state.pop(SHOP, None)
    open_files(Day(tables(), asked or Question()), files)  # goes on where one could be opened
    st.session_state[SHOP] = asked


@st.cache_data(show_spinner=False)
def _thumbnail(path: str) -> bytes:
    """A small picture of a demo bird (shipped with the program, the same for everyone)."""
    with Image.open(path) as image:
        image.draft("RGB", (THUMBNAIL * 2, THUMBNAIL * 2))
        return reduced_jpeg(image, THUMBNAIL)


def _demo_bird(name: str, path: Path) -> None:
    story = demo_question(path)[1]
    picture(_thumbnail(str(path)), f"Painted: {story}", f"thumbnail_{name}")
    if name in SHOWN_FIRST:
        st.markdown(f"**{SHOWN_FIRST[name]}**")
    st.caption(story)
    if st.button("Open it", key=f"demo_{name}", width="stretch"):
        _open_demo(path, with_regions=False)
    if st.button("With its marks drawn", key=f"demo_full_{name}", width="stretch"):
        _open_demo(path, with_regions=True)


def _open_demo(path: Path, *, with_regions: bool) -> None:
    with st.spinner("Opening the photo ..."):
        st.session_state.work = open_demo(tables(), path, with_regions=with_regions)
    st.rerun()
