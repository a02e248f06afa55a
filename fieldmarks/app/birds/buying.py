"""Before buying: what to look at, what to ask, and what a photo cannot tell."""

from __future__ import annotations

import streamlit as st

from fieldmarks.app import findings  # as a module: it is on its way in when this is
from fieldmarks.app.birds.shared import bullets, heading, literal, tables
from fieldmarks.app.sheet import sheet
from fieldmarks.app.state import Work
from fieldmarks.app.ways import SHOP, way_to
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.buying import MARKS_SHOWN, buying_check, possible_signs
from fieldmarks.birds.shop_sheet import shop_sheet_page, shop_sheet_pdf
from fieldmarks.record import Question
from fieldmarks.report.guide import guide_drawing, guide_rows

UNKNOWN = "I do not know"


def buying_page() -> None:
    """Look at a bird for sale."""
    heading("Before you buy", "A few marks decide. The papers and the breeder tell the rest.")
    work = st.session_state.get("work")
    if isinstance(work, Work) and work.judged and work.is_read:
        way_to("look", f"From your photo {literal(work.judged.photo)}: back to its marks")
        _show_check(work)
        return
    question = _question()
    if question == Question():
        st.session_state.pop(SHOP, None)
    else:
        st.session_state[SHOP] = question
    way_to("look", "→ Mark a photo of it")
    st.caption("No line in the shop? Print this, or open it on your phone before you go.")
    rows = tables()
    with st.container(horizontal=True):
        st.download_button(
            "Sheet for the shop (PDF)",
            lambda: shop_sheet_pdf(rows, question),
            "shop.pdf",
            "application/pdf",
            on_click="ignore",
        )
        st.download_button(
            "The same for your phone (HTML)",
            lambda: shop_sheet_page(rows, question),
            "shop.html",
            "text/html",
            on_click="ignore",
        )
    _what_to_look_at(question)
    table = advice_table()
    bullets("Ask the breeder", [row.text for row in table.ask])
    bullets("What looks can't tell you", [row.text for row in table.cannot_tell])
    bullets("Keep in mind", table.cautions("buying"))


def _question() -> Question:
    """What the bird is sold as, its variety and its age."""
    rows = tables()
    left, middle, right = st.columns(3)
    sold_as = left.selectbox(
        "Sold as",
        [None, *rows.species],
        format_func=lambda k: rows.species[k].called if k else UNKNOWN,
        key="shop_species",
    )
    variety = middle.selectbox(
        "Colour variety",
        list(rows.varieties),
        format_func=lambda k: rows.varieties[k].called,
        key="shop_variety",
    )
    age = right.selectbox(
        "Age",
        list(rows.ages),
        index=len(rows.ages) - 1,
        format_func=lambda k: rows.ages[k].name,
        key="shop_age",
    )
    return Question(variety=variety, age=age, claimed=sold_as)


def _what_to_look_at(question: Question) -> None:
    """What to look for in the shop, without any photo."""
    rows = tables()
    species = question.claimed
    if species is None:
        st.info("Choose what it is sold as, and the marks that decide are shown here.")
        return
    hidden = rows.varieties[question.variety]
    if hidden.says_nothing:
        st.warning(literal(f"This variety hides marks. {hidden.reason}"))
    marks = guide_rows(rows, species, question.variety, question.age)
    deciding = [row for row in marks if row.always + row.sometimes and not row.says_nothing]
    left, right = st.columns([2, 3], gap="large")
    with left:
        sheet(guide_drawing(rows, species, question.variety, question.age), key="shop_guide")
    with right:
        bullets(
            f"On a {rows.species[species].name} look at these first",
            [
                f"{f'{row.number} ' if row.number else ''}{row.name}: {row.look}"
                for row in deciding[:MARKS_SHOWN]
            ],
        )
        bullets("These would be signs of mixed ancestry", possible_signs(rows, question))


def _show_check(work: Work) -> None:
    """The verdict on a photo, and what only the seller and a vet can tell."""
    assert work.judged is not None
    findings.verdict_card(work, onward=False)
    check = buying_check(work.judged.assessment, tables())
    bullets("Look at these too", [f"{name}: {look}" for name, look in check.look_at])
    bullets("What this can't tell you", check.cannot_tell)
