"""The app behind its sign-in, tried from outside: what happened to each attempt.

``benchmarks/network.py`` writes it down; ``tests/browser/test_sign_in.py`` makes the same attempts
and checks what comes of them. The app runs as a keeper starts it for a proxy, on this computer
alone.
"""

import http.client
import os
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

WORDS = "four invented words here"
HTML = {"Accept": "text/html"}
GIGABYTE = 1024**3
STREAM = "/_stcore/stream"
UPGRADE = {
    "Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
    "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ==",
}  # fmt: skip
TRICKS = (
    "/../../etc/passwd", "/static/..%2f..%2f..%2f..%2fetc/passwd", "//etc/passwd",
    "/shared/..%2f..%2fbirds.sqlite", "/media/%2e%2e/%2e%2e/birds.sqlite", "/app/static/../main.py",
    "/component/x/..%2f..%2f..%2fetc%2fpasswd", "/shared/%00", "/%5c..%5cbirds.sqlite",
)  # fmt: skip


class Outside:
    """The app with a passphrase, and whoever tries it."""

    def __init__(self, port: int, folder: Path, process: subprocess.Popen[bytes]) -> None:
        self.port, self.folder, self.process = port, folder, process

    def ask(self, path, headers=None, method="GET", body=None, cookie=""):
        """Status, headers and text of an answer."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        given = dict(headers or {}) | ({"Cookie": cookie} if cookie else {})
        line.request(method, path, body, {"Host": f"localhost:{self.port}"} | given)
        if "Upgrade" in given:
            answer = line.getresponse()
            status = answer.status
            line.close()
            return status, {}, ""
        answer = line.getresponse()
        text = answer.read().decode("utf-8", "replace")
        line.close()
        return answer.status, dict(answer.getheaders()), text

    def sign_in(self, words=WORDS, **headers):
        """Status and cookie of a try."""
        status, told, _ = self.ask("/sign-in", HTML | headers, "POST", f"words={words}\r\n")
        return status, told.get("set-cookie", "").split(";")[0]

    def memory(self) -> float:
        """Largest resident memory of the app so far, in MB (VmHWM of proc(5))."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(text.split("VmHWM:")[1].split()[0]) / 1024

    def upload(self, path, cookie="", size=GIGABYTE, chunked=False):
        """Status, and megabytes that were sent before the app had enough."""
        head = [f"PUT {path} HTTP/1.1", f"Host: localhost:{self.port}", "Content-Type: image/jpeg"]
        head += [f"Cookie: {cookie}"] if cookie else []
        head += ["Transfer-Encoding: chunked"] if chunked else [f"Content-Length: {size}"]
        part, sent, answer = b"\xff" * 2**20, 0, b""
        with socket.create_connection(("127.0.0.1", self.port), timeout=60) as line:
            line.sendall(("\r\n".join(head) + "\r\n\r\n").encode())
            try:
                while sent < size and not answer:
                    line.sendall(b"100000\r\n" + part + b"\r\n" if chunked else part)
                    sent += len(part)
                    line.setblocking(False)
                    with suppress(BlockingIOError):
                        answer = line.recv(200)
                    line.settimeout(60)
                answer = answer or line.recv(200)
            except (ConnectionError, TimeoutError):
                with suppress(OSError):
                    answer = answer or line.recv(200)
        return int(answer.split()[1]) if answer else 0, sent / 2**20


@contextmanager
def app(environment: dict[str, str], folder: Path) -> Iterator[Outside]:
    """The app behind its gate, on a free port of this computer."""
    from fieldmarks.app.serve import command

    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    given = os.environ | {"FIELDMARKS_STORE": str(folder), "FIELDMARKS_HOST_NAMES": "localhost"}
    running = subprocess.Popen(
        command(port, home_network=False),
        env=given | environment,
        cwd=folder.parent,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    outside = Outside(port, folder, running)
    try:
        end = time.monotonic() + 60
        while True:
            try:
                if outside.ask("/_stcore/health")[0] == 200:
                    break
            except OSError:
                pass
            if time.monotonic() > end or running.poll() is not None:
                raise RuntimeError("the app did not start")
            time.sleep(0.2)
        yield outside
    finally:
        running.terminate()
        running.wait(20)


@contextmanager
def with_passphrase(place: Path) -> Iterator[Outside]:
    """The app with one keeper's passphrase."""
    from fieldmarks.app.passphrase import set_passphrase

    set_passphrase(WORDS, place / "passphrase.json")
    named = {"FIELDMARKS_PASSPHRASE_FILE": str(place / "passphrase.json")}
    with app(named, place / "store") as outside:
        yield outside


def no_session(o: Outside) -> str:
    """Pages, files, uploads and the line to a page, with no cookie and with an invented one."""
    found = set()
    for cookie in ("", "fieldmarks_session=" + "x" * 43, "_streamlit_user=2|1:0|x"):
        for path in ("/", "/birds", "/_stcore/host-config", "/media/x.jpg", "/static/js/index.js"):
            status, _, text = o.ask(path, cookie=cookie)
            found.add(status)
            assert text == "sign in first", text[:80]
        found.add(o.ask(STREAM, UPGRADE, cookie=cookie)[0])
        found.add(o.ask("/_stcore/upload_file/x/y", method="PUT", body="x", cookie=cookie)[0])
        for path in ("/sheet", "/worker.js", "/scripts/arrive.js"):
            found.add(o.ask(path, cookie=cookie)[0])
        for method in ("HEAD", "PATCH"):
            given = {"Upload-Offset": "0", "Upload-Length": "1"}
            found.add(o.ask("/arriving/" + "0" * 64, given, method, "x", cookie)[0])
        page = o.ask("/birds", HTML, cookie=cookie)
        assert "Passphrase" in page[2]
        assert "script" not in page[2]
        found.add(page[0])
    return f"39 requests: {', '.join(map(str, sorted(found)))} and the page to sign in"


def copied_cookie(o: Outside) -> str:
    """A copy of a session's cookie, used after its browser signed out."""
    _, cookie = o.sign_in()
    before = o.ask("/", HTML, cookie=cookie)
    assert "Passphrase" not in before[2]
    o.ask("/auth/logout", cookie=cookie)
    status, line = o.ask("/media/x", cookie=cookie)[0], o.ask(STREAM, UPGRADE, cookie=cookie)[0]
    return f"{status} and {line}; {before[0]} before"


def withdrawn_link(o: Outside) -> str:
    """A link to a bird, stolen, after it was withdrawn."""
    from fieldmarks.birds.links import links_of, make_link, withdraw_link
    from fieldmarks.birds.model import Bird, new_id
    from fieldmarks.birds.store import Store

    with Store(o.folder) as store:
        bird = store.save(Bird(new_id(), "Shared <b>bird</b>", notes="a secret"))
        word = make_link(store, bird)
        before = o.ask(f"/shared/{word}")
        assert "Shared &lt;b&gt;bird" in before[2]
        assert "a secret" not in before[2]
        withdraw_link(store, links_of(store, bird)[0].id)
    after, never = o.ask(f"/shared/{word}"), o.ask(f"/shared/{'x' * 43}")
    assert after[2] == never[2]
    return f"{after[0]}, as one that never was; {before[0]} before"


def cross_site(o: Outside) -> str:
    """A page elsewhere posts the right passphrase, and opens the line with a good cookie."""
    _, cookie = o.sign_in()
    posted, given = o.sign_in(Origin="https://elsewhere.example")
    assert not given
    line = o.ask(STREAM, UPGRADE | {"Origin": "https://elsewhere.example"}, cookie=cookie)[0]
    return f"post {posted}, line {line}"


def huge_upload(o: Outside) -> str:
    """1 GB: to the sign-in, without a session, and with one to a place that no page asked for."""
    _, cookie = o.sign_in()
    before, place = o.memory(), "/_stcore/upload_file/x/y"
    told = []
    for path, by in (("/sign-in", ""), (place, ""), (place, cookie)):
        for chunked in (False, True):
            status, sent = o.upload(path, by, chunked=chunked)
            told.append(f"{status or 'cut off'} after {sent:.0f} MB")
    grew = o.memory() - before
    assert grew < 100, grew
    return f"{'; '.join(told)}; memory +{grew:.0f} MB"


def path_tricks(o: Outside) -> str:
    """Paths that lead out of where files lie, with a good cookie."""
    _, cookie = o.sign_in()
    found = []
    for path in TRICKS:
        status, _, text = o.ask(path, cookie=cookie)
        assert "root:" not in text, path
        assert "SQLite format" not in text, path
        assert "def main" not in text, path
        found.append(status)
    return f"{len(TRICKS)} paths: {', '.join(map(str, sorted(set(found))))}; no file"


def many_tries(o: Outside) -> str:
    """200 wrong tries as fast as they go, then the right one at once and after the wait."""
    began = time.monotonic()
    tries = [o.sign_in(f"wrong words {i}")[0] for i in range(200)]
    took = time.monotonic() - began
    at_once = o.sign_in()[0]
    assert set(tries) == {403, 429}
    end = time.monotonic() + 90
    while (later := o.sign_in()[0]) == 429 and time.monotonic() < end:
        time.sleep(0.5)
    return (
        f"{tries.count(403)} looked at, {tries.count(429)} told to wait, in {took:.1f} s; "
        f"the right one at once {at_once}, after the wait {later}"
    )


ATTEMPTS: dict[str, Callable[[Outside], str]] = {
    "no session": no_session,
    "copy of a cookie after signing out": copied_cookie,
    "stolen link after it was withdrawn": withdrawn_link,
    "post and line from another site": cross_site,
    "1 GB upload": huge_upload,
    "path tricks": path_tricks,
    "200 tries to sign in": many_tries,  # the last: it makes the others wait
}
