"""Pairing: advice on two birds, with reasons."""

from __future__ import annotations

import html
from datetime import date
from typing import get_args

import streamlit as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds import shared as ui
from fieldmarks.birds.model import Pair, Purpose, new_id
from fieldmarks.birds.service import advice_on_pair, before_test

LOOKS = {
    "against": ("fm-bad", "✗"),
    "wait": ("fm-doubt", "↻"),
    "not known": ("fm-doubt", "?"),
    "for": ("fm-good", "✓"),
}


def pairing_page() -> None:
    """Choose two birds and read what is on record about them."""
    ui.heading(
        "A pair?", "What your records say about two birds. It is advice; the choice is yours."
    )
    ui.say_done()
    if ui.no_bird_yet():
        return
    left, right = st.columns(2)
    with left:
        first = ui.choose_bird("First bird", "pair_first")
    with right:
        second = ui.choose_bird("Second bird", "pair_second", without=first.id if first else None)
    if first is None or second is None:
        st.caption("Choose two birds, and what is on record about them is weighed here.")
        return
    try:
        advice = advice_on_pair(ui.store(), first, second, ui.tables(), date.today())
    except FieldmarksError as error:
        ui.told(error)
        return
    ui.verdict(advice.sentence, LOOKS[advice.weight][0])
    rows = "".join(
        f"<li><span class='{LOOKS[r.weight][0]}'>{LOOKS[r.weight][1]} {r.weight}</span>: "
        f"{html.escape(r.text)}</li>"
        for r in advice.reasons
    )
    st.html(f"<ul>{rows}</ul>")
    ui.bullets("Keep in mind", advice.cautions)
    if not ui.may_change():
        return
    purposes: tuple[Purpose, ...] = get_args(Purpose)
    purpose = st.radio("Put them on record as", purposes, horizontal=True)
    if purpose == "test mating":
        lines = before_test(ui.store(), first, second, ui.tables(), date.today())
        ui.bullets("Before a test mating", lines)
    started = ui.ask_day("Together since", "pair_started")
    if st.button("Record this pair"):
        with ui.errors_told():
            ui.store().save(Pair(new_id(), first.id, second.id, purpose, started))
            ui.done_next_run("The pair is on record. Its young go on the page Pairs and young.")
