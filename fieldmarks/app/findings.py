"""Findings screen: the conclusion, each species' marks, signs, colours and what to do next."""

from __future__ import annotations

import html

import streamlit as st

from fieldmarks.app.birds.shared import literal
from fieldmarks.app.sheet import sheet as draw
from fieldmarks.app.state import FIRST_MARK, Work
from fieldmarks.judge.scale import SURE
from fieldmarks.judge.signs import STRENGTHS, SignFinding, SignStatus
from fieldmarks.measure.quantities import Reading
from fieldmarks.report.drawings import strip
from fieldmarks.report.glossary import words
from fieldmarks.report.plane import colour_plane
from fieldmarks.report.views import (
    MarkView,
    SpeciesView,
    asked_note,
    clean_sheet_note,
    finding_summary,
    likelier_variety,
)

SHOWN_SIGNS = {
    SignStatus.SEEN: ("fm-bad", "!"),
    SignStatus.LOOK_AGAIN: ("fm-doubt", "↻"),
    SignStatus.DOUBTFUL: ("fm-doubt", "?"),
}


def verdict(work: Work, where: str) -> None:
    """The conclusion in one sentence, and how often it held.

    Parameters
    ----------
    work : Work
    where : str
        ``fm-narrow``: shown on a phone only, right below the photo; ``fm-wide``: on wider screens.
    """
    if work.record is None:
        return
    conclusion = work.record.assessment.conclusion
    notes = []
    if conclusion.held is not None:
        held = f"How likely that is, given the marks read: {conclusion.held:.0%}."
        if conclusion.held < SURE:
            held += " That is not settled: mark more, or take a better photo."
        notes.append(held)
    notes += clean_sheet_note(work.record)
    notes.append(f"{asked_note(work.record, work.tables)} Not so? Say it under The bird.")
    small = "".join(f"<small>{html.escape(note)}</small>" for note in notes)
    st.html(
        f"<div class='fm-verdict {where}' role='status'>{html.escape(conclusion.sentence)}"
        f"{small}</div>"
    )


def variety_panel(work: Work) -> None:
    """A variety that the colours fit better, to be taken with one press."""
    likelier = likelier_variety(work.record, work.tables) if work.record else None
    if likelier is None:
        return
    key, said = likelier
    st.info(literal(said))
    name = work.tables.varieties[key].name
    st.button(f"Look at it as {name}", on_click=work.say, kwargs={"variety": key}, key="as_variety")


def next_panel(work: Work) -> None:
    """Buttons for the marks that would tell most."""
    if work.record is None:
        return
    drawn = {region.mark for region in work.regions.regions}
    offered: list[str] = []
    for coming in work.record.assessment.next_marks:
        wanted = work.tables.relations[coming.mark].marks if coming.relation else (coming.mark,)
        offered += [m for m in wanted if m not in drawn and m not in offered]
    if FIRST_MARK not in drawn and work.mark != FIRST_MARK:
        offered.insert(0, FIRST_MARK)  # without it no fine tint is judged
    if not offered:
        return
    with st.container(horizontal=True, vertical_alignment="center", gap="small", key="coming"):
        st.markdown("**These marks would tell most:**", width="content")
        for mark in offered[:3]:
            if st.button(work.tables.marks[mark].name, key=f"next_{mark}"):
                work.mark = mark
                st.rerun()


def species_panel(work: Work) -> None:
    """One section per species: what fits and what does not."""
    assert work.record is not None
    for number, view in enumerate(finding_summary(work.record, work.tables)):
        title = f"{view.species}, {view.name}: {view.tally}"
        with st.expander(title, expanded=number == 0 and view.subject):
            _species(view)


def _species(view: SpeciesView) -> None:
    groups = (
        ("Does not fit", "fm-bad", view.does_not_fit),
        ("Fits", "fm-good", view.fits),
        ("Probably fits", "fm-good", view.probably_fits),
        ("Too close to call", "fm-doubt", view.too_close),
    )
    body = "".join(
        f"<h4 class='{style}'>{title}</h4>{''.join(_mark_row(mark) for mark in marks)}"
        for title, style, marks in groups
        if marks
    )
    draw(body or "<p>Nothing is compared yet.</p>", key=f"species_{view.species}")
    for title, marks in (("Not read", view.not_read), ("Says nothing here", view.says_nothing)):
        if marks:
            st.caption(f"{title}: {', '.join(mark.finding.name for mark in marks)}.")


def _mark_row(mark: MarkView) -> str:
    finding = mark.finding
    return (
        f"<div class='fm-row'><div><strong>{html.escape(mark.letter)} "
        f"{html.escape(finding.name)}</strong><br>"
        f"<span class='fm-soft'>{html.escape(finding.reason)}</span></div>"
        f"<div>{mark.pair}{mark.shares}{mark.bar}</div></div>"
    )


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
        for status in (SignStatus.NOT_SEEN, SignStatus.NOT_LOOKED_AT)
    }
    for status, rows in rest.items():
        if rows:
            with st.expander(f"{status.value.capitalize()}: {len(rows)}"):
                for sign in rows:
                    st.markdown(f"- {html.escape(sign.text)} {html.escape(sign.reason)}")


def _sign_row(work: Work, sign: SignFinding) -> str:
    style, mark = SHOWN_SIGNS[sign.status]
    names = [work.tables.species[key].name for key in sign.points_to]
    strength = STRENGTHS.get(sign.strength, sign.strength)
    return (
        f"<div class='fm-row'><div class='{style}'>{mark} {html.escape(sign.status.value)}</div>"
        f"<div>{html.escape(sign.text)} Points to <strong>{html.escape(', '.join(names))}</strong> "
        f"({html.escape(strength)}). <span class='fm-soft'>{html.escape(sign.reason)}"
        "</span></div></div>"
    )


def colours_panel(work: Work) -> None:
    """Every reading with how it came about, and the readings in the a* b* plane."""
    assert work.record is not None
    readings = work.record.measurement.readings
    if not readings:
        st.write("Nothing is read yet.")
        return
    names = {key: mark.name for key, mark in work.tables.marks.items()}
    body = "".join(_how_it_came(names[reading.mark], reading) for reading in readings)
    draw(colour_plane(work.record, work.tables) + body, key="colours")


def _how_it_came(name: str, reading: Reading) -> str:
    """One reading as a line that opens to show where its numbers come from."""
    light, a, b = reading.lab
    pixels = reading.pixels
    note = "" if reading.calibrated else ", not calibrated"
    parts = "".join(
        f"<tr><th scope='row'>{part.name}</th><td>{part.lightness:.2f}</td>"
        f"<td>{part.chroma:.2f}</td><td>{part.hue:.2f}</td>"
        f"<td>{html.escape(part.source)}</td></tr>"
        for part in reading.budget.parts
    )
    warned = (f"<li><strong>{html.escape(text)}</strong></li>" for text in reading.warnings)
    return (
        f"<details class='fm-entry fm-reading' data-mark='{html.escape(name)}'><summary>"
        f"{html.escape(name)}: L* {light:.0f}, a* {a:.0f}, b* {b:.0f} "
        f"(± {reading.expanded:.1f}){note}</summary>{strip(reading.populations)}<ul>"
        f"<li>Chroma C* {reading.chroma:.1f}, hue h {reading.hue:.0f}°. All colours are CIELAB, "
        "D65, 2 degrees; the value is the median of the region.</li>"
        f"<li>{pixels.used} of {pixels.total} pixels used; left out: {pixels.clipped} clipped, "
        f"{pixels.glare} shine; {pixels.dark} at the dark end.</li>{''.join(warned)}</ul>"
        f"<table><caption>Uncertainty ± {reading.expanded:.1f} CIEDE2000 (k = 2), made of "
        "(k = 1):</caption><thead><tr><th scope='col'>part</th><th scope='col'>L*</th>"
        "<th scope='col'>C*</th><th scope='col'>hue</th><th scope='col'>where it comes from</th>"
        f"</tr></thead><tbody>{parts}</tbody></table></details>"
    )


def cautions_panel(work: Work) -> None:
    """What cannot be told, and the cautions."""
    assert work.record is not None
    for line in work.record.assessment.cautions:
        st.markdown(f"- {line}")


def words_panel(_: Work) -> None:
    """Trade and measuring words, each explained when it is opened."""
    st.html(
        "".join(
            f"<details class='fm-entry' id='{row.anchor}'><summary>{html.escape(word)}</summary>"
            f"<p>{html.escape(row.text)}</p></details>"
            for word, row in words().items()
        )
    )
