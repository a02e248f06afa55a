"""What ``fieldmarks show`` hands to Streamlit: the app behind a check of the name it is asked by.

A web page anywhere may let its own name point to this computer (DNS rebinding); the browser then
takes our answers for that page's own and lets it read every bird. Such a request still carries the
page's name as ``Host`` (RFC 9110, 7.2), so only names of this computer are answered.
"""

from __future__ import annotations

import ipaddress
import os
import socket
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import streamlit as st
from starlette.datastructures import Headers
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from starlette.websockets import WebSocketClose
from streamlit import config, net_util

from fieldmarks.app import front_page, sign_in
from fieldmarks.app.arriving import FromParts, Parts
from fieldmarks.app.serve import NAMES_VARIABLE

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

# No other page may show ours in a frame and lead a keeper's clicks (CSP level 3, 6.4.2), or show
# our pictures (Fetch standard, 3.7).
NO_FRAME = (
    (b"content-security-policy", b"frame-ancestors 'self'"),
    (b"x-frame-options", b"SAMEORIGIN"),
    (b"cross-origin-resource-policy", b"same-origin"),
)
REFUSED = (
    "fieldmarks answers only to the names of this computer. Open it at the address that "
    f"'fieldmarks show' printed, or name yours in {NAMES_VARIABLE}."
)


def own_names(home_network: bool) -> set[str]:
    """Names by which the app may be asked, besides addresses in figures."""
    names = {"localhost", *os.environ.get(NAMES_VARIABLE, "").lower().split(",")} - {""}
    if home_network:
        own = socket.gethostname().lower()
        names |= {own, f"{own.removesuffix('.local')}.local"}
    return {name.strip() for name in names}


def may_ask(host: str, origin: str | None, home_network: bool) -> bool:
    """Whether a request with this ``Host`` and ``Origin`` comes from a page of our own.

    An address in figures is no name, so nobody can point it elsewhere; on this computer only the
    loopback ones reach us.
    """
    try:
        called = urlsplit(f"//{host}")
        name = (called.hostname or "").rstrip(".")
        if called.netloc != host or "@" in host:
            return False
        if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
            return False
    except ValueError:
        return False
    try:
        return ipaddress.ip_address(name).is_loopback or home_network
    except ValueError:
        return name in own_names(home_network)


class OwnNamesOnly:
    """ASGI middleware: everyone else gets a refusal, before Streamlit sees the request."""

    def __init__(self, app: ASGIApp, home_network: bool) -> None:
        self.app, self.home_network = app, home_network

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what our own pages ask; refuse the rest."""
        answer = self.app
        if scope["type"] in ("http", "websocket"):
            headers = Headers(scope=scope)
            hosts, origin = headers.getlist("host"), headers.get("origin")
            if len(hosts) != 1 or not may_ask(hosts[0], origin, self.home_network):
                plain = scope["type"] == "http"
                answer = PlainTextResponse(REFUSED, 421) if plain else WebSocketClose(1008)

        async def unframed(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *NO_FRAME]
            await send(message)

        await answer(scope, receive, unframed)


def _no_outside_address() -> None:
    """Streamlit would ask a host on the internet for it, to print it and to compare origins."""


net_util.get_external_ip = _no_outside_address


def _shared(request: Request) -> Response:
    from fieldmarks.app.birds.share import shared  # with the first link that is opened

    return shared(request)


_parts = Parts()
_home_network = config.get_option("server.address") not in sign_in.LOOPBACKS
app = st.App(
    Path(__file__).with_name("main.py"),
    routes=[Route("/shared/{word}", _shared), *_parts.routes, *front_page.routes],
    middleware=[
        Middleware(OwnNamesOnly, home_network=_home_network),
        Middleware(sign_in.Gate, outside=_home_network or bool(os.environ.get(NAMES_VARIABLE))),
        Middleware(FromParts, parts=_parts),
    ],
)
