"""One bird: its facts, moult record, timelines, photos side by side, and family."""

from __future__ import annotations

import html
from collections.abc import Sequence

import streamlit as st

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds.facts import bird_form, parents_form, take_off_form
from fieldmarks.app.birds.keep import upload_panel
from fieldmarks.app.birds.share import share_panel
from fieldmarks.app.birds.shared import (
    bullets,
    changed_elsewhere,
    done_next_run,
    literal,
    say,
    say_done,
    sex_words,
    store,
    tables,
    told,
)
from fieldmarks.app.sheet import picture, sheet
from fieldmarks.app.ways import way_to
from fieldmarks.birds.collection import BirdPage, bird_page
from fieldmarks.birds.model import Bird, Entry
from fieldmarks.birds.moult import (
    PRESENT,
    QUANTITIES,
    Change,
    change_sentence,
    changes,
    expected_by_chance,
    timelines,
)
from fieldmarks.birds.service import stories_of
from fieldmarks.birds.timeline import in_neutral_light, timeline_svg
from fieldmarks.measure.photo import decode_photo

SIDE_BY_SIDE = 4


def one_bird_panel(key: str) -> None:
    """Everything about one bird."""
    if st.button("← All birds"):
        st.session_state.pop("life_bird", None)
        st.rerun()
    try:
        page = bird_page(store(), key)
    except FieldmarksError as error:
        told(error)
        return
    st.title(literal(page.bird.label), anchor=False)
    say_done()
    _summary(page)
    names = ["Moults", "Photos", "Add a look", "Facts", "Family", "Share"]
    moults, photos, add, facts, family, share = st.tabs(names)
    with moults:
        _moults(page)
    with photos:
        _photos(page)
    with add:
        upload_panel(page.bird)
    with facts:
        bird_form(page.bird)
        with st.expander("Added by mistake?"):
            if take_off_form(page.bird):
                st.session_state.pop("life_bird", None)
                done_next_run(f"{page.bird.label} is off the list.")
    with family:
        _family(page)
    with share:
        share_panel(page.bird, page.entries)


def _summary(page: BirdPage) -> None:
    bird = page.bird
    species = tables().species.get(bird.species or "")
    parts = [species.name if species else "species not known", bird.variety, sex_words(bird.sex)]
    if bird.hatched:
        about = "about " if bird.hatch_known == "estimate" else ""
        parts.append(f"hatched {about}{bird.hatched.isoformat()}")
    say(", ".join(parts))
    for story in stories_of(store(), bird, tables()):
        if story.against:
            st.html(f"<p class='fm-bad'>! {html.escape(story.sentence)}</p>")
        elif story.story == "faded":
            st.html(f"<p class='fm-good'>✓ {html.escape(story.sentence)}</p>")
        elif story.story == "unclear":
            st.html(f"<p class='fm-doubt'>? {html.escape(story.sentence)}</p>")


def _moults(page: BirdPage) -> None:
    if not page.entries:
        st.info("No look is kept yet. Mark a photo, then keep it for this bird.")
        way_to("look")
        return
    lines = timelines(page.entries)
    names = {k: tables().marks[k].name if k in tables().marks else k for k in lines}
    if lines:
        found = changes(lines)
        # Where a sign was, and then what changed most, tells most about this bird.
        signed = {m for e in page.entries for k in e.observations for p in k.signs
                  if p.status in PRESENT for m in p.places}  # fmt: skip
        marks = sorted(lines, key=lambda k: (k not in signed, -_change(found, k)))
        mark = st.selectbox("Mark", marks, format_func=lambda k: names[k], key="life_mark")
        drawings = "".join(timeline_svg(lines[mark], q, names[mark]) for q in QUANTITIES)
        sheet(f"<div class='fm-lines'>{drawings}</div>", key=f"lines_{page.bird.id}")
        st.caption(
            "A dot is a look; its bar is how far the reading may be off, 19 times in 20. Photos "
            "without a usable grey card are left out."
        )
        own = [c for c in found if c.mark == mark]
        bullets("From the first to the last look", [change_sentence(c, names[mark]) for c in own])
        if found:
            chance = expected_by_chance(len(found))
            st.caption(
                f"{len(found)} comparisons over all marks: about {chance:.1f} would stand out by "
                "chance alone. We reckon as if two photos were off by chance each on its own, even "
                "when the same phone took both."
            )
    st.subheader("Entries", anchor=False)
    changed = changed_elsewhere(f"entries of {page.bird.id}", page.entries)
    for entry in reversed(page.entries):
        _entry(entry, changed)


def _change(found: Sequence[Change], mark: str) -> float:
    """Greatest change of a mark, in multiples of the smallest that could be seen."""
    return max((abs(c.difference) / c.smallest for c in found if c.mark == mark), default=0.0)


def _entry(entry: Entry, changed: bool) -> None:
    by = f", measured by {entry.measured_by}" if entry.measured_by else ""
    title = f"{entry.day.isoformat()}: {entry.stage}{by} (entry {entry.number})"
    with st.expander(literal(title)):
        if entry.sentence:
            say(f"All {len(entry.observations)} photos together: {entry.sentence}")
        for look in entry.observations:
            say(f"{look.file}: {look.sentence}")
        if entry.note:
            say(entry.note)
        with st.form(f"strike_{entry.id}", border=False):
            why = st.text_input("Strike it out, because ...", key=f"why_{entry.id}")
            pressed = st.form_submit_button("Strike it out")
        if pressed and not changed:
            _strike(entry, why)


def _strike(entry: Entry, why: str) -> None:
    try:
        store().withdraw(entry, why)
    except FieldmarksError as error:
        told(error)
    else:
        done_next_run(f"Entry {entry.number} no longer counts. It stays on record.")


@st.cache_data(show_spinner=False, max_entries=200)
def _in_one_light(look_id: str, _look: object) -> tuple[bytes, bool]:
    """A look's photo in neutral light, and whether it had a card."""
    look = _look
    photo = decode_photo(store().photo(look), look.file)  # type: ignore[arg-type, attr-defined]
    calibration = store().record(look).measurement.calibration  # type: ignore[arg-type]
    return in_neutral_light(photo, calibration), calibration.calibrated


def _photos(page: BirdPage) -> None:
    shown = [(e, look) for e in page.entries for look in e.observations]
    if not shown:
        st.info("No photo is kept yet. Mark one, then keep it for this bird.")
        way_to("look")
        return
    st.caption("All in the same neutral light, worked out from the grey card of each photo.")
    for start in range(0, len(shown), SIDE_BY_SIDE):
        row = shown[start : start + SIDE_BY_SIDE]
        for place, (entry, look) in zip(st.columns(SIDE_BY_SIDE), row, strict=False):
            with place:
                try:
                    jpeg, calibrated = _in_one_light(look.id, look)
                except FieldmarksError as error:
                    told(error)
                    continue
                note = "" if calibrated else " (no card: as photographed)"
                said = f"{entry.day.isoformat()}, {entry.stage}{note}"
                picture(jpeg, f"{page.bird.label}, {said}", f"photo_{look.id}", said)


def _relatives(title: str, birds: Sequence[Bird], none: str) -> None:
    """Names of related birds, each of which can be opened."""
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(f"{title}:" if birds else f"{title}: {none}", width="content")
        for bird in birds:
            if st.button(literal(bird.label), key=f"kin_{title}_{bird.id}"):
                st.session_state.life_bird = bird.id
                st.rerun()


def _family(page: BirdPage) -> None:
    bird = page.bird
    for title, key in (("Father", bird.father), ("Mother", bird.mother)):
        known = page.family.get(key or "")
        _relatives(title, [known] if known else [], "not known")
    _relatives("Young", page.young, "none on record")
    mates = {k for pair in page.pairs for k in (pair.first, pair.second) if k != bird.id}
    _relatives("Paired with", [page.family[k] for k in mates if k in page.family], "nobody")
    with st.expander("Set the parents"):
        parents_form(bird)
