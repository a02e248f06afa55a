"""One bird: its facts, moult record, timelines, photos side by side, and family."""

import html
from collections.abc import Sequence

import streamlit as st

from fieldmarks.app.birds import shared as ui
from fieldmarks.app.birds.facts import bird_form, parents_form, take_off_form
from fieldmarks.app.birds.keep import add_look_panel
from fieldmarks.app.birds.share import papers_panel, share_panel
from fieldmarks.app.page import way_to
from fieldmarks.app.sheet import picture, sheet
from fieldmarks.birds import moult
from fieldmarks.birds.advice import advice_table
from fieldmarks.birds.carried import RIGHT, hidden_of
from fieldmarks.birds.collection import BirdPage, bird_page
from fieldmarks.birds.model import Bird, Entry, Observation
from fieldmarks.birds.papers import bird_facts
from fieldmarks.birds.service import stories_of
from fieldmarks.birds.timeline import in_neutral_light, timeline_svg
from fieldmarks.measure.photo import decode_photo
from fieldmarks.report.plane import mark_name

SIDE_BY_SIDE = 4
AGAINST = ("fm-bad", "!")
STORIES = {  # how each is shown; a sign that was never there is not
    "stayed": AGAINST, "grew": AGAINST, "came": AGAINST,
    "faded": ("fm-good", "✓"), "unclear": ("fm-doubt", "?"),
}  # fmt: skip


@ui.errors_told()
def one_bird_panel(key: str) -> None:
    """Everything about one bird."""
    if st.button("← All birds"):
        st.session_state.pop("life_bird", None)
        st.rerun()
    page = bird_page(ui.store(), key)
    st.title(ui.literal(page.bird.label), anchor=False)
    ui.say_done()
    _summary(page)
    names = ["Moults", "Photos", "Add a look", "Facts", "Family", "Share and print"]
    moults, photos, add, facts, family, share = st.tabs(names)
    with moults:
        _moults(page)
    with photos:
        _photos(page)
    with add:
        add_look_panel()
    with facts:
        _facts(page.bird)
    with family:
        _family(page)
    with share:
        share_panel(page.bird, page.entries)
        papers_panel(page.bird)


def _facts(bird: Bird) -> None:
    if not ui.may_change():
        rows = (*bird_facts(bird, ui.tables()), ("From", bird.source), ("Notes", bird.notes))
        ui.bullets("", [f"{name}: {value}" for name, value in rows if value])
        return
    bird_form(bird)
    with st.expander("Added by mistake?"):
        if take_off_form(bird):
            st.session_state.pop("life_bird", None)
            ui.done_next_run(f"{bird.label} is off the list.")


def _summary(page: BirdPage) -> None:
    bird, hatched = page.bird, ""
    if bird.hatched:
        about = "about " if bird.hatch_known == "estimate" else ""
        hatched = f", hatched {about}{bird.hatched.isoformat()}"
    ui.say(ui.kind_words(bird) + hatched)
    for story in stories_of(ui.store(), bird, ui.tables()):
        if story.story in STORIES:
            css, sign = STORIES[story.story]
            st.html(f"<p class='{css}'>{sign} {html.escape(story.sentence)}</p>")


def _moults(page: BirdPage) -> None:
    if not page.entries:
        st.info("No look is kept yet. Mark a photo, then keep it for this bird.")
        way_to("look")
        return
    lines = moult.timelines(page.entries)
    names = {key: mark_name(ui.tables(), key) for key in lines}
    if lines:
        found = moult.changes(lines)
        # Where a sign was, and then what changed most, tells most about this bird.
        signed = {m for e in page.entries for k in e.observations for p in k.signs
                  if p.status in moult.PRESENT for m in p.places}  # fmt: skip
        marks = sorted(lines, key=lambda k: (k not in signed, -_change(found, k)))
        mark = st.selectbox("Mark", marks, format_func=lambda k: names[k], key="life_mark")
        drawings = "".join(timeline_svg(lines[mark], q, names[mark]) for q in moult.QUANTITIES)
        sheet(f"<div class='fm-lines'>{drawings}</div>", key=f"lines_{page.bird.id}")
        st.caption(
            "A dot is a look; its bar is how far the reading may be off, 19 times in 20. Photos "
            "without a usable grey card are left out."
        )
        said = [moult.change_sentence(c, names[mark]) for c in found if c.mark == mark]
        ui.bullets("From the first to the last look", said)
        if found:
            chance = moult.expected_by_chance(len(found))
            st.caption(
                f"{len(found)} comparisons over all marks: about {chance:.1f} would stand out by "
                "chance alone. We reckon as if two photos were off by chance each on its own, even "
                "when the same phone took both."
            )
    st.subheader("Entries", anchor=False)
    changed = ui.changed_elsewhere(f"entries of {page.bird.id}", page.entries)
    for entry in reversed(page.entries):
        _entry(entry, changed)


def _change(found: Sequence[moult.Change], mark: str) -> float:
    """Greatest change of a mark, in multiples of the smallest that could be seen."""
    return max((abs(c.difference) / c.smallest for c in found if c.mark == mark), default=0.0)


def _entry(entry: Entry, changed: bool) -> None:
    by = f", measured by {entry.measured_by}" if entry.measured_by else ""
    title = f"{entry.day.isoformat()}: {entry.stage}{by} (entry {entry.number})"
    with st.expander(ui.literal(title)):
        if entry.sentence:
            ui.say(f"All {len(entry.observations)} photos together: {entry.sentence}")
        for look in entry.observations:
            ui.say(f"{look.file}: {look.sentence}")
        if entry.note:
            ui.say(entry.note)
        if not ui.may_change(said=False):
            return
        with st.form(f"strike_{entry.id}", border=False):
            why = st.text_input("Strike it out, because ...", key=f"why_{entry.id}")
            pressed = st.form_submit_button("Strike it out")
        if pressed and not changed:
            with ui.errors_told():
                ui.store().withdraw(entry, why)
                ui.done_next_run(f"Entry {entry.number} no longer counts. It stays on record.")


@st.cache_data(show_spinner=False, max_entries=200)
def _in_one_light(look_id: str, _look: Observation) -> tuple[bytes, bool]:
    """A look's photo in neutral light, and whether it had a card."""
    photo = decode_photo(ui.store().photo(_look), _look.file)
    calibration = ui.store().record(_look).measurement.calibration
    return in_neutral_light(photo, calibration), calibration.calibrated


def _photos(page: BirdPage) -> None:
    shown = [(e, look) for e in page.entries for look in e.observations]
    if not shown:
        st.info("No photo is kept yet. Mark one, then keep it for this bird.")
        way_to("look")
        return
    st.caption("All in the same neutral light, worked out from the grey card of each photo.")
    ways = ["By day", "By side"]
    way = st.segmented_control("Album", ways, default=ways[0], required=True, key="album")
    by_side = way == "By side"
    album: dict[str, list[tuple[Entry, Observation, str]]] = {}
    if by_side:
        album = {view.name: [] for view in advice_table().view}
        st.caption("The side is told by the marks that were drawn.")
    for entry, look in shown:
        side = advice_table().side(point.mark for point in look.marks)
        title = side if by_side else f"{entry.day.isoformat()}, {entry.stage}"
        album.setdefault(title, []).append((entry, look, side))
    for title, photos in album.items():
        if photos:
            st.subheader(title, anchor=False)
        for start in range(0, len(photos), SIDE_BY_SIDE):
            row = photos[start : start + SIDE_BY_SIDE]
            for place, (entry, look, side) in zip(st.columns(SIDE_BY_SIDE), row, strict=False):
                with place:
                    _picture(page.bird, entry, look, side)


@ui.errors_told()
def _picture(bird: Bird, entry: Entry, look: Observation, side: str) -> None:
    jpeg, calibrated = _in_one_light(look.id, look)
    note = "" if calibrated else " (no card: as photographed)"
    said = f"{entry.day.isoformat()}, {entry.stage}, {side[:1].lower()}{side[1:]}{note}"
    picture(jpeg, f"{bird.label}, {said}", f"photo_{look.id}", said)


def _relatives(title: str, birds: Sequence[Bird], none: str) -> None:
    """Names of related birds, each of which can be opened."""
    with st.container(horizontal=True, vertical_alignment="center"):
        st.markdown(f"{title}:" if birds else f"{title}: {none}", width="content")
        for bird in birds:
            if st.button(ui.literal(bird.label), key=f"kin_{title}_{bird.id}"):
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
    hidden = hidden_of(ui.store(), bird, ui.tables())
    ui.bullets("Colours it may carry unseen (split)", map(str, hidden))
    st.caption(RIGHT if hidden else "Nothing on record tells which colours it carries unseen.")
    if ui.may_change(said=False):
        with st.expander("Set the parents"):
            parents_form(bird)
