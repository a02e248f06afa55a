"""Photos that arrive in parts: whose they are, what a full disk and a damaged file do."""

import errno
import hashlib
import os
import time
from pathlib import Path

import pytest
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from fieldmarks.app import arriving, sign_in

PHOTO = os.urandom(299_000)
HEAD = f"""--{arriving.EDGE}\r
Content-Disposition: form-data; name="file"; filename="nümber _one_.jpg"\r
Content-Type: image/jpeg\r
\r
""".encode()
DATA = HEAD + PHOTO + f"\r\n--{arriving.EDGE}--\r\n".encode()  # as RFC 7578 has it
SIZE = len(DATA)
KEY = hashlib.sha256(DATA).hexdigest()


class AnyDoor:
    """Lets in whoever the cookie names."""

    def claims(self, cookies):
        return {"iss": "https://id.example", "sub": cookies.get("who", "")}


async def upload(request: Request):
    form = await request.form()
    (file,) = form.values()
    seal = hashlib.sha256(await file.read()).hexdigest()
    return JSONResponse({"name": file.filename, "kind": file.content_type, "sha256": seal})


@pytest.fixture
def parts(monkeypatch):
    monkeypatch.setattr(sign_in, "door", AnyDoor())
    monkeypatch.setattr(arriving, "BACK_S", 0)
    return arriving.Parts()


@pytest.fixture
def ada(parts):
    app = Starlette(
        routes=[*parts.routes, Route("/_stcore/upload_file/{s}/{f}", upload, methods=["PUT"])],
        middleware=[Middleware(arriving.FromParts, parts=parts)],
    )
    return TestClient(app, cookies={"who": "ada"})


def add(browser, data, at, whole=SIZE, key=KEY):
    told = {"Upload-Offset": str(at), "Upload-Length": str(whole)}
    answer = browser.patch(f"/arriving/{key}", content=data, headers=told)
    return answer.status_code, answer.headers.get("Upload-Offset")


def end(browser, key=KEY):
    return browser.put("/_stcore/upload_file/s/f", content=b"", headers={"Upload-Key": key})


def test_a_file_that_came_in_parts_is_the_one_that_was_sent(ada, parts):
    assert add(ada, DATA[:100_000], 0) == (204, "100000")
    assert add(ada, DATA[100_000:], 100_000) == (204, str(SIZE))
    seal = hashlib.sha256(PHOTO).hexdigest()
    assert end(ada).json() == {"name": "nümber _one_.jpg", "kind": "image/jpeg", "sha256": seal}
    assert not list(parts.folder.glob("*/*"))  # it is held once
    assert end(ada).status_code == 409


def test_parts_of_one_member_are_not_there_for_another(ada):
    add(ada, DATA[:1000], 0)
    assert ada.head(f"/arriving/{KEY}").headers["Upload-Offset"] == "1000"
    ada.cookies.set("who", "ben")
    assert ada.head(f"/arriving/{KEY}").headers["Upload-Offset"] == "0"
    assert add(ada, DATA[1000:], 1000)[0] == 409
    assert end(ada).status_code == 409


def test_a_file_that_was_damaged_on_its_way_is_not_taken(ada):
    other = bytes([DATA[-1] ^ 1])  # never the byte that belongs there
    assert add(ada, DATA[:-1] + other, 0)[0] == 204
    assert end(ada).status_code == 409
    assert ada.head(f"/arriving/{KEY}").headers["Upload-Offset"] == "0"  # it comes anew


def test_on_a_full_disk_what_arrived_stays_and_the_rest_follows_when_there_is_room(
    ada, monkeypatch
):
    assert add(ada, DATA[:200_000], 0) == (204, "200000")
    real = Path.open

    def full(self, mode="r", *more):
        if mode == "ab":
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(self, mode, *more)

    monkeypatch.setattr(Path, "open", full)
    assert add(ada, DATA[200_000:], 200_000)[0] == 507
    monkeypatch.undo()
    monkeypatch.setattr(sign_in, "door", AnyDoor())
    assert ada.head(f"/arriving/{KEY}").headers["Upload-Offset"] == "200000"
    assert add(ada, DATA[200_000:], 200_000) == (204, str(SIZE))


def test_nobody_fills_the_servers_disk(ada, parts, monkeypatch):
    monkeypatch.setattr(arriving, "MOST_OF_ONE", 350_000)
    assert add(ada, DATA, 0) == (204, str(SIZE))
    other = hashlib.sha256(b"another").hexdigest()
    assert add(ada, DATA, 0, key=other)[0] == 429
    assert add(ada, b"x" * 20, 0, whole=10, key=other)[0] == 409  # more than was said
    (old,) = parts.folder.glob("*/" + KEY)
    os.utime(old, (0, time.time() - arriving.KEPT_S - 1))
    assert add(ada, DATA[:10], 0, key=other)[0] == 204
    assert not old.exists()
