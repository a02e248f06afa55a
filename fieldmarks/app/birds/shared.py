"""What all screens of a bird's life share: the store, the tables and choosing a bird."""

import html
import os
import re
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from mimetypes import MimeTypes
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app import sign_in
from fieldmarks.app.page import way_to
from fieldmarks.birds.collection import Filter, list_birds
from fieldmarks.birds.model import EARLIEST, Bird, Entry, Kept
from fieldmarks.birds.people import READS_ONLY, who_is
from fieldmarks.birds.reader import bird_labels, told_apart
from fieldmarks.birds.store import Store
from fieldmarks.rules import Tables, load_rules

# Set by ``fieldmarks --more-tables ... --own-swatches show``.
MORE_TABLES, OWN_SWATCHES = "FIELDMARKS_MORE_TABLES", "FIELDMARKS_OWN_SWATCHES"
MANY = 200  # above so many birds, the choice must be narrowed by typing


@st.cache_resource(show_spinner=False)
def whole_store() -> Store:
    """The household's or club's store: one for everyone who reaches this app."""
    return Store()


def store() -> Store:
    """The store as whoever looks at the page may see it; asked anew on each use.

    Raises:
        FieldmarksError: Nobody is signed in, or the club has not let them in.
    """
    claims = sign_in.signed_in()
    whole = whole_store()
    if sign_in.door is None or sign_in.door.way != "provider":
        return whole
    with whole.engine.begin() as connection:
        return whole.seen_by(who_is(connection, claims))


@st.cache_resource(show_spinner=False)
def tables() -> Tables:
    """The rule tables: the same for everyone, never changed by anyone."""
    return load_rules(os.environ.get(MORE_TABLES), bool(os.environ.get(OWN_SWATCHES)))


def heading(title: str, lead: str) -> None:
    """Title of a page and one sentence on what it is for."""
    st.title(title, anchor=False)
    st.html(f"<p class='fm-lead'>{html.escape(lead)}</p>")


def may_change(said: bool = True) -> bool:
    """Whether whoever looks at the page may change something; if not, it says so in that place."""
    person = store().person
    if person is None or person.role != "reader":
        return True
    if said:
        told(READS_ONLY, st.info)
    return False


def any_bird() -> bool:
    """Whether a bird is kept, be it one that was given away or died."""
    return list_birds(store(), Filter(with_gone=True), date.today(), count=0).total > 0


def no_bird_yet() -> bool:
    """Whether no bird is kept; if so, the page says what to do about it."""
    if any_bird():
        return False
    st.info("No bird is kept yet. Add your birds first; then come back here.")
    way_to("birds")
    return True


def choose_bird(
    label: str, key: str, without: str | None = None, now: str | None = None
) -> Bird | None:
    """Let the keeper choose a bird; None while none is chosen. ``now`` is chosen at first."""
    found = list_birds(store(), Filter(with_gone=True), date.today(), count=MANY)
    if found.total > MANY:
        words = st.text_input(f"{label}: part of its name or ring", key=f"{key}_words")
        found = list_birds(store(), Filter(words, with_gone=True), date.today(), count=MANY)
    labels = bird_labels(row.bird for row in found.rows)
    labels.pop(without or "", None)
    if now:
        labels.setdefault(now, store().bird(now).label)
        st.session_state.setdefault(key, now)  # as a default value it could not be taken off
    chosen = st.selectbox(
        label,
        list(labels),
        index=None,
        format_func=lambda k: labels.get(k, k),
        placeholder="Choose a bird",
        key=key,
    )
    return store().bird(chosen) if chosen else None


def choose_looks(
    label: str, entries: Sequence[Entry], key: str, *, stage: bool = False, chosen: bool = False
) -> list[Entry]:
    """Let the keeper choose among looks; ``stage`` names that of each, ``chosen``: all at first."""
    said = {}
    for e in entries:
        who = f"{e.measured_by or 'someone'}{f' ({e.stage})' if stage else ''}"
        said[e.id] = f"{e.day}, {who}", f"entry {e.number}"
    labels = told_apart(said)
    default = list(labels) if chosen else None
    picked = st.multiselect(label, list(labels), default, format_func=labels.__getitem__, key=key)
    return [e for e in entries if e.id in picked]


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar while something takes its time; gives what it is told by."""
    bar = st.progress(0.0, what)

    def tell(done: int, total: int) -> None:
        bar.progress(min(done / total, 1.0), f"{what}: {done} of {total}")

    try:
        yield tell
    finally:
        bar.empty()


def count_of(number: int, word: str) -> str:
    """A number with its word: "1 bird", "2 birds"."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def literal(text: str) -> str:
    """Text whose signs Streamlit's Markdown shall show as they are."""
    return re.sub(r"([\\\\`*_{}\[\]()#+\-.!|<>~$:&])", r"\\\1", text)


def sex_words(sex: str) -> str:
    """Sex as it reads in a line of facts."""
    return "sex not known" if sex == "unknown" else sex


def escaped(text: str) -> str:
    """Text as HTML; a day is never broken across two lines."""
    return re.sub(r"\d{4}-\d\d-\d\d", r"<span class='fm-whole'>\g<0></span>", html.escape(text))


def say(text: str) -> None:
    """One paragraph of text that may hold anything a keeper typed."""
    st.html(f"<p>{escaped(text)}</p>")


def bullets(title: str, lines: Iterable[str]) -> None:
    """A small heading with a list under it; nothing when the list is empty."""
    lines = list(lines)
    if lines:
        if title:
            st.subheader(title, anchor=False)
        items = "".join(f"<li>{escaped(line)}</li>" for line in lines)
        st.html(f"<ul>{items}</ul>")


def verdict(sentence: str, css: str = "") -> None:
    """The one sentence that answers the page's question."""
    st.html(f"<div class='fm-verdict {css}' role='status'>{escaped(sentence)}</div>")


@contextmanager
def uploaded(chosen: UploadedFile) -> Iterator[Path]:
    """An uploaded ZIP as a file for a moment, under its own name made harmless."""
    stem = re.sub(r"[^\w. -]", "_", Path(chosen.name).name).strip(". ")[-80:]
    with tempfile.TemporaryDirectory() as folder:
        ending = "" if stem.lower().endswith(".zip") else ".zip"
        path = Path(folder) / f"{stem or 'file'}{ending}"
        path.write_bytes(chosen.getvalue())
        yield path


KINDS = MimeTypes()  # of files by their ending: as built in, not as this computer would have it


def save_button(label: str, data: Any, name: str, key: str | None = None) -> None:
    """Offer a file to save; ``data`` may be a function that makes it, run outside of any page."""
    kind = KINDS.guess_type(name)[0]
    st.download_button(label, data, name, kind, on_click="ignore", key=key)


def choose_row(
    label: str,
    rows: Mapping[str, Any],
    key: str | None = None,
    none: str | None = None,
    now: str | None = None,
    place: Any = st,
    say: Callable[[Any], str] = lambda row: row.called,
) -> Any:
    """Let the keeper choose a species, variety or age; gives its key.

    ``none`` is shown for none of them and comes first; ``now`` is chosen at first.
    """
    options = [*([None] if none else []), *rows]
    return place.selectbox(
        label,
        options,
        index=options.index(now) if now in options else 0,
        format_func=lambda k: say(rows[k]) if k else none,
        key=key,
    )


def ask_day(label: str, key: str, now: date | str | None = None, place: Any = st) -> Any:
    """Ask for a day that can have been; None where none is given, which only ``now`` rules out."""
    return place.date_input(label, now, min_value=EARLIEST, max_value=date.today(), key=key)


def kind_words(bird: Bird) -> str:
    """Species, variety and sex in a line of facts."""
    row = tables().species.get(bird.species or "")
    return f"{row.name if row else 'species not known'}, {bird.variety}, {sex_words(bird.sex)}"


def told(error: FieldmarksError, how: Callable[[str], object] = st.error) -> None:
    """Show an error the keeper can mend."""
    said = str(error)
    if not error.where:  # else it starts with the name of a file
        said = said[:1].upper() + said[1:]
    how(literal(said))


@contextmanager
def errors_told() -> Iterator[None]:
    """Show an error of what is inside, in that place; the rest of it is left out.

    Before a function it holds for the whole of it.
    """
    try:
        yield
    except FieldmarksError as error:
        told(error)


SHOWN = "life_shown"  # place on a page -> id and revision of what stood there last


def changed_elsewhere(place: str, things: Sequence[Kept]) -> bool:
    """Whether things are not as the keeper last saw them here; if so, it is said.

    What was pressed then was meant for what stood there before, and must not be done.
    """
    shown = st.session_state.setdefault(SHOWN, {})
    now = {thing.id: thing.revision for thing in things}
    before, shown[place] = shown.get(place, now), now
    if before == now:
        return False
    st.info(
        "This was changed elsewhere since you opened it, and is shown as it is now. What you "
        "pressed meanwhile was not done: repeat it if you still want it."
    )
    return True


def done_next_run(sentence: str) -> None:
    """Say on the next run that something is done, and start that run."""
    st.session_state.pop(SHOWN, None)  # what changed was this
    st.session_state.life_done = sentence
    st.rerun()


def say_done() -> None:
    """Say what the last press did."""
    # The place is always there, so that nothing below it moves (and closes) when it goes empty.
    place = st.empty()
    sentence = st.session_state.pop("life_done", None)
    if sentence:
        place.success(literal(sentence))
        # The place may lie far above what was pressed.
        st.toast(literal(sentence), icon=":material/check:")
