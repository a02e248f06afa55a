"""Share a bird by a link: the panel that makes and withdraws one, and what the link opens."""

from __future__ import annotations

import html
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import urlsplit

import streamlit as st
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app import sign_in
from fieldmarks.app.birds.shared import (
    done_next_run,
    sex_words,
    store,
    tables,
    told,
    whole_store,
)
from fieldmarks.birds.links import links_of, make_link, opened_by, withdraw_link
from fieldmarks.birds.model import Bird, Entry, told_apart
from fieldmarks.birds.service import make_dossier

_one_dossier = threading.Lock()  # at a time: making one takes seconds
WHAT = (
    "Whoever has the link opens it without signing in, until you withdraw it. The sheet tells "
    "name, ring, species, variety, sex, hatch date and what each look found; no photo, no notes, "
    "not where the bird came from. A dossier holds the photos too, without the place. What "
    "somebody has saved meanwhile stays with them."
)


def share_panel(bird: Bird, entries: Sequence[Entry]) -> None:
    """Make a link to a bird's sheet or a dossier, and withdraw one."""
    st.caption(WHAT)
    labels = told_apart(
        {e.id: (f"{e.day}, {e.measured_by or 'someone'}", f"entry {e.number}") for e in entries
         if e.observations}
    )  # fmt: skip
    chosen = st.multiselect(
        "Looks for a dossier; none: the bird's sheet",
        list(labels),
        format_func=labels.__getitem__,
        key=f"share_{bird.id}",
    )
    try:
        if st.button("Make a link", key=f"link_{bird.id}"):
            word = make_link(store(), bird, [e for e in entries if e.id in chosen])
            here = urlsplit(st.context.url or "")
            st.code(f"{here.scheme}://{here.netloc}{sign_in.SHARED}{word}", language=None)
            st.caption("It is shown once: only its fingerprint is kept.")
        for link in links_of(store(), bird):
            what = f"{len(link.entries)} looks as a dossier" if link.entries else "the sheet"
            said = f"Withdraw {what}, made {link.made_at[:16].replace('T', ' ')}"
            if link.withdrawn_at:
                st.caption(f"{said[9:]}, withdrawn {link.withdrawn_at[:16].replace('T', ' ')}")
            elif st.button(said, key=f"unlink_{link.id}"):
                withdraw_link(store(), link.id)
                done_next_run("The link opens no longer.")
    except FieldmarksError as error:
        told(error)


def shared(request: Request) -> Response:
    """What a link opens; 404 for one that never was and one that was withdrawn alike."""
    headers = sign_in.SAFE | {"X-Robots-Tag": "noindex"}
    try:
        bird, entries, as_dossier = opened_by(whole_store(), request.path_params["word"])
        if not as_dossier:
            return HTMLResponse(bird_sheet(bird, entries), headers=headers)
        with _one_dossier, tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "dossier.zip"
            make_dossier(whole_store(), bird, entries, tables(), target)
            named = {"Content-Disposition": "attachment; filename=dossier.zip"}
            return Response(target.read_bytes(), 200, headers | named, "application/zip")
    except FieldmarksError as error:
        return PlainTextResponse(f"{error}\n", 404, headers)


def bird_sheet(bird: Bird, entries: Sequence[Entry]) -> str:
    """A bird and what its looks found, as a page that holds nothing else."""
    species = tables().species.get(bird.species or "")
    facts = {
        "Ring": bird.ring,
        "Said to be": species.name if species else "not known",
        "Colour variety": bird.variety,
        "Sex": sex_words(bird.sex),
        "Hatched": bird.hatched.isoformat() if bird.hatched else "not known",
    }
    rows = "".join(
        f"<tr><th scope='row'>{k}<td>{html.escape(v)}</tr>" for k, v in facts.items() if v
    )
    looks = "".join(
        f"<li>{e.day.isoformat()}, {html.escape(e.stage)}: {html.escape(o.sentence)}</li>"
        for e in entries
        for o in e.observations
    )
    return (
        "<!doctype html><html lang='en'><meta charset='utf-8'><meta name='viewport' "
        f"content='width=device-width'><title>{html.escape(bird.name)}</title><style>body"
        "{font:1.05rem/1.5 system-ui;margin:2rem auto;max-width:40rem;padding:0 1rem;color-scheme:"
        f"light dark}}th{{text-align:left;padding-right:1rem}}</style><main><h1>"
        f"{html.escape(bird.name)}</h1><table>{rows}</table><h2>Looks</h2>"
        f"<ul>{looks or '<li>None is kept yet.</li>'}</ul><p>Told by whoever keeps the bird, as of "
        "now. It cannot show that a bird before you is this one.</p></main></html>"
    )
