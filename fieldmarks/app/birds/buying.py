"""Before buying: what to look at, what to ask, and what a photo cannot tell."""

from functools import partial

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.app.findings import verdict_card
from fieldmarks.app.page import SHOP, way_to
from fieldmarks.app.sheet import sheet
from fieldmarks.app.state import Work
from fieldmarks.birds import buying
from fieldmarks.birds.advice import advice_table
from fieldmarks.record import Question
from fieldmarks.report.guide import guide_drawing, guide_rows


def buying_page() -> None:
    """Look at a bird for sale."""
    ui.heading("Before you buy", "A few marks decide. The papers and the breeder tell the rest.")
    work = st.session_state.get("work")
    if isinstance(work, Work) and work.day.judged and work.day.is_read:
        way_to("look", f"From your photo {ui.literal(work.day.judged.photo)}: back to its marks")
        _show_check(work)
        return
    question = _question()
    st.session_state.pop(SHOP, None)
    if question != Question():
        st.session_state[SHOP] = question
    way_to("look", "→ Mark a photo of it")
    st.caption("No line in the shop? Print this, or open it on your phone before you go.")
    rows = ui.tables()
    with st.container(horizontal=True):
        for label, made, name in (
            ("Sheet for the shop (PDF)", buying.shop_sheet_pdf, "shop.pdf"),
            ("The same for your phone (HTML)", buying.shop_sheet_page, "shop.html"),
        ):
            ui.save_button(label, partial(made, rows, question), name)
    _what_to_look_at(question)
    table = advice_table()
    ui.bullets("Ask the breeder", [row.text for row in table.ask])
    ui.bullets("What looks can't tell you", [row.text for row in table.cannot_tell])
    ui.bullets("Keep in mind", table.cautions("buying"))


def _question() -> Question:
    """What the bird is sold as, its variety and its age."""
    rows = ui.tables()
    left, middle, right = st.columns(3)
    sold_as = ui.choose_row("Sold as", rows.species, "shop_species", "I do not know", place=left)
    variety = ui.choose_row("Colour variety", rows.varieties, "shop_variety", place=middle)
    oldest = [*rows.ages][-1]
    age = ui.choose_row(
        "Age", rows.ages, "shop_age", now=oldest, place=right, say=lambda row: row.name
    )
    return Question(variety=variety, age=age, claimed=sold_as)


def _what_to_look_at(question: Question) -> None:
    """What to look for in the shop, without any photo."""
    rows = ui.tables()
    species = question.claimed
    if species is None:
        st.info("Choose what it is sold as, and the marks that decide are shown here.")
        return
    hidden = rows.varieties[question.variety]
    if hidden.says_nothing:
        st.warning(ui.literal(f"This variety hides marks. {hidden.reason}"))
    marks = guide_rows(rows, species, question.variety, question.age)
    deciding = [row for row in marks if row.always + row.sometimes and not row.says_nothing]
    deciding = deciding[: buying.MARKS_SHOWN]
    left, right = st.columns([2, 3], gap="large")
    with left:
        sheet(guide_drawing(rows, species, question.variety, question.age), key="shop_guide")
    with right:
        looks = [f"{row.number or ''} {row.name}: {row.look}".strip() for row in deciding]
        ui.bullets(f"On a {rows.species[species].name} look at these first", looks)
        ui.bullets("These would be signs of mixed ancestry", buying.possible_signs(rows, question))


def _show_check(work: Work) -> None:
    """The verdict on a photo, and what only the seller and a vet can tell."""
    assert work.day.judged is not None
    verdict_card(work, onward=False)
    check = buying.buying_check(work.day.judged.assessment, ui.tables())
    ui.bullets("Look at these too", [f"{name}: {look}" for name, look in check.look_at])
    ui.bullets("What this can't tell you", check.cannot_tell)
