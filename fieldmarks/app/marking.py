"""Marking screen: the photo to draw on, the card first, and what to do next."""

import html

import numpy as np
import streamlit as st
from PIL import Image

from fieldmarks.app.birds.shared import errors_told, literal
from fieldmarks.app.marker.component import Board, marker, photo_key
from fieldmarks.app.marker.wire import MarkerEvent
from fieldmarks.app.sheet import fold, picture
from fieldmarks.app.state import FIRST_MARK, Work
from fieldmarks.app.turns import turns
from fieldmarks.measure.calibration import describe_cast, swatch_before_after
from fieldmarks.measure.colour import decode_srgb, encode_srgb
from fieldmarks.measure.phone_profile import list_profiles, load_profile
from fieldmarks.measure.region import Region
from fieldmarks.report.guide import where_is
from fieldmarks.report.picture import to_jpeg

SHOWN = {"key", "name", "look", "shape", "kind", "whole"}
TAPS = (
    {"key": "eye", "name": "the eye"},
    {"key": "beak_tip", "name": "the tip of the beak"},
    {"key": "tail_end", "name": "the end of the tail"},
)
NOT_HERE = ("chart_patch",)  # what it shows must be said in its note, which only a file holds
CARD_KINDS = {
    "18 % grey card": 0.18,
    "white card (90 %)": 0.90,
    "another reflectance ...": None,
}


def photo_panel(work: Work) -> None:
    """The photo with its regions."""
    drawn = {region.mark for region in work.regions.regions}
    marks = [
        {**row.model_dump(include=SHOWN), "eye": at_the_eye(work, key)}
        for key, row in work.tables.marks.items()
        if key not in NOT_HERE or key in drawn
    ]
    marks.sort(key=lambda mark: mark["key"] != FIRST_MARK)
    board = Board(
        jpeg=work.screen_jpeg,
        regions=work.regions,
        marks=marks,
        current=work.mark,
        drawing=where_is(work.tables, work.mark),
        suggestion=work.suggestion,
        offers=work.offers,
        note=work.note,
        aside=work.said,
        coming=work.coming,
        odd=[reason.mark for reason in work.day.verdict.reasons] if work.day.verdict else [],
        taps=TAPS if work.taps_asked else (),
        beside=[
            photo_key(other.screen_jpeg)
            for other in work.day.photos
            if other is not work and not other.regions.regions
        ],
    )

    def act(event: MarkerEvent) -> None:
        with turns.turn(first=True):
            work.handle(event)

    marker(board, "photo", act)
    if work.problem:
        st.error(literal(work.problem))


def at_the_eye(work: Work, mark: str) -> bool:
    """Whether a mark is a part of the eye, or lies round one."""
    row = work.tables.marks[mark]
    return row.kind in ("iris", "pupil") or any(at_the_eye(work, inner) for inner in row.without)


def drawing_panel(work: Work) -> None:
    """What belongs to the drawing but is needed less often: scale, card, phone, a saved file."""
    for region in work.regions.of("scale"):
        value = st.number_input(
            "Length of the scale line in millimetres",
            min_value=1.0,
            value=region.value,
            placeholder="Not known yet: no length is read",
            key=f"scale_{region.id}_{work.own}",
        )
        _set_value(work, region, value)
    cards, phones = work.regions.of(FIRST_MARK), list_profiles()
    if cards or phones:
        with st.expander("Card and light"):
            for region in cards:
                _set_value(work, region, _card_value(region, work.own))
            if phones:
                _phone(work, phones)
            if work.has_card:
                _before_and_after(work)
    with st.expander("Open a region file"), errors_told():
        chosen = st.file_uploader(
            "Region file saved earlier for this photo", type=["json"], key="region_file"
        )
        if chosen is not None and st.button("Use its regions"):
            work.open_regions(chosen.getvalue().decode("utf-8", "replace"), chosen.name)
            st.rerun()


def _set_value(work: Work, region: Region, value: float | None) -> None:
    """Give a region its value, and judge afresh when that changes something."""
    if value != region.value:
        work.change_region(region.id, value=value)
        work.assess()


def _card_value(region: Region, own: str) -> float:
    """Ask which card it is; gives its reflectance."""
    value, names = region.value or 0.18, list(CARD_KINDS)
    known = [name for name, one in CARD_KINDS.items() if one == value]
    chosen = st.selectbox(
        "Which card is it?",
        names,
        index=names.index(known[0]) if known else len(names) - 1,
        key=f"card_{region.id}_{own}",
    )
    fixed = CARD_KINDS[chosen]
    if fixed is not None:
        return fixed
    percent = st.number_input(
        "Its reflectance in percent (on its packet)",
        min_value=1.0,
        max_value=100.0,
        value=round(100 * value, 1),
        key=f"percent_{region.id}_{own}",
    )
    return percent / 100


def _phone(work: Work, names: list[str]) -> None:
    """Choose the profile of a phone that has been kept on this computer."""
    now = work.phone.name if work.phone else "no"
    offered = ["no", *names]
    chosen = st.selectbox(
        "Taken with a phone whose colours you have learned?",
        offered,
        index=offered.index(now) if now in offered else 0,
        key=f"phone_{work.own}",
    )
    if chosen == now:
        return
    with errors_told():
        work.phone = None if chosen == "no" else load_profile(chosen)
        work.remembered.clear()
        work.assess()
        st.rerun()


def _before_and_after(work: Work) -> None:
    """The photo without and with the card's gains, for looking at only."""
    assert work.record is not None
    small = work.screen_pixels[::2, ::2]
    scale = work.photo.width / small.shape[1]
    x, y = np.meshgrid(np.arange(small.shape[1]) * scale, np.arange(small.shape[0]) * scale)
    true = work.record.measurement.calibration.apply(decode_srgb(small / 255), x, y)
    corrected = Image.fromarray(np.round(encode_srgb(true) * 255).astype(np.uint8))
    left, right = st.columns(2)
    with left:
        picture(work.screen_jpeg, "the photo as it is", "before", "as photographed")
    with right:
        picture(to_jpeg(corrected), "the photo without the cast", "after", "in neutral light")


def card_panel(work: Work) -> None:
    """What the card says about the light, with the photo before and after."""
    if work.record is None:
        return
    calibration = work.record.measurement.calibration
    for refusal in calibration.refusals:
        st.warning(literal(f"The card cannot be used. {refusal}"))
    for doubt in calibration.warnings:
        st.warning(literal(doubt))
    if calibration.calibrated:
        before, after = swatch_before_after(calibration.patches[0], calibration)
        chips = "".join(
            f"<span class='fm-chip' role='img' aria-label='card {word}' "
            f"style='background: rgb({', '.join(str(int(v)) for v in colour)})'></span>"
            for word, colour in (("before", before), ("after", after))
        )
        _, a, b = calibration.patches[0].lab
        summary = f"<p>{html.escape(calibration.summary)}</p>"
        st.html(fold(f"{chips} {lamp_words(a, b)}", summary))
    elif work.record.measurement.readings:
        st.caption("No grey card: fine tints are not counted.")


def lamp_words(a: float, b: float) -> str:
    """What the card took out of the light, in a few words, from a* and b* it was seen in."""
    cast = describe_cast(a, b).split()
    if cast[0] == "hardly":
        return "No tint in the light"
    return f"{cast[-2].capitalize()} tint of the light removed"
