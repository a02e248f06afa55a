"""Findings screen: the conclusion, each species' marks, signs, colours and what to do next."""

from __future__ import annotations

import html

import streamlit as st

from fieldmarks.assessment import SpeciesSheet
from fieldmarks.findings import Finding, Status
from fieldmarks.measures import Reading
from fieldmarks.report.drawings import distance_bar, strip, swatch_pair
from fieldmarks.report.plane import colour_plane
from fieldmarks.screen.sheet import sheet as draw
from fieldmarks.screen.state import Work
from fieldmarks.signs import SignFinding, SignStatus
from fieldmarks.words import words

GROUPS = (
    (Status.DOES_NOT_FIT, "Does not fit", "fm-bad", "✗"),
    (Status.FITS, "Fits", "fm-good", "✓"),
    (Status.DOUBTFUL, "Doubtful: the measuring cannot decide", "fm-doubt", "?"),
    (Status.NOT_CALIBRATED, "Not calibrated: decides nothing", "fm-soft", "○"),
    (Status.SAYS_NOTHING, "Says nothing here", "fm-soft", "–"),
)
SHOWN_SIGNS = {
    SignStatus.SEEN: ("fm-bad", "!"),
    SignStatus.LOOK_AGAIN: ("fm-doubt", "↻"),
    SignStatus.DOUBTFUL: ("fm-doubt", "?"),
}


def verdict(work: Work) -> None:
    """The conclusion in one sentence, and how often it held."""
    if work.record is None:
        return
    conclusion = work.record.assessment.conclusion
    held = ""
    if conclusion.held is not None:
        held = (
            f"<small>Repeated over {work.record.question.draws} chances of how far the readings "
            f"may be off, this held in {conclusion.held:.0%}.</small>"
        )
    st.html(f"<div class='fm-verdict' role='status'>{html.escape(conclusion.sentence)}{held}</div>")


def next_panel(work: Work) -> None:
    """Buttons for the marks that would tell most."""
    if work.record is None:
        return
    drawn = {region.mark for region in work.regions.regions}
    offered: list[str] = []
    for coming in work.record.assessment.next_marks:
        wanted = work.tables.relations[coming.mark].marks if coming.relation else (coming.mark,)
        offered += [m for m in wanted if m not in drawn and m not in offered]
    if not offered:
        return
    st.markdown("**These marks would tell most. Press one, then draw it:**")
    with st.container(horizontal=True):
        for mark in offered[:4]:
            if st.button(work.tables.marks[mark].name, key=f"next_{mark}"):
                work.mark = mark
                st.rerun()


def species_panel(work: Work) -> None:
    """One section per species: what fits and what does not."""
    assert work.record is not None
    judged = work.record.assessment
    sheets = sorted(judged.sheets, key=lambda s: s.species not in judged.conclusion.subjects)
    for sheet in sheets:
        counts = ", ".join(
            f"{sheet.count(status)} {words}"
            for status, words in (
                (Status.FITS, "fit"),
                (Status.DOES_NOT_FIT, "do not fit"),
                (Status.DOUBTFUL, "doubtful"),
            )
            if sheet.count(status)
        )
        opened = sheet.species in judged.conclusion.subjects[:1]
        title = f"{sheet.species}, {sheet.name}: {counts or 'nothing compared yet'}"
        with st.expander(title, expanded=opened):
            _sheet(work, sheet)


def _sheet(work: Work, sheet: SpeciesSheet) -> None:
    unread = [f.name for f in sheet.findings if f.status is Status.NOT_READ]
    for status, title, style, sign in GROUPS:
        rows = [f for f in sheet.findings if f.status is status]
        if not rows:
            continue
        body = "".join(_finding_row(work, finding) for finding in rows)
        draw(
            f"<h4 class='{style}'>{sign} {title}</h4>{body}",
            key=f"sheet_{sheet.species}_{status.name}",
        )
    if unread:
        st.caption("Not read: " + ", ".join(unread) + ".")


def _finding_row(work: Work, finding: Finding) -> str:
    name = f"<strong>{html.escape(finding.name)}</strong>"
    reason = f"<span class='fm-soft'>{html.escape(finding.reason)}</span>"
    picture = ""
    reading = _reading(work, finding)
    if reading is not None and finding.nearest is not None:
        swatch = work.tables.swatches[finding.nearest]
        picture = swatch_pair(
            reading.lab, work.tables.lab[finding.nearest], ("read", swatch.name)
        ) + distance_bar(finding)
    elif finding.value is not None:
        picture = distance_bar(finding)
    return f"<div class='fm-row'><div>{name}<br>{reason}</div><div>{picture}</div></div>"


def _reading(work: Work, finding: Finding) -> Reading | None:
    assert work.record is not None
    readings = work.record.measurement.readings
    return next((r for r in readings if r.mark == finding.mark), None)


def signs_panel(work: Work) -> None:
    """Signs of mixed ancestry, side by side, with the ancestry each points to."""
    assert work.record is not None
    signs = work.record.assessment.signs
    shown = [s for s in signs if s.status in SHOWN_SIGNS]
    if shown:
        st.html("".join(_sign_row(work, sign) for sign in shown))
    else:
        st.write("No sign was seen in the marks read.")
    rest = {
        status: [s for s in signs if s.status is status]
        for status in (SignStatus.NOT_SEEN, SignStatus.NOT_LOOKED_AT, SignStatus.NOT_CALIBRATED)
    }
    for status, rows in rest.items():
        if rows:
            with st.expander(f"{status.value.capitalize()}: {len(rows)}"):
                for sign in rows:
                    st.markdown(f"- {html.escape(sign.text)} {html.escape(sign.reason)}")


def _sign_row(work: Work, sign: SignFinding) -> str:
    style, mark = SHOWN_SIGNS[sign.status]
    names = [work.tables.species[key].name for key in sign.points_to]
    return (
        f"<div class='fm-row'><div class='{style}'>{mark} {html.escape(sign.status.value)}</div>"
        f"<div>{html.escape(sign.text)} Points to <strong>{html.escape(', '.join(names))}</strong> "
        f"({html.escape(sign.strength)}). <span class='fm-soft'>{html.escape(sign.reason)}"
        "</span></div></div>"
    )


def colours_panel(work: Work) -> None:
    """Every reading with how it came about, and the readings in the a* b* plane."""
    assert work.record is not None
    readings = work.record.measurement.readings
    if not readings:
        st.write("Nothing is read yet.")
        return
    draw(colour_plane(work.record, work.tables), key="plane")
    for reading in readings:
        mark = work.tables.marks[reading.mark]
        light, a, b = reading.lab
        label = (
            f"{mark.name}: L* {light:.0f}, a* {a:.0f}, b* {b:.0f} (± {reading.expanded:.1f})"
            + ("" if reading.calibrated else ", not calibrated")
        )
        with st.expander(label):
            _how_it_came(reading)


def _how_it_came(reading: Reading) -> None:
    pixels = reading.pixels
    draw(strip(reading.populations), key=f"strip_{reading.mark}")
    st.markdown(
        f"- Chroma C* {reading.chroma:.1f}, hue h {reading.hue:.0f}°. All colours are CIELAB, "
        "D65, 2 degrees; the value is the median of the region.\n"
        f"- {pixels.used} of {pixels.total} pixels used; left out: {pixels.clipped} clipped, "
        f"{pixels.glare} shine; {pixels.dark} at the dark end.\n"
        f"- Uncertainty ± {reading.expanded:.1f} CIEDE2000 (k = 2), made of:"
    )
    st.table(
        [
            {
                "part": part.name,
                "L*": f"{part.lightness:.2f}",
                "C*": f"{part.chroma:.2f}",
                "hue": f"{part.hue:.2f}",
                "where it comes from": part.source,
            }
            for part in reading.budget.parts
        ]
    )
    for warning in reading.warnings:
        st.warning(warning)


def cautions_panel(work: Work) -> None:
    """What cannot be told, and the cautions."""
    assert work.record is not None
    for line in work.record.assessment.cautions:
        st.markdown(f"- {line}")


def words_panel() -> None:
    """Trade and measuring words, each explained when it is opened."""
    st.html(
        "".join(
            f"<details class='fm-entry' id='{row.anchor}'><summary>{html.escape(word)}</summary>"
            f"<p>{html.escape(row.text)}</p></details>"
            for word, row in words().items()
        )
    )
