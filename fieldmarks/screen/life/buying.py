"""Before buying: what to look at, what to ask, and what a photo cannot tell."""

from __future__ import annotations

import streamlit as st

from fieldmarks.errors import FieldmarksError
from fieldmarks.life.advice import advice_table
from fieldmarks.life.buying import BuyingCheck, buying_check
from fieldmarks.photo import SUFFIXES, decode_photo
from fieldmarks.record import Question, make_record
from fieldmarks.screen.life.keep import read_regions
from fieldmarks.screen.life.shared import bullets, heading, literal, tables, told, verdict
from fieldmarks.screen.state import Work

UNKNOWN = "I do not know"


def buying_page() -> None:
    """Look at a bird for sale."""
    heading("Before you buy", "A few marks decide. The papers and the breeder tell the rest.")
    rows = tables()
    work = st.session_state.get("work")
    record = work.record if isinstance(work, Work) else None
    if record is not None and record.measurement.readings:
        st.caption(literal(f"From the photo on the measuring page: {record.measurement.photo}"))
        show_check(buying_check(record.assessment, rows))
        return
    st.write("Mark a photo on the measuring page, or choose one with its region file here.")
    endings = [suffix.removeprefix(".") for suffix in SUFFIXES]
    photo = st.file_uploader("Photo", type=endings, key="shop_photo")
    regions = st.file_uploader("Its region file", type=["json"], key="shop_regions")
    left, middle, right = st.columns(3)
    sold_as = left.selectbox(
        "Sold as",
        [None, *rows.species],
        format_func=lambda k: rows.species[k].name if k else UNKNOWN,
        key="shop_species",
    )
    variety = middle.selectbox(
        "Colour variety",
        list(rows.varieties),
        format_func=lambda k: rows.varieties[k].name,
        key="shop_variety",
    )
    age = right.selectbox(
        "Age",
        list(rows.ages),
        index=len(rows.ages) - 1,
        format_func=lambda k: rows.ages[k].name,
        key="shop_age",
    )
    if photo is None or regions is None:
        table = advice_table()
        bullets("Ask the breeder", [row.text for row in table.ask])
        bullets("Keep in mind", table.cautions("buying"))
        return
    try:
        opened = decode_photo(photo.getvalue(), photo.name)
        drawn = read_regions(regions.getvalue(), opened)
        question = Question(variety=variety, age=age, claimed=sold_as)
        made = make_record(opened, drawn, rows, question)
    except FieldmarksError as error:
        told(error)
    else:
        show_check(buying_check(made.assessment, rows))


def show_check(check: BuyingCheck) -> None:
    """Put a check on the page."""
    verdict(check.sentence)
    bullets("Speaks against it", check.speaks_against)
    bullets("Fits", check.fits)
    bullets("Look at these too", [f"{name}: {look}" for name, look in check.look_at])
    bullets("Ask the breeder", check.ask)
    bullets("What this can't tell you", check.cannot_tell)
    bullets("Keep in mind", check.cautions)
