"""Disputes: compare measurers, write a dossier, verify one."""

from __future__ import annotations

import tempfile
from pathlib import Path

import streamlit as st

from fieldmarks.errors import FieldmarksError
from fieldmarks.life.agreement import Agreement
from fieldmarks.life.bird import Bird, Entry
from fieldmarks.life.desk import compare_measurers, make_dossier
from fieldmarks.life.dossier import verify_dossier
from fieldmarks.screen.life.shared import (
    bullets,
    choose_bird,
    heading,
    say,
    store,
    tables,
    told,
    verdict,
)

STORIES = (
    ("depends on who measured", "Depends on who measured"),
    ("depends on the photo", "Depends on the photo"),
    ("all agree", "Stands for all"),
)


def dispute_page() -> None:
    """Two opinions on one bird."""
    heading("Two opinions?", "Compare who measured what, and hand over numbers others can repeat.")
    compare, verify = st.tabs(["Compare and hand over", "Verify a dossier"])
    with compare:
        _compare()
    with verify:
        _verify()


def _compare() -> None:
    bird = choose_bird("Which bird?", "dispute_bird")
    if bird is None:
        return
    entries = [e for e in store().entries(bird.id) if e.looks]
    labels = {e.id: f"{e.day.isoformat()}, {e.measured_by or 'someone'} ({e.stage})"
              for e in entries}  # fmt: skip
    chosen = st.multiselect(
        "Entries", list(labels), list(labels), format_func=lambda k: labels[k], key="dispute_of"
    )
    picked = [e for e in entries if e.id in chosen]
    if not picked:
        st.write("Choose one or more entries.")
        return
    if sum(len(e.looks) for e in picked) > 1:
        try:
            show_agreement(compare_measurers(store(), picked))
        except FieldmarksError as error:
            told(error)
    _hand_over(bird, picked)


def show_agreement(found: Agreement) -> None:
    """Put an agreement on the page."""
    by = {story: [f for f in found.findings if f.story == story] for story, _ in STORIES}
    verdict(
        f"{len(by['all agree'])} findings stand for all; "
        f"{len(by['depends on who measured'])} depend on who measured; "
        f"{len(by['depends on the photo'])} depend on the photo."
    )
    bullets("What each says", [f"{who}, {photo}: {said}" for who, photo, said in found.conclusions])
    for story, title in STORIES:
        bullets(
            title,
            [
                f"{f.name}: "
                + (f.said[0][2] if story == "all agree"
                   else "; ".join(f"{who}: {status}" for who, _, status in f.said))
                for f in by[story]
            ],
        )  # fmt: skip
    st.subheader("Mark by mark", anchor=False)
    st.table([_mark_row(m) for m in found.marks])
    st.caption(
        "Repeatability: two readings of one photo differ by less in about 95 % of cases. Shared "
        "region: shared area over joint area of the outlines (Bland & Altman 1986 for the first)."
    )
    for (one, other), limits in found.limits.items():
        said = ", ".join(f"{q} {v.low:+.1f} to {v.high:+.1f}" for q, v in limits.items())
        say(f"Limits of agreement, {one} less {other}: {said}.")


def _mark_row(mark: object) -> dict[str, str]:
    from fieldmarks.life.agreement import MarkAgreement

    assert isinstance(mark, MarkAgreement)
    rows = tables().marks
    number = {q: "" if v is None else f"{v:.1f}" for q, v in mark.repeatability.items()}
    shared = "" if mark.overlap is None else f"{mark.overlap:.0%} ({' / '.join(mark.between)})"
    return {
        "mark": rows[mark.mark].name if mark.mark in rows else mark.mark,
        "readings": str(mark.readings),
        "largest difference": "" if mark.largest is None else f"{mark.largest:.1f}",
        "repeatability L*": number["L*"],
        "a*": number["a*"],
        "b*": number["b*"],
        "least shared region": shared,
    }


def _hand_over(bird: Bird, entries: list[Entry]) -> None:
    st.subheader("Hand it over", anchor=False)
    st.caption(
        "The dossier holds the photos as they were taken, your regions, the records, the tables "
        "and a PDF. Your notes and where the bird came from stay here."
    )
    agreed = st.checkbox("Photos may go along even if the place is written in them")
    if st.button("Make the dossier"):
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "dossier.zip"
            try:
                seal = make_dossier(store(), bird, entries, tables(), target, agreed)
            except FieldmarksError as error:
                told(error)
                return
            st.session_state.life_dossier = (bird.id, seal, target.read_bytes())
    made = st.session_state.get("life_dossier")
    if made and made[0] == bird.id:
        st.success(f"Seal: {made[1]}")
        st.caption("Tell the other side this seal by another way, so that they can compare it.")
        st.download_button(
            "Save the dossier", made[2], "dossier.zip", "application/zip", on_click="ignore"
        )


def _verify() -> None:
    chosen = st.file_uploader("Dossier", type=["zip"], key="dossier_file")
    if chosen is None:
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "dossier.zip"
        path.write_bytes(chosen.getvalue())
        try:
            with st.spinner("Measuring everything again ..."):
                result = verify_dossier(path, tables())
        except FieldmarksError as error:
            told(error)
            return
    verdict(result.sentence, "fm-good" if result.same else "fm-bad")
    for outcome, title in (("different", "Different"), ("note", "To note"), ("same", "Same")):
        bullets(
            title,
            [
                f"{c.where}: {c.what}" + (f" ({c.detail})" if c.detail else "")
                for c in result.checks
                if c.outcome == outcome
            ],
        )
    st.write(f"Seal: {result.seal}")
    st.caption("A dossier cannot show who took a photo, or which bird is on it.")
