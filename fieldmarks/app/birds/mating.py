"""Pairs and young: eggs and young with their days, and what they tell of the parents."""

from __future__ import annotations

import dataclasses
import html
from datetime import date

import streamlit as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds.shared import (
    bullets,
    changed_elsewhere,
    choose_bird,
    done_next_run,
    heading,
    literal,
    may_change,
    no_bird_yet,
    say_done,
    store,
    tables,
    told,
    verdict,
)
from fieldmarks.app.ways import way_to
from fieldmarks.birds.brood import (
    dates_of,
    mating_result,
    note_event,
    save_young,
    young_with_findings,
)
from fieldmarks.birds.model import EARLIEST, EVENTS, YOUNG_FINDINGS, Pair, Young
from fieldmarks.birds.service import before_test, pair_labels


def mating_page() -> None:
    """Follow a test mating."""
    heading(
        "Pairs and young",
        "From egg to first moult. Where plumage cannot tell, the young with a pure mate may.",
    )
    say_done()
    pairs = {p.id: p for p in store().pairs()}
    if not pairs:
        if not no_bird_yet():
            st.info(
                "No pair is on record yet. Choose two birds on the page A pair? and record them."
            )
            way_to("pair")
        return
    labels = pair_labels(store(), pairs.values())
    chosen = st.selectbox(
        "Pair", list(pairs), format_func=lambda k: labels.get(k, k), key="mating_pair"
    )
    pair = pairs[chosen]
    accepted = (
        st.slider(
            "How often may clean young be mere luck? (%)",
            1,
            20,
            5,
            help="The smaller the chance you allow, the more young are needed.",
        )
        / 100
    )
    result = mating_result(store(), pair, tables(), accepted)
    verdict(result.sentence, "fm-bad" if result.signs else "")
    strong = "How strong that is, if ... (these chances are assumptions)"
    bullets(strong, [str(s) for s in result.strengths])
    _young(dataclasses.replace(pair, young=tuple(young_with_findings(store(), pair, tables()))))
    bullets("What does not count, and was not looked at", result.gaps)
    bullets("Dates", [r.text for r in dates_of(store(), [pair], tables(), date.today())])
    changed = changed_elsewhere(f"pair {pair.id}", [pair])
    if may_change():
        _note(pair, changed)
        _add(pair, changed)
        _take_off(pair, changed)
    try:
        first, second = store().bird(pair.first), store().bird(pair.second)
        bullets("Keep in mind", before_test(store(), first, second, tables(), date.today()))
    except FieldmarksError as error:
        told(error)


def _young(pair: Pair) -> None:
    looks = {"clean": "fm-good", "sign": "fm-bad", "unclear": "fm-doubt"}
    rows = "".join(
        f"<li>{html.escape(y.label)}: <span class='{looks[y.finding]}'>{y.finding}</span>"
        f"{f', {html.escape(_variety(y.shows))}' if y.shows else ''}"
        f"{''.join(f', {told} <b class=fm-whole>{day}</b>' for told, day in _days(y))}"
        f" {html.escape(y.note)}</li>"
        for y in pair.young
    )
    st.subheader(f"Eggs and young: {len(pair.young)}", anchor=False)
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
        day = when.date_input(
            "When?", "today", min_value=EARLIEST, max_value=date.today(), key=f"when_{pair.id}"
        )
        pressed = st.form_submit_button("Note it")
    if pressed and not changed:
        try:
            note_event(store(), pair, label, event, day, tables())
        except FieldmarksError as error:
            told(error)
        else:
            done_next_run(f"{label} {EVENTS[event]}: {day}.")


def _variety(key: str) -> str:
    row = tables().varieties.get(key)
    return row.name if row else key


def _take_off(pair: Pair, changed: bool) -> None:
    """What was recorded by mistake; the pair stays on record with the reason."""
    with st.expander("Recorded by mistake?"):
        place = f"started_{pair.id}_{pair.revision}"
        st.session_state.setdefault(place, pair.started)
        started = st.date_input(
            "Together since", None, min_value=EARLIEST, max_value=date.today(), key=place
        )
        young = st.selectbox(
            "A young", [y.label for y in pair.young], index=None, placeholder="Choose"
        )
        left = tuple(y for y in pair.young if y.label != young)
        why = st.text_input("Or take the whole pair off, because ...", max_chars=200)
        try:
            if started != pair.started and st.button("Change the day") and not changed:
                store().save(dataclasses.replace(pair, started=started))
                done_next_run("The day is changed.")
            if young is not None and st.button(f"Take {literal(young)} off") and not changed:
                store().save(dataclasses.replace(pair, young=left))
                done_next_run(f"{young} is taken off.")
            if why.strip() and st.button("Take the pair off") and not changed:
                store().withdraw(pair, why)
                done_next_run("The pair is taken off the list.")
        except FieldmarksError as error:
            told(error)


def _add(pair: Pair, changed: bool) -> None:
    st.subheader("Add an egg or a young, or change what was found", anchor=False)
    turn = st.session_state.get("young_turn", 0)  # an empty form once the last one is saved
    with st.form(f"young_{turn}"):
        label = st.text_input("Ring or name of the young")
        shows = st.selectbox(
            "Colour variety it shows",
            list(tables().varieties),
            index=None,
            format_func=lambda k: tables().varieties[k].called,
            placeholder="not looked at",
            key=f"young_shows_{turn}",
        )
        note = st.text_input("Its marks, in words", max_chars=200, key=f"young_note_{turn}")
        finding = st.radio("Found after its first moult", YOUNG_FINDINGS, index=2, horizontal=True)
        kept = choose_bird("Kept as the bird (its own looks then judge it)", f"young_bird_{turn}")
        laid = st.date_input(
            "Laid (of an egg; dates follow from it)",
            None,
            min_value=EARLIEST,
            max_value=date.today(),
            key=f"young_laid_{turn}",
        )
        hatched = st.date_input(
            "Hatched", None, min_value=EARLIEST, max_value=date.today(), key=f"young_hatched_{turn}"
        )
        pressed = st.form_submit_button("Save the young")
    if not pressed or changed:
        return
    try:
        key = kept.id if kept else None
        young = Young(label.strip(), hatched, finding, key, note, shows or "", laid)
        save_young(store(), pair, young, tables())
    except FieldmarksError as error:
        told(error)
    else:
        st.session_state.young_turn = turn + 1
        done_next_run(f"{label.strip()}: {finding}.")
