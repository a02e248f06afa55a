"""Photos that arrive in parts, so that an upload goes on after a break instead of anew.

A page sends the body of an upload under its SHA-256: ``HEAD`` asks how much is there, ``PATCH``
adds what follows (``Upload-Offset``, as in the IETF's draft of resumable uploads). Then it sends
Streamlit's own upload with ``Upload-Key`` and no body, which is put in here. Parts belong to
whoever is signed in, are refused to everyone else, and are forgotten when the app stops.
"""

from __future__ import annotations

import asyncio
import errno
import hashlib
import re
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route
from streamlit import runtime

from fieldmarks.app import sign_in
from fieldmarks.app.serve import MAX_UPLOAD_MB

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LONGEST = MAX_UPLOAD_MB * 2**20
MOST_OF_ONE, MOST = 2 * LONGEST, 20 * LONGEST  # bytes under way: of one person, and of all
KEPT_S = 24 * 3600
BACK_S = 20  # how long a page may take to open its own line again after a break
UPLOAD = "/_stcore/upload_file/"
EDGE = "fieldmarks-the-edge-of-a-photo"  # between what is in a body (RFC 2046, 5.1); arrive.js


class Parts:
    """Files that are under way, in a folder of this program alone."""

    def __init__(self) -> None:
        self._place = tempfile.TemporaryDirectory(prefix="fieldmarks-arriving-")
        self.folder = Path(self._place.name)
        self._writer: dict[Path, object] = {}  # the newest: an older line may be dead
        place = "/arriving/{key}"
        self.routes = [
            Route(place, self.offset, methods=["HEAD"]),
            Route(place, self.append, methods=["PATCH"]),
        ]

    def of(self, request: Request, key: str) -> Path:
        """Where the file with a SHA-256 lies, of whoever asks."""
        if not re.fullmatch("[0-9a-f]{64}", key):
            raise HTTPException(404)
        told = (sign_in.door.claims(request.cookies) if sign_in.door else None) or {}
        who = f"{told.get('iss', '')} {told.get('sub', '')}"
        return self.folder / hashlib.sha256(who.encode()).hexdigest() / key

    async def offset(self, request: Request) -> Response:
        """How many bytes are there."""
        path = self.of(request, request.path_params["key"])
        self._writer.pop(path, None)  # whoever asks goes on from here; an older line adds no more
        return _told(200, _size(path))

    async def append(self, request: Request) -> Response:
        """Add what follows; what has arrived when the line breaks, is kept."""
        path = self.of(request, request.path_params["key"])
        try:
            at, whole = (int(request.headers[f"upload-{n}"]) for n in ("offset", "length"))
        except (KeyError, ValueError):
            return PlainTextResponse("Upload-Offset and Upload-Length are missing", 400)
        if not 0 <= at < whole <= LONGEST:
            return PlainTextResponse("too large", 413)
        if at != _size(path):
            return _told(409, _size(path))
        if full := self._make_room(path, whole - at):
            return full
        ticket = self._writer[path] = object()
        try:
            path.parent.mkdir(mode=0o700, exist_ok=True)
            with path.open("ab") as file:
                async for part in request.stream():
                    if self._writer.get(path) is not ticket or file.tell() + len(part) > whole:
                        return _told(409, _size(path))
                    file.write(part)
                    file.flush()  # nothing may follow once a newer line has asked how much is there
        except ClientDisconnect:
            return Response(status_code=400)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, errno.EDQUOT):
                raise
            return PlainTextResponse("the server's disk is full", 507)
        return _told(204, _size(path))

    def _make_room(self, path: Path, more: int) -> Response | None:
        there = {}
        for file in self.folder.glob("*/*"):
            told = file.stat()
            if time.time() - told.st_mtime > KEPT_S:
                file.unlink(missing_ok=True)
            else:
                there[file] = told.st_size
        own = sum(size for file, size in there.items() if file.parent == path.parent)
        if own + more > MOST_OF_ONE or sum(there.values()) + more > MOST:
            return PlainTextResponse("too much is under way", 429)
        return None


class FromParts:
    """ASGI middleware: puts a body that came in parts into the upload that ends it."""

    def __init__(self, app: ASGIApp, parts: Parts) -> None:
        self.app, self.parts = app, parts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on; of an upload that names a key, the file as its body."""
        key = ""
        if scope["type"] == "http" and scope["path"].startswith(UPLOAD):
            key = Headers(scope=scope).get("upload-key", "")
        if not re.fullmatch("[0-9a-f]{64}", key):
            await self.app(scope, receive, send)
            return
        path = self.parts.of(Request(scope), key)
        if not path.exists() or await run_in_threadpool(_sha256, path) != key:
            path.unlink(missing_ok=True)  # damaged on its way: it comes anew
            await PlainTextResponse("the photo is not here", 409)(scope, receive, send)
            return
        await _until_active(scope["path"].split("/")[3])
        headers = MutableHeaders(raw=list(scope["headers"]))
        headers["content-type"] = f"multipart/form-data; boundary={EDGE}"
        headers["content-length"] = str(_size(path))
        del headers["transfer-encoding"]

        taken = False

        async def done(message: Message) -> None:
            nonlocal taken
            if message["type"] == "http.response.start":
                taken = message["status"] < 300
            await send(message)

        with path.open("rb") as file:

            async def read() -> Message:
                piece = file.read(1 << 20)
                return {"type": "http.request", "body": piece, "more_body": bool(piece)}

            await self.app({**scope, "headers": headers.raw}, read, done)
        if taken:  # only now, as Windows removes no file that is open
            path.unlink(missing_ok=True)


async def _until_active(session: str) -> None:
    """Wait for a page whose line broke with the upload: to others nothing can be given."""
    end = time.monotonic() + BACK_S
    while time.monotonic() < end and not runtime.get_instance().is_active_session(session):
        await asyncio.sleep(0.2)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _size(path: Path) -> int:
    return path.stat().st_size if path.exists() else 0


def _told(status: int, size: int) -> Response:
    headers = {"Upload-Offset": str(size), "Cache-Control": "no-store"}
    return Response(status_code=status, headers=headers)
