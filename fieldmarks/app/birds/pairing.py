"""Pairing: advice on two birds, with reasons."""

from __future__ import annotations

import html
from datetime import date
from typing import get_args

import streamlit as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds.shared import (
    bullets,
    choose_bird,
    done_next_run,
    heading,
    may_change,
    no_bird_yet,
    say_done,
    store,
    tables,
    told,
    verdict,
)
from fieldmarks.birds.model import EARLIEST, Pair, Purpose, new_id
from fieldmarks.birds.service import advice_on_pair, before_test

LOOKS = {
    "against": ("fm-bad", "✗"),
    "wait": ("fm-doubt", "↻"),
    "not known": ("fm-doubt", "?"),
    "for": ("fm-good", "✓"),
}


def pairing_page() -> None:
    """Choose two birds and read what is on record about them."""
    heading("A pair?", "What your records say about two birds. It is advice; the choice is yours.")
    say_done()
    if no_bird_yet():
        return
    left, right = st.columns(2)
    with left:
        first = choose_bird("First bird", "pair_first")
    with right:
        second = choose_bird("Second bird", "pair_second", without=first.id if first else None)
    if first is None or second is None:
        st.caption("Choose two birds, and what is on record about them is weighed here.")
        return
    try:
        advice = advice_on_pair(store(), first, second, tables(), date.today())
    except FieldmarksError as error:
        told(error)
        return
    verdict(advice.sentence, LOOKS[advice.weight][0])
    rows = "".join(
        f"<li><span class='{LOOKS[r.weight][0]}'>{LOOKS[r.weight][1]} {r.weight}</span>: "
        f"{html.escape(r.text)}</li>"
        for r in advice.reasons
    )
    st.html(f"<ul>{rows}</ul>")
    bullets("Keep in mind", advice.cautions)
    if not may_change():
        return
    purposes: tuple[Purpose, ...] = get_args(Purpose)
    purpose = st.radio("Put them on record as", purposes, horizontal=True)
    if purpose == "test mating":
        lines = before_test(store(), first, second, tables(), date.today())
        bullets("Before a test mating", lines)
    started = st.date_input(
        "Together since", None, min_value=EARLIEST, max_value=date.today(), key="pair_started"
    )
    if st.button("Record this pair"):
        try:
            store().save(Pair(new_id(), first.id, second.id, purpose, started))
        except FieldmarksError as error:
            told(error)
        else:
            done_next_run("The pair is on record. Its young go on the page Pairs and young.")
