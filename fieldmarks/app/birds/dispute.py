"""Disputes: compare measurers, write a dossier, verify one."""

import tempfile
from collections.abc import Mapping
from pathlib import Path

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.app.page import way_to
from fieldmarks.birds.agreement import Agreement, MarkAgreement
from fieldmarks.birds.dossier import verify_dossier
from fieldmarks.birds.model import Bird, Entry
from fieldmarks.birds.service import compare_measurers, make_dossier
from fieldmarks.measure.location import TOLD, TOLD_WITH_PLACE
from fieldmarks.report.plane import mark_name

STORIES = (
    ("depends on who measured", "Depends on who measured"),
    ("depends on the photo", "Depends on the photo"),
    ("all agree", "Stands for all"),
)


def dispute_page() -> None:
    """Two opinions on one bird."""
    lead = "Compare who measured what, and hand over numbers others can repeat."
    ui.heading("Two opinions?", lead)
    compare, verify = st.tabs(["Compare and hand over", "Verify a dossier"])
    with compare:
        _compare()
    with verify:
        _verify()


def _compare() -> None:
    if ui.no_bird_yet():
        return
    bird = ui.choose_bird("Which bird?", "dispute_bird")
    if bird is None:
        st.caption("Choose the bird that the two sides see differently.")
        return
    entries = [e for e in ui.store().entries(bird.id) if e.observations]
    if not entries:
        st.info(
            "No look of this bird is kept. Each side marks the photo on the page Look at a bird "
            "and keeps it there under its own name."
        )
        way_to("look")
        return
    picked = ui.choose_looks("Entries", entries, "dispute_of", stage=True, chosen=True)
    if not picked:
        st.write("Choose one or more entries.")
        return
    if sum(len(e.observations) for e in picked) > 1:
        with ui.errors_told():
            days = {look.photo: e.day.isoformat() for e in picked for look in e.observations}
            asked = tuple((e.id, e.revision) for e in picked)
            show_agreement(_compared(asked, picked), days)
    else:
        st.info(
            "One look alone has nothing to be compared with. It can be handed over all the same."
        )
    _hand_over(bird, picked)


@st.cache_data(show_spinner="Comparing ...", max_entries=8)
def _compared(asked: tuple[tuple[str, int], ...], _entries: list[Entry]) -> Agreement:
    """The agreement of some entries: reading many photos again at every press would take long."""
    return compare_measurers(ui.store(), _entries)


def show_agreement(found: Agreement, days: Mapping[str, str]) -> None:
    """Put an agreement on the page; ``days`` are those of the looks, by a photo's fingerprint."""
    by = {story: [f for f in found.findings if f.story == story] for story, _ in STORIES}
    ui.verdict(
        f"{len(by['all agree'])} findings stand for all; "
        f"{len(by['depends on who measured'])} depend on who measured; "
        f"{len(by['depends on the photo'])} depend on the photo."
    )
    if found.note:
        st.info(found.note)
    ui.bullets(
        "What each says", [f"{who}, {photo}: {said}" for who, photo, said in found.conclusions]
    )
    for story, title in STORIES:
        ui.bullets(
            title,
            [
                f"{f.name}: "
                + (f.said[0][2] if story == "all agree"
                   else "; ".join(f"{who}, {days.get(photo, '')}: {status}"
                                  for who, photo, status in f.said))
                for f in by[story]
            ],
        )  # fmt: skip
    st.subheader("Mark by mark", anchor=False)
    st.table([_mark_row(m) for m in found.marks])
    compared = dict.fromkeys(" / ".join(m.between) for m in found.marks if m.between)
    st.caption(
        "Differences are in CIEDE2000. Repeat: two readings of one photo differ by less than this "
        "in about 95 % of cases (repeatability, Bland & Altman 1986). Shared: the area "
        "that the outlines have in common, as a share of the area they cover together"
        + ui.literal(f" ({', '.join(compared)})." if compared else ".")
    )
    for (one, other), limits in found.limits.items():
        said = ", ".join(f"{q} {v.low:+.1f} to {v.high:+.1f}" for q, v in limits.items())
        ui.say(f"Limits of agreement, {one} less {other}: {said}.")


def _mark_row(mark: MarkAgreement) -> dict[str, str]:
    numbers = {"largest gap": mark.largest}
    numbers |= {f"repeat {quantity}": value for quantity, value in mark.repeatability.items()}
    return {
        "mark": mark_name(ui.tables(), mark.mark),
        "looks": str(mark.readings),
        **{what: "" if value is None else f"{value:.1f}" for what, value in numbers.items()},
        "shared": "" if mark.overlap is None else f"{mark.overlap:.0%}",
    }


@ui.errors_told()
def _hand_over(bird: Bird, entries: list[Entry]) -> None:
    st.subheader("Hand it over", anchor=False)
    st.caption(
        "The dossier holds the photos, your regions, the records, the tables and a PDF. Your notes "
        "and where the bird came from stay here."
    )
    agreed = st.checkbox("Photos as they were taken, with the place in them")
    st.caption(TOLD_WITH_PLACE if agreed else TOLD)
    asked = (bird.id, agreed, tuple(entry.id for entry in entries))
    if st.button("Make the dossier"):
        with (
            ui.progress("Packing photos, records and the PDF") as tell,
            tempfile.TemporaryDirectory() as folder,
        ):
            target = Path(folder) / "dossier.zip"
            seal = make_dossier(ui.store(), bird, entries, ui.tables(), target, agreed, tell)
            st.session_state.life_dossier = (asked, seal, target.read_bytes())
    made = st.session_state.get("life_dossier")
    if made and made[0] == asked:  # one that was made otherwise must not go out
        st.success(f"Seal: {made[1].seal}")
        st.caption(
            f"Signed with your key {made[1].key}. Tell the other side seal and key by another way, "
            "so that they can compare them."
        )
        ui.save_button("Save the dossier", made[2], "dossier.zip")


@ui.errors_told()
def _verify() -> None:
    st.caption(
        "Choose a dossier that someone gave you. Everything in it is measured again, and you see "
        "whether the same numbers come out."
    )
    told_seal = st.text_input("Seal its maker told you", key="dossier_seal")
    told_key = st.text_input("Key its maker told you", key="dossier_key")
    chosen = st.file_uploader("Dossier", type=["zip"], key="dossier_file")
    if chosen is None:
        return
    with ui.uploaded(chosen) as path, ui.progress("Measuring everything again") as tell:
        result = verify_dossier(path, ui.tables(), told_seal, told_key, tell)
    ui.verdict(result.sentence, "fm-good" if result.same else "fm-bad")
    lines: dict[str, list[str]] = {"different": [], "note": [], "same": []}
    for c in result.checks:
        lines[c.outcome].append(f"{c.where}: {c.what}" + (f" ({c.detail})" if c.detail else ""))
    ui.bullets("Different", lines["different"])
    ui.bullets("To note", lines["note"])
    with st.expander(f"Checked, no difference: {len(lines['same'])}"):
        ui.bullets("", lines["same"])
    st.write(f"Seal: {result.seal}")
    st.write(f"Signed with the key: {result.key or 'none'}")
    st.caption("A dossier cannot show who took a photo, or which bird is on it.")
