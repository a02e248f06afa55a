"""Who may in: the gate before the app, and the same question on every run of a page.

Three ways. ``open``: the app listens on this computer only. ``provider``: OpenID Connect, as
Streamlit does it from ``[auth]`` of its ``secrets.toml``. ``passphrase``: one keeper, one
passphrase. Without a session nothing of the app is given out, neither a page nor an upload's place.
"""

from __future__ import annotations

import hashlib
import html
import json
import secrets
import time
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

import streamlit as st
from starlette.concurrency import run_in_threadpool
from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.websockets import WebSocketClose
from streamlit import auth_util, config
from streamlit.web.server.server_util import get_cookie_secret
from streamlit.web.server.starlette.starlette_app_utils import decode_signed_value
from streamlit.web.server.starlette.starlette_server_config import USER_COOKIE_NAME

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.passphrase import Passphrase, passphrase_file

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

Way = Literal["open", "provider", "passphrase"]
NEEDED = ("redirect_uri", "cookie_secret", "client_id", "client_secret", "server_metadata_url")
LOOPBACKS = ("127.0.0.1", "localhost", "::1")
COOKIE = "fieldmarks_session"
LASTS = 12 * 3600  # seconds
LONGEST_FORM = 4096  # bytes
SHORTEST_SECRET = 32  # letters
# Streamlit's own places that must answer before anyone is known.
SHARED = "/shared/"  # what a link opens, see share.py
HOME = "/home-screen/"  # icons and name, see front_page.py
BEFORE = ("/auth/login", "/oauth2callback", "/_stcore/health")
SAFE = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; form-action 'self'; "
    "frame-ancestors 'none'",
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}


def way_in(reached_from_outside: bool) -> Way:
    """How people sign in.

    Raises:
        FieldmarksError: Others can reach the app and there is no way to sign in, or the provider's
            settings lack something.
    """
    told = auth_util.get_secrets_auth_section()
    if told:
        missing = [name for name in NEEDED if not told.get(name)]
        if missing or len(told["cookie_secret"]) < SHORTEST_SECRET:
            raise FieldmarksError(
                f"it lacks {', '.join(missing)}" if missing else "cookie_secret can be guessed",
                where="secrets.toml, [auth]",
                mend=f"Write {', '.join(NEEDED)}; a cookie_secret of {SHORTEST_SECRET} or more "
                "random letters",
            )
        if not auth_util.is_authlib_installed():
            raise FieldmarksError(
                "sign-in needs the package Authlib", mend="pip install 'fieldmarks[club]'"
            )
        return "provider"
    if not reached_from_outside:
        return "open"
    if passphrase_file().exists():
        return "passphrase"
    raise FieldmarksError(
        "nobody outside this computer may in before there is a sign-in",
        mend="Set a passphrase with 'fieldmarks passphrase', or a provider in secrets.toml",
    )


class Door:
    """The sessions of one running app. All end when it stops; each when its browser signs out."""

    def __init__(self, way: Way) -> None:
        self.way = way
        self.passphrase = Passphrase(passphrase_file()) if way == "passphrase" else None
        self._since = time.time() - 60  # the provider's clock may be slow
        self._open: dict[bytes, float] = {}
        self._ended: set[bytes] = set()

    def claims(self, cookies: Mapping[str, str]) -> dict[str, Any] | None:
        """What is known of whoever sends these cookies; None if nobody is signed in."""
        if self.way == "open":
            return {}
        if self.way == "passphrase":
            opened = self._open.get(_print(cookies.get(COOKIE, "").encode()), -LASTS)
            return {} if time.time() - opened < LASTS else None
        signed = _user_cookie(cookies)
        if signed is None or _print(signed) in self._ended:
            return None
        told = json.loads(signed)
        began = float(told.get("iat") or 0)
        good = told.get("is_logged_in") and began > max(self._since, time.time() - LASTS)
        return told if good else None

    def begin(self) -> str:
        """A new session of the passphrase; gives its cookie."""
        now, word = time.time(), secrets.token_urlsafe(32)
        self._open = {k: t for k, t in self._open.items() if now - t < LASTS}
        self._open[_print(word.encode())] = now
        return word

    def end(self, cookies: Mapping[str, str]) -> None:
        """End the session with these cookies, for every copy of them."""
        self._open.pop(_print(cookies.get(COOKIE, "").encode()), None)
        if self.way == "provider" and (signed := _user_cookie(cookies)):
            self._ended.add(_print(signed))


def _print(word: bytes) -> bytes:
    return hashlib.sha256(word).digest()


def _user_cookie(cookies: Mapping[str, str]) -> bytes | None:
    """What Streamlit signed when the provider had told who it is."""

    def one(name: str) -> bytes | None:
        given = cookies.get(name, "").encode("latin-1", "replace")
        return decode_signed_value(get_cookie_secret(), name, given) if given else None

    return auth_util.get_cookie_with_chunks(one, USER_COOKIE_NAME)


class Gate:
    """ASGI middleware: without a session there is nothing but the way to sign in."""

    def __init__(self, app: ASGIApp, outside: bool) -> None:
        global door
        door = Door(way_in(outside))
        self.app, self.door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what a session asks for; show the rest the way to sign in."""
        if scope["type"] not in ("http", "websocket") or self.door.way == "open":
            await self.app(scope, receive, send)
            return
        path, cookies = scope["path"], HTTPConnection(scope).cookies
        leaves = path == "/auth/logout"
        if leaves:
            self.door.end(cookies)
            # Streamlit tells the provider.
            may = self.door.way == "provider" and scope["type"] == "http"
        else:
            for_all = path in BEFORE or path.startswith((SHARED, HOME))
            may = for_all or self.door.claims(cookies) is not None
        answer: ASGIApp = self.app
        if not may and scope["type"] == "websocket":
            answer = WebSocketClose(1008)
        elif not may and leaves:
            answer = response = RedirectResponse("/", 303)
            response.delete_cookie(COOKIE)
        elif not may:
            answer = await self._way_in(Request(scope, receive))
        await answer(scope, receive, send)

    async def _way_in(self, request: Request) -> Response:
        path, passphrase = request.url.path, self.door.passphrase
        if path == "/sign-in" and passphrase is None:
            word = auth_util.encode_provider_token("default")
            return RedirectResponse(f"/auth/login?provider={word}", 303)
        if path == "/sign-in" and passphrase is not None and request.method == "POST":
            return await self._try(request, passphrase)
        if request.method != "GET" or "text/html" not in request.headers.get("accept", ""):
            return PlainTextResponse("sign in first", 403, SAFE)
        return self._page("", 200 if path in ("/", "/sign-in") else 403)

    async def _try(self, request: Request, passphrase: Passphrase) -> Response:
        given = b""
        async for part in request.stream():
            given += part
            if len(given) > LONGEST_FORM:
                return PlainTextResponse("too large", 413)
        words = given.decode("utf-8", "replace").removeprefix("words=").rstrip("\r\n")
        if wait := passphrase.wait():
            return self._page(f"Too many tries. Wait {wait} s, then try again.", 429, wait)
        if not await run_in_threadpool(passphrase.tried, words):
            return self._page("This is not the passphrase.", 403)
        response = RedirectResponse("/", 303)
        encrypted = request.headers.get("x-forwarded-proto", request.url.scheme) == "https"
        response.set_cookie(
            COOKIE, self.door.begin(), LASTS, httponly=True, samesite="lax", secure=encrypted
        )
        return response

    def _page(self, said: str, status: int, wait: int = 0) -> Response:
        headers = SAFE | ({"Retry-After": str(wait)} if wait else {})
        form = "<p><a href='/sign-in'>Sign in with your account</a></p>"
        if self.door.passphrase is not None:
            form = (  # as plain text, the passphrase needs no decoding
                "<form method='post' action='/sign-in' enctype='text/plain'><label>Passphrase "
                "<input name='words' type='password' autocomplete='current-password' required "
                "autofocus></label> <button>Sign in</button></form>"
            )
        return HTMLResponse(_PAGE.format(said=html.escape(said), form=form), status, headers)


_PAGE = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width"><title>fieldmarks: sign in</title>
<style>body{{font:1.1rem/1.5 system-ui;margin:12vh auto;max-width:26rem;padding:0 1rem;
color-scheme:light dark}}input,button{{font:inherit;min-height:2.75rem}}</style>
<main><h1>Sign in</h1><p role="alert">{said}</p>{form}</main></html>"""


door: Door | None = None  # of this program; None where something else than 'served' runs the app


def signed_in() -> dict[str, Any]:
    """Claims of whoever looks at the page that is drawn.

    Raises:
        FieldmarksError: Nobody is signed in, or others reach this app and nothing guards it.
    """
    if door is None:
        # Without headers nobody has asked for it over a network: a test draws the page.
        if config.get_option("server.address") in LOOPBACKS or not st.context.headers:
            return {}
        raise FieldmarksError(
            "others could reach this app, and nothing guards it",
            mend="Start it with 'fieldmarks show', for other devices with --home-network",
        )
    found = door.claims(st.context.cookies)
    if found is None:
        raise FieldmarksError(
            "you are signed out", mend="Load the page again to sign in; what was kept is kept"
        )
    return found
