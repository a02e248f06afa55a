"""Findings screen: the verdict, then all that was compared, folded."""

import base64
from collections.abc import Iterable
from html import escape

import numpy as np
import streamlit as st
from PIL import Image, ImageDraw

from fieldmarks.app.birds.shared import literal
from fieldmarks.app.sheet import fold
from fieldmarks.app.sheet import sheet as draw
from fieldmarks.app.state import FIRST_MARK, Work
from fieldmarks.birds.advice import advice_table
from fieldmarks.judge.findings import Status
from fieldmarks.judge.scale import EXPLAINED
from fieldmarks.judge.signs import STRENGTHS, SignFinding, SignStatus
from fieldmarks.measure.quantities import Reading
from fieldmarks.measure.region import vertices
from fieldmarks.report.content import SHOWN_SIGNS
from fieldmarks.report.drawings import status_icon, strip
from fieldmarks.report.glossary import words
from fieldmarks.report.picture import to_jpeg
from fieldmarks.report.plane import colour_plane
from fieldmarks.report.svg import hexadecimal
from fieldmarks.report.verdict import Reason, Verdict
from fieldmarks.report.views import (
    AGAINST,
    FOR,
    MarkView,
    SpeciesView,
    clean_sheet_note,
    finding_summary,
    likelier_variety,
    sign_words,
)

TONE_SIGNS = {"good": "✓", "bad": "✗", "doubt": "?", "soft": "…"}
CROP = 88  # CSS pixels
APART = 2  # disagreements on the card; all are in the details
IN_NUMBERS = (
    "CIELAB, D65, 2 degrees: the median of each mark. ± is CIEDE2000 (19 times in 20), its parts "
    "are one standard deviation each."
)
SIGN_LOOKS = (("fm-bad", "!"), ("fm-doubt", "↻"), ("fm-doubt", "?"))  # as SHOWN_SIGNS has them


def _list(items: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{escape(item)}</li>' for item in items)}</ul>"


def verdict_line(verdict: Verdict) -> str:
    """The verdict in one line, with its sign."""
    return f"{TONE_SIGNS[verdict.tone]} {verdict.headline}"


def verdict_card(work: Work, onward: bool = True) -> None:
    """The verdict to read standing up: what, how strongly, why not, before paying.

    ``onward`` puts what to do next beside it, which needs the photo on the same page.
    """
    found, question, tables = work.day.verdict, work.day.question, work.tables
    if work.day.judged is None or found is None:
        return
    lines = [found.kind, found.sold_as, found.tally]
    if found.tone == "good":
        lines += clean_sheet_note(work.day.judged)
    asked = f"{tables.varieties[question.variety].name}, {tables.ages[question.age].name}"
    asked += "" if question.claimed else "; sold as: not said"
    parts = [f"<p>{escape(line)}</p>" for line in lines if line]
    parts += [_reason(work, reason) for reason in found.reasons]
    parts += [f"<p>The photos disagree. {escape(line)}</p>" for line in found.apart[:APART]]
    parts += [f"<small>Looked at as {escape(asked)}. Change it under “The bird”.</small>"]
    sign = f"<span class='fm-sign' aria-hidden='true'>{TONE_SIGNS[found.tone]}</span>"
    st.html(
        f"<div class='fm-verdict fm-is-{found.tone}' role='status'>"
        f"<h2>{sign}{escape(found.headline)}</h2>{''.join(parts)}</div>"
    )
    # While the photo asks for taps, nothing else asks for anything.
    if onward and not work.taps_asked and not work.offers:
        _variety(work)
        _next(work)
    table = advice_table()
    ask, keep = _list(row.text for row in table.ask), _list(table.cautions("buying"))
    body = f"<p>Ask the seller:</p>{ask}<p>Keep in mind:</p>{keep}"
    st.html(fold("Before paying: papers, avian vet, quarantine", body))


def _reason(work: Work, reason: Reason) -> str:
    """A reason against: the spot on the photo, its colour and the one expected."""
    of = next((one for one in work.day.photos if one.photo.name == reason.photo), work)
    crop = crop_of(of, reason.mark)
    chips = "".join(
        f"<figure><span class='fm-chip' style='background: {hexadecimal(lab)}'></span>"
        f"<figcaption>{word}</figcaption></figure>"
        for word, lab in (("here", reason.read), ("should be", reason.wanted))
        if lab is not None
    )
    shown = f"<img src='{crop}' alt='{escape(reason.name)} on the photo'>" if crop else ""
    return (
        f"<div class='fm-reason'>{shown}<div><p>{escape(reason.text)}.</p>"
        f"<div class='fm-chips'>{chips}</div></div></div>"
    )


def crop_of(work: Work, mark: str) -> str:
    """The spot of a mark on the photo, as the address of a small picture.

    All its outlines are in it: the reading is of their pixels together.
    """
    small = work.screen_pixels
    scale = small.shape[1] / work.regions.width
    outlines = [vertices(region.shape) * scale for region in work.regions.of(mark)]
    if not outlines:
        return ""
    points = np.concatenate(outlines)
    low, high = points.min(axis=0), points.max(axis=0)
    half = 0.8 * max(*(high - low), 12.0)
    x, y = (low + high) / 2
    left, top, right, bottom = (round(float(v)) for v in (x - half, y - half, x + half, y + half))
    side = 2 * CROP
    spot = (
        Image.fromarray(small)
        .crop((left, top, right, bottom))
        .resize((side, side), Image.Resampling.BICUBIC)
    )
    pen = ImageDraw.Draw(spot)
    for colour, width in (("#10151a", 6), ("#ffffff", 3)):
        for outline in outlines:
            line = [tuple(p) for p in (outline - (left, top)) * side / (right - left)]
            pen.line([*line, line[0]], fill=colour, width=width)
    return f"data:image/jpeg;base64,{base64.b64encode(to_jpeg(spot, 80)).decode()}"


def _variety(work: Work) -> None:
    """A variety that the colours fit better, to be taken with one press."""
    judged = work.day.judged
    likelier = likelier_variety(judged, work.tables) if judged else None
    if likelier is None:
        return
    key, said = likelier
    st.info(literal(said))
    name = work.tables.varieties[key].name
    st.button(f"Look at it as {name}", on_click=work.say, kwargs={"variety": key}, key="as_variety")


def _next(work: Work) -> None:
    """The one thing to do next."""
    coming = work.coming
    if coming:
        name = work.tables.marks[coming[0]].name
        card = " (or press No card)" if coming[0] == FIRST_MARK else ""
        st.button(
            f"Next: mark the {name}{card}",
            key="next",
            type="primary",
            width="stretch",
            on_click=work.turn_to,
            args=(coming[0],),
        )
        return
    unseen = [work.tables.marks[mark].name for mark in work.skipped if mark != FIRST_MARK]
    if unseen:
        said = f"Next: a photo that shows the {' and the '.join(unseen[:3])}."
    elif not work.has_card:
        said = "Next: the same photo with a grey card beside the bird."
    else:
        said = "Next: keep this on the bird's record, or save the report."
    st.html(f"<p class='fm-next'>{escape(said)}</p>")


def details_panel(work: Work) -> None:
    """Species, signs and colours in one place: counts first, each row opens."""
    judged = work.day.judged
    assert judged is not None
    if not work.day.is_read:
        st.caption("Species, signs and colours come here.")
        return
    body = "".join(_species(view) for view in finding_summary(judged, work.tables))
    body += _signs(work, judged.assessment.signs)
    if apart := judged.assessment.disagreements:
        title = f"<b>Where the photos disagree</b> {len(apart)}"
        body += fold(title, _list(one.sentence for one in apart))
    names = {key: mark.name for key, mark in work.tables.marks.items()}
    for one in judged.records:
        if readings := one.measurement.readings:
            of = f" on {escape(one.photo)}" if len(judged.records) > 1 else ""
            inside = f"{colour_plane(one, work.tables)}<p class='fm-soft'>{IN_NUMBERS}</p>"
            inside += _sources(readings)
            inside += "".join(_how_it_came(names[reading.mark], reading) for reading in readings)
            body += fold(f"<b>Colours in numbers</b>{of} {len(readings)}", inside)
    draw(f"<div>{body}<p class='fm-soft'>{escape(EXPLAINED)}</p></div>", key="details")


def _species(view: SpeciesView) -> str:
    """One species as a row of counts that opens."""
    groups = {status: view.of(status) for status in (*AGAINST, *FOR)}
    counts = "".join(
        f"<span class='fm-count'>{status_icon(status, 16)} {len(marks)}</span>"
        for status, marks in reversed(groups.items())
    )
    # Of a species that the bird is not looked at as, what speaks against it is enough to draw.
    drawn = (*AGAINST, *FOR) if view.subject else AGAINST
    body = "".join(
        f"<h4>{status.capitalize()}</h4>{''.join(_mark_row(mark) for mark in groups[status])}"
        for status in drawn
        if groups[status]
    )
    rest = () if view.subject else FOR
    for status in (*rest, Status.NOT_READ, Status.SAYS_NOTHING):
        if marks := view.of(status):
            names = escape(", ".join(mark.finding.name for mark in marks))
            body += f"<p class='fm-soft'>{status.capitalize()}: {names}.</p>"
    name = f"<b>{escape(view.name)}</b> {counts}"
    return fold(name, f"<i>{escape(view.scientific)}</i>{body}", "fm-species")


def _mark_row(mark: MarkView) -> str:
    name = escape(f"{mark.letter} {mark.finding.name}")
    drawn = f"{mark.pair}{mark.shares}{mark.bar}"
    return f"<div class='fm-row'><strong>{name}</strong><div>{drawn}</div></div>"


def _signs(work: Work, signs: tuple[SignFinding, ...]) -> str:
    """Signs of mixed ancestry: those seen open, the others counted."""
    seen = [sign for sign in signs if sign.status in SHOWN_SIGNS]
    body = ""
    for sign in seen:
        style, mark = SIGN_LOOKS[SHOWN_SIGNS.index(sign.status)]
        species = " or ".join(work.tables.species[key].name for key in sign.points_to)
        strength = STRENGTHS.get(sign.strength, sign.strength)
        body += (
            f"<div class='fm-row'><div class='{style}'>{mark} {escape(sign.status.value)}</div>"
            f"<div>{escape(sign_words(sign, work.tables))} Points to "
            f"<strong>{escape(species)}</strong> ({escape(strength)}).</div></div>"
        )
    for status in (SignStatus.NOT_SEEN, SignStatus.NOT_LOOKED_AT):
        if texts := [sign.text for sign in signs if sign.status is status]:
            body += f"<h4>{status.value.capitalize()}</h4>{_list(texts)}"
    return fold(f"<b>Signs of mixed ancestry</b> {len(seen)} of {len(signs)}", body)


def _sources(readings: Iterable[Reading]) -> str:
    """Where the parts of all uncertainties come from, each said once."""
    parts = (part for one in readings for part in one.budget.parts)
    said = _list(dict.fromkeys(f"{part.name}: {part.source}" for part in parts))
    return f"<details><summary>Where each part comes from</summary>{said}</details>"


def _how_it_came(name: str, reading: Reading) -> str:
    """One reading as a line that opens to show what its numbers are made of."""
    light, a, b = reading.lab
    pixels = reading.pixels
    note = "" if reading.calibrated else ", no grey card"
    parts = "".join(
        f"<tr><th scope='row'>{part.name}</th><td>{part.lightness:.2f}</td>"
        f"<td>{part.chroma:.2f}</td><td>{part.hue:.2f}</td></tr>"
        for part in reading.budget.parts
    )
    left = ((pixels.clipped, "clipped"), (pixels.glare, "shine"), (pixels.dark, "dark"))
    lost = "".join(f", {count} {why}" for count, why in left if count)
    warned = "".join(f"<p><strong>{escape(text)}</strong></p>" for text in reading.warnings)
    title = f"{name}: L* {light:.0f}, a* {a:.0f}, b* {b:.0f} (± {reading.expanded:.1f}){note}"
    return fold(
        escape(title),
        f"{strip(reading.populations)}{warned}"
        f"<table><caption>C* {reading.chroma:.1f}, h {reading.hue:.0f}°; "
        f"{pixels.used} of {pixels.total} pixels{lost}</caption>"
        "<thead><tr><th scope='col'>part</th><th scope='col'>L*</th><th scope='col'>C*</th>"
        f"<th scope='col'>hue</th></tr></thead><tbody>{parts}</tbody></table>",
        "fm-reading",
    )


def cautions_panel(work: Work) -> None:
    """What cannot be told, and the cautions, but for those on the verdict."""
    judged, verdict = work.day.judged, work.day.verdict
    assert judged is not None
    assert verdict is not None
    said = clean_sheet_note(judged) if verdict.tone == "good" else ()
    for line in judged.assessment.cautions:
        if line not in said:
            st.markdown(f"- {line}")


def words_panel(_: Work) -> None:
    """Trade and measuring words, each explained when it is opened."""
    rows = words().items()
    st.html("".join(fold(escape(word), f"<p>{escape(row.text)}</p>") for word, row in rows))
