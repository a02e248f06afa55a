"""Pairs: advice on two birds with its reasons; then eggs and young with their days, and what they
tell of the parents.
"""

import dataclasses
import html
from collections.abc import Sequence
from datetime import date
from typing import get_args

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.app.page import way_to
from fieldmarks.birds import brood
from fieldmarks.birds.model import EVENTS, YOUNG_FINDINGS, Pair, Purpose, Young, new_id
from fieldmarks.birds.service import advice_on_pair, before_test, pair_labels

LOOKS = {
    "against": ("fm-bad", "✗"),
    "wait": ("fm-doubt", "↻"),
    "not known": ("fm-doubt", "?"),
    "for": ("fm-good", "✓"),
}


@ui.errors_told()
def pairing_page() -> None:
    """Choose two birds and read what is on record about them."""
    lead = "What your records say about two birds. It is advice; the choice is yours."
    ui.heading("A pair?", lead)
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
    advice = advice_on_pair(ui.store(), first, second, ui.tables(), date.today())
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
        ui.store().save(Pair(new_id(), first.id, second.id, purpose, started))
        ui.done_next_run("The pair is on record. Its young go on the page Pairs and young.")


def mating_page() -> None:
    """Follow a test mating."""
    ui.heading(
        "Pairs and young",
        "From egg to first moult. Where plumage cannot tell, the young with a pure mate may.",
    )
    ui.say_done()
    pairs = {p.id: p for p in ui.store().pairs()}
    if not pairs:
        if not ui.no_bird_yet():
            st.info(
                "No pair is on record yet. Choose two birds on the page A pair? and record them."
            )
            way_to("pair")
        return
    labels = pair_labels(ui.store(), pairs.values())
    chosen = st.selectbox(
        "Pair", list(pairs), format_func=lambda k: labels.get(k, k), key="mating_pair"
    )
    pair = pairs[chosen]
    why = "The smaller the chance you allow, the more young are needed."
    percent = st.slider("How often may clean young be mere luck? (%)", 1, 20, 5, help=why)
    result = brood.mating_result(ui.store(), pair, ui.tables(), percent / 100)
    ui.verdict(result.sentence, "fm-bad" if result.signs else "")
    strong = "How strong that is, if ... (these chances are assumptions)"
    ui.bullets(strong, [str(s) for s in result.strengths])
    _young(brood.young_with_findings(ui.store(), pair, ui.tables()))
    ui.bullets("What does not count, and was not looked at", result.gaps)
    dates = brood.dates_of(ui.store(), [pair], ui.tables(), date.today())
    ui.bullets("Dates", [r.text for r in dates])
    changed = ui.changed_elsewhere(f"pair {pair.id}", [pair])
    if ui.may_change():
        _note(pair, changed)
        _add(pair, changed)
        _take_off(pair, changed)
    with ui.errors_told():
        two = ui.store().bird(pair.first), ui.store().bird(pair.second)
        ui.bullets("Keep in mind", before_test(ui.store(), *two, ui.tables(), date.today()))


def _young(young: Sequence[Young]) -> None:
    looks = {"clean": "fm-good", "sign": "fm-bad", "unclear": "fm-doubt"}
    kinds = {key: row.name for key, row in ui.tables().varieties.items()}
    rows = "".join(
        f"<li>{html.escape(y.label)}: <span class='{looks[y.finding]}'>{y.finding}</span>"
        f"{f', {html.escape(kinds.get(y.shows, y.shows))}' if y.shows else ''}"
        f"{''.join(f', {told} <b class=fm-whole>{day}</b>' for told, day in _days(y))}"
        f" {html.escape(y.note)}</li>"
        for y in young
    )
    st.subheader(f"Eggs and young: {len(young)}", anchor=False)
    st.html(f"<ul>{rows}</ul>" if rows else "<p>None yet.</p>")


def _days(young: Young) -> list[tuple[str, date]]:
    found = ((told, getattr(young, event)) for event, told in EVENTS.items())
    return [(told, day) for told, day in found if day]


def _note(pair: Pair, changed: bool) -> None:
    """What happened to an egg or a young, in one press."""
    if not pair.young:
        return
    with st.form(f"note_{pair.id}", clear_on_submit=True):
        which, what, when = st.columns(3)
        label = which.selectbox("Egg or young", [y.label for y in pair.young])
        event = what.selectbox("What happened?", list(EVENTS), 1, format_func=EVENTS.__getitem__)
        day = ui.ask_day("When?", f"when_{pair.id}", "today", when)
        pressed = st.form_submit_button("Note it")
    if pressed and not changed:
        with ui.errors_told():
            brood.note_event(ui.store(), pair, label, event, day, ui.tables())
            ui.done_next_run(f"{label} {EVENTS[event]}: {day}.")


def _take_off(pair: Pair, changed: bool) -> None:
    """What was recorded by mistake; the pair stays on record with the reason."""
    with st.expander("Recorded by mistake?"):
        place = f"started_{pair.id}_{pair.revision}"
        st.session_state.setdefault(place, pair.started)
        started = ui.ask_day("Together since", place)
        labels = [y.label for y in pair.young]
        young = st.selectbox("A young", labels, index=None, placeholder="Choose")
        left = tuple(y for y in pair.young if y.label != young)
        why = st.text_input("Or take the whole pair off, because ...", max_chars=200)
        with ui.errors_told():
            if started != pair.started and st.button("Change the day") and not changed:
                ui.store().save(dataclasses.replace(pair, started=started))
                ui.done_next_run("The day is changed.")
            if young is not None and st.button(f"Take {ui.literal(young)} off") and not changed:
                ui.store().save(dataclasses.replace(pair, young=left))
                ui.done_next_run(f"{young} is taken off.")
            if why.strip() and st.button("Take the pair off") and not changed:
                ui.store().withdraw(pair, why)
                ui.done_next_run("The pair is taken off the list.")


def _add(pair: Pair, changed: bool) -> None:
    st.subheader("Add an egg or a young, or change what was found", anchor=False)
    turn = st.session_state.get("young_turn", 0)  # an empty form once the last one is saved
    with st.form(f"young_{turn}"):
        label = st.text_input("Ring or name of the young")
        shows = st.selectbox(
            "Colour variety it shows",
            list(ui.tables().varieties),
            index=None,
            format_func=lambda k: ui.tables().varieties[k].called,
            placeholder="not looked at",
            key=f"young_shows_{turn}",
        )
        note = st.text_input("Its marks, in words", max_chars=200, key=f"young_note_{turn}")
        finding = st.radio("Found after its first moult", YOUNG_FINDINGS, index=2, horizontal=True)
        judged = "Kept as the bird (its own looks then judge it)"
        kept = ui.choose_bird(judged, f"young_bird_{turn}")
        laid = ui.ask_day("Laid (of an egg; dates follow from it)", f"young_laid_{turn}")
        hatched = ui.ask_day("Hatched", f"young_hatched_{turn}")
        pressed = st.form_submit_button("Save the young")
    if not pressed or changed:
        return
    with ui.errors_told():
        key = kept.id if kept else None
        young = Young(label.strip(), hatched, finding, key, note, shows or "", laid)
        brood.save_young(ui.store(), pair, young, ui.tables())
        st.session_state.young_turn = turn + 1
        ui.done_next_run(f"{label.strip()}: {finding}.")
