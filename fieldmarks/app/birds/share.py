"""Share a bird by a link: the panel that makes and withdraws one, and what the link opens."""

import tempfile
import threading
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from urllib.parse import urlsplit

import streamlit as st
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app import sign_in
from fieldmarks.app.birds import shared as ui
from fieldmarks.birds.links import links_of, make_link, opened_by, withdraw_link
from fieldmarks.birds.model import Bird, Entry
from fieldmarks.birds.papers import NAMES, check_address, paper_pdf, sheet_page, told_of
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
    if not ui.may_change():
        return
    st.caption(WHAT)
    looks = [e for e in entries if e.observations]
    asked = "Looks for a dossier; none: the bird's sheet"
    chosen = ui.choose_looks(asked, looks, f"share_{bird.id}")
    with ui.errors_told():
        if st.button("Make a link", key=f"link_{bird.id}"):
            word = make_link(ui.store(), bird, chosen)
            here = urlsplit(st.context.url or "")
            st.code(f"{here.scheme}://{here.netloc}{sign_in.SHARED}{word}", language=None)
            st.caption("It is shown once: only its fingerprint is kept.")
        for link in links_of(ui.store(), bird):
            what = f"{len(link.entries)} looks as a dossier" if link.entries else "the sheet"
            said = f"Withdraw {what}, made {link.made_at[:16].replace('T', ' ')}"
            if link.withdrawn_at:
                st.caption(f"{said[9:]}, withdrawn {link.withdrawn_at[:16].replace('T', ' ')}")
            elif st.button(said, key=f"unlink_{link.id}"):
                withdraw_link(ui.store(), link.id)
                ui.done_next_run("The link opens no longer.")


@ui.errors_told()
def papers_panel(bird: Bird) -> None:
    """A bird's papers as PDF, with a QR code that opens it."""
    st.subheader("Papers", anchor=False)
    here = urlsplit(st.context.url or "")
    outside = here.hostname not in (None, *sign_in.LOOPBACKS)
    address = st.text_input(
        "Address in the QR code",
        f"{here.scheme}://{here.netloc}/birds?bird={bird.id}" if outside else "",
        key=f"qr_{bird.id}",
        help="The bird's own page asks to sign in; a link from above opens for anyone until it is "
        "withdrawn. Empty: no QR code.",
    ).strip()
    if not address:
        st.caption("No QR code: other devices do not reach this app. Paste a link to have one.")
    seen, rows = ui.store(), ui.tables()  # the files are made outside of any page
    check_address(address)
    with st.container(horizontal=True):
        for kind, label in NAMES.items():
            made = partial(lambda kind: paper_pdf(kind, told_of(seen, bird, address), rows), kind)
            ui.save_button(f"{label} (PDF)", made, f"{kind}.pdf", f"{kind}_{bird.id}")


def shared(request: Request) -> Response:
    """What a link opens; 404 for one that never was and one that was withdrawn alike."""
    headers = sign_in.SAFE | {"X-Robots-Tag": "noindex"}
    try:
        bird, entries, as_dossier = opened_by(ui.whole_store(), request.path_params["word"])
        if not as_dossier:
            return HTMLResponse(sheet_page(bird, entries, ui.tables()), headers=headers)
        with _one_dossier, tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "dossier.zip"
            make_dossier(ui.whole_store(), bird, entries, ui.tables(), target)
            named = {"Content-Disposition": "attachment; filename=dossier.zip"}
            return Response(target.read_bytes(), 200, headers | named, "application/zip")
    except FieldmarksError as error:
        return PlainTextResponse(f"{error}\n", 404, headers)
