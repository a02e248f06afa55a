"""The bird: what it is said to be, its colour variety and its age, in plain words and a picture."""

from __future__ import annotations

from datetime import date

import streamlit as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds.shared import told
from fieldmarks.app.sheet import sheet
from fieldmarks.app.state import Work
from fieldmarks.birds.model import EARLIEST
from fieldmarks.judge.proposal import DAYS_PER_MONTH, age_class
from fieldmarks.report.guide import GuideRow, fact_rows, guide_drawing, guide_rows

UNKNOWN = "I do not know"


def bird_panel(work: Work) -> None:
    """Ask for species, variety and age; each change is judged at once."""
    tables = work.tables
    assert work.photo is not None
    own = work.own
    species = [None, *tables.species]
    claimed = st.selectbox(
        "What is it said to be?",
        species,
        index=species.index(work.question.claimed),
        format_func=lambda key: tables.species[key].called if key else UNKNOWN,
        key=f"claimed_{own}",
    )
    variety = st.selectbox(
        "Colour variety",
        list(tables.varieties),
        index=list(tables.varieties).index(work.question.variety),
        format_func=lambda key: f"{tables.varieties[key].called}: {tables.varieties[key].look}",
        key=f"variety_{own}",
    )
    age = st.radio(
        "Age",
        list(tables.ages),
        index=list(tables.ages).index(work.question.age),
        format_func=lambda key: tables.ages[key].name,
        captions=[row.look for row in tables.ages.values()],
        key=f"age_{own}",
    )
    _age_proposal(work)
    asked = {"claimed": claimed, "variety": variety, "age": age}
    if any(getattr(work.question, name) != value for name, value in asked.items()):
        work.ask(**asked)
        st.rerun()  # the verdict above was drawn before the question was asked
    shown = claimed or _nearest(work)
    st.caption(f"What a {tables.species[shown].name} of this variety and age should show:")
    sheet(guide_drawing(tables, shown, variety, age), key="guide")
    rows = guide_rows(tables, shown, variety, age)
    st.table(
        [
            {
                "": row.number,
                "mark": row.name,
                "what to look for": row.look,
                "tells it from": "" if row.says_nothing else _tells(row),
            }
            for row in rows
        ]
    )
    with st.expander(f"Facts on the {tables.species[shown].name} that no photo decides"):
        st.table([{"fact": name, "usual": said} for name, said in fact_rows(tables.species[shown])])
        st.caption(
            f"Source: {tables.species[shown].facts.evidence}. Check today's listing and your local "
            "law; ask your club or an avian vet for the ring size, and let an experienced breeder "
            "ring the bird."
        )


def _tells(row: GuideRow) -> str:
    """How many other species a mark tells this one from."""
    if not row.always + row.sometimes:
        return "none"
    partly = f", {row.sometimes} in part" if row.sometimes else ""
    return f"{row.always} of {row.of_others} others{partly}"


def _nearest(work: Work) -> str:
    """Species to show a picture of: the one the bird was looked at as, else the first."""
    if work.judged and work.judged.assessment.conclusion.subjects:
        return work.judged.assessment.conclusion.subjects[0]
    return next(iter(work.tables.species))


def _age_proposal(work: Work) -> None:
    assert work.photo is not None
    photo = work.photo.sha256[:12]
    with st.expander("I know when it hatched"):
        left, right = st.columns(2)
        hatched = left.date_input(
            "Hatch date",
            value=None,
            max_value=date.today(),
            min_value=EARLIEST,
            key=f"hatched_{photo}",
        )
        taken = right.date_input(
            "Photo taken on",
            value=work.taken,
            max_value=date.today(),
            min_value=EARLIEST,
            key=f"taken_{photo}",
        )
        if hatched is None or taken is None:
            return
        try:
            found = age_class(work.tables, hatched, taken)
        except FieldmarksError as error:
            told(error)
            return
        months = (taken - hatched).days / DAYS_PER_MONTH
        st.write(f"{months:.0f} months old on that day: {work.tables.ages[found].name}.")
        if found != work.question.age:
            st.button("Take this age", on_click=work.say, kwargs={"age": found})
