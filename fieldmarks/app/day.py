"""The photos of one bird on one day: add one, turn to one, take one out."""

from collections.abc import Iterable
from pathlib import Path

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds.shared import literal
from fieldmarks.app.state import Day, Work
from fieldmarks.app.turns import turns
from fieldmarks.measure.phone_profile import PhoneProfile
from fieldmarks.measure.suffixes import ENDINGS

REFUSED = "photos_refused"  # why some of the files chosen last could not be taken
LONGEST_NAME = 14


def open_files(day: Day, files: Iterable[UploadedFile], phone: PhoneProfile | None = None) -> None:
    """Take photo files into a day, and show the first of them."""
    opened, refused = [], []
    place = st.empty()
    with st.spinner("Opening the photo ..."):
        for file in files:
            try:
                with turns.turn(lambda before: place.caption(f"{before} before you.")):
                    place.empty()
                    opened.append(day.open(file.getvalue(), file.name, phone))
            except FieldmarksError as error:
                refused.append(str(error))
    st.session_state[REFUSED] = refused
    if opened:
        st.session_state.work = opened[0]
        st.rerun()
    say_refused()


def say_refused() -> None:
    """Why some of the files chosen last could not be taken."""
    for sentence in st.session_state.pop(REFUSED, ()):
        st.error(literal(sentence))


def photo_switch(work: Work) -> None:
    """One button per photo of the day, above the drawing; nothing while there is only one."""
    photos = work.day.photos
    if len(photos) < 2:
        return

    def turn() -> None:
        st.session_state.work = photos[st.session_state[key]]

    key = f"photo_of_day_{len(photos)}_{work.own}"
    st.segmented_control(
        "Photos of this bird on this day",
        range(len(photos)),
        default=photos.index(work),
        required=True,
        format_func=lambda number: _title(number, photos[number]),
        key=key,
        on_change=turn,
        label_visibility="collapsed",
    )


def _title(number: int, work: Work) -> str:
    name = Path(work.photo.name).stem
    if len(name) > LONGEST_NAME:
        name = f"…{name[1 - LONGEST_NAME :]}"
    marks = len({region.mark for region in work.regions.regions})
    return literal(f"{number + 1} {name} ({marks})")


def more_photos(work: Work) -> None:
    """Add another photo of the bird, or take the one in sight out."""
    photos = work.day.photos
    days = sorted({w.photo.facts.taken[:10] for w in photos} - {""})
    if len(days) > 1:
        said = ", ".join(day.replace(":", "-") for day in days)
        st.warning(f"Taken on different days ({said}). One verdict is for one visit.")
    chosen = None
    if not work.taps_asked and not work.offers:  # one thing after another
        with st.container(key="more_photos"), st.expander("Add a photo of this bird, same day"):
            chosen = st.file_uploader(
                "Front, side, back, tail: all of them give one verdict.",
                type=ENDINGS,
                accept_multiple_files=True,
                key=f"more_{len(photos)}_{photos[0].own}",
            )
    if chosen:
        open_files(work.day, chosen, work.phone)
    if len(photos) > 1 and st.button("Take this photo out", key="take_out"):
        st.session_state.work = work.take_out()
        st.rerun()
