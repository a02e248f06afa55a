"""The bird: what it is said to be, its colour variety and its age, in plain words and a picture."""

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.app.sheet import sheet
from fieldmarks.app.state import Work
from fieldmarks.report.guide import GuideRow, fact_rows, guide_drawing, guide_rows
from fieldmarks.rules.tables import DAYS_PER_MONTH, age_class


def bird_panel(work: Work) -> None:
    """Ask for species, variety and age; each change is judged at once."""
    tables, question, own = work.tables, work.day.question, work.own
    claimed = ui.choose_row(
        "What is it said to be?",
        tables.species,
        f"claimed_{own}",
        none="I do not know",
        now=question.claimed,
    )
    variety = ui.choose_row(
        "Colour variety",
        tables.varieties,
        f"variety_{own}",
        now=question.variety,
        say=lambda row: f"{row.called}: {row.look}",
    )
    age = st.radio(
        "Age",
        list(tables.ages),
        index=list(tables.ages).index(question.age),
        format_func=lambda key: tables.ages[key].name,
        captions=[row.look for row in tables.ages.values()],
        key=f"age_{own}",
    )
    _age_proposal(work)
    if (question.claimed, question.variety, question.age) != (claimed, variety, age):
        work.day.ask(claimed=claimed, variety=variety, age=age)
        st.rerun()  # the verdict above was drawn before the question was asked
    # Shown is what it was looked at as, if nothing is said; else the first.
    seen = work.day.judged.assessment.conclusion.subjects if work.day.judged else ()
    shown = claimed or next(iter([*seen, *tables.species]))
    row = tables.species[shown]
    st.caption(f"What a {row.name} of this variety and age should show:")
    sheet(guide_drawing(tables, shown, variety, age), key="guide")
    st.table(
        [
            {
                "": mark.number,
                "mark": mark.name,
                "what to look for": mark.look,
                "tells it from": "" if mark.says_nothing else _tells(mark),
            }
            for mark in guide_rows(tables, shown, variety, age)
        ]
    )
    with st.expander(f"Facts on the {row.name} that no photo decides"):
        st.table([{"fact": name, "usual": said} for name, said in fact_rows(row)])
        st.caption(
            f"Source: {row.facts.evidence}. Check today's listing and your local law; ask your "
            "club or an avian vet for the ring size, and let an experienced breeder ring the bird."
        )


def _tells(row: GuideRow) -> str:
    """How many other species a mark tells this one from."""
    if not row.always + row.sometimes:
        return "none"
    partly = f", {row.sometimes} in part" if row.sometimes else ""
    return f"{row.always} of {row.of_others} others{partly}"


def _age_proposal(work: Work) -> None:
    photo = work.photo.sha256[:12]
    with st.expander("I know when it hatched"), ui.errors_told():
        left, right = st.columns(2)
        hatched = ui.ask_day("Hatch date", f"hatched_{photo}", place=left)
        taken = ui.ask_day("Photo taken on", f"taken_{photo}", work.taken, right)
        if hatched is None or taken is None:
            return
        found = age_class(work.tables, hatched, taken)
        months = (taken - hatched).days / DAYS_PER_MONTH
        st.write(f"{months:.0f} months old on that day: {work.tables.ages[found].name}.")
        if found != work.day.question.age:
            st.button("Take this age", on_click=work.say, kwargs={"age": found})
