"""The bird: what it is said to be, its colour variety and its age, in plain words and a picture."""

from __future__ import annotations

from datetime import date

import streamlit as st

from fieldmarks.guide import guide_drawing, guide_rows
from fieldmarks.judging.proposal import age_class, propose_variety
from fieldmarks.screen.sheet import sheet
from fieldmarks.screen.state import Work

UNKNOWN = "I do not know"


def bird_panel(work: Work) -> None:
    """Ask for species, variety and age; each change is judged at once."""
    tables = work.tables
    assert work.photo is not None
    own = work.photo.sha256[:12]  # a new photo starts with its own question
    species = [None, *tables.species]
    claimed = st.selectbox(
        "What is it said to be?",
        species,
        index=species.index(work.question.claimed),
        format_func=lambda key: tables.species[key].name if key else UNKNOWN,
        key=f"claimed_{own}",
    )
    variety = st.selectbox(
        "Colour variety",
        list(tables.varieties),
        index=list(tables.varieties).index(work.question.variety),
        format_func=lambda key: f"{tables.varieties[key].name}: {tables.varieties[key].look}",
        key=f"variety_{own}",
    )
    _variety_proposal(work)
    age = st.radio(
        "Age",
        list(tables.ages),
        index=list(tables.ages).index(work.question.age),
        format_func=lambda key: tables.ages[key].name,
        captions=[row.look for row in tables.ages.values()],
        key=f"age_{own}",
    )
    _age_proposal(work)
    if (claimed, variety, age) != (
        work.question.claimed,
        work.question.variety,
        work.question.age,
    ):
        work.ask(claimed=claimed, variety=variety, age=age)
    shown = claimed or _nearest(work)
    st.caption(f"What a {tables.species[shown].name} of this variety and age should show:")
    sheet(guide_drawing(tables, shown, variety, age), key="guide")
    rows = guide_rows(tables, shown, variety, age)
    st.table(
        [
            {
                "": row.letter,
                "mark": row.name,
                "what to look for": row.look,
                "tells it from": "" if row.says_nothing else f"{row.always} of {row.of_others}",
            }
            for row in rows
        ]
    )


def _nearest(work: Work) -> str:
    """Species to show a picture of: the one the bird was looked at as, else the first."""
    if work.record and work.record.assessment.conclusion.subjects:
        return work.record.assessment.conclusion.subjects[0]
    return next(iter(work.tables.species))


def _variety_proposal(work: Work) -> None:
    if work.record is None or not work.has_card:
        return
    proposals = propose_variety(work.record.measurement.readings, work.tables)
    if not proposals:
        return
    best, why = proposals[0]
    if best != work.question.variety:
        name = work.tables.varieties[best].name
        st.info(f"The colours read look more like {name}. {why}")


def _age_proposal(work: Work) -> None:
    with st.expander("I know when it hatched"):
        hatched = st.date_input(
            "Hatch date", value=None, max_value=date.today(), min_value=date(1980, 1, 1)
        )
        if hatched is not None:
            found = age_class(work.tables, hatched, date.today())
            months = (date.today() - hatched).days / 30.44
            st.write(f"{months:.0f} months old: {work.tables.ages[found].name}.")
