"""What happens to whoever tries the app over the network: made by trying it on a started app.

    python benchmarks/network.py [SOURCE_OF_ANOTHER_VERSION]

Everything is tried on this computer, on an app with a store of its own: open to this computer, in
the home network, and behind its sign-in (``outside.py``). Writes ``results/network.md``; ends with
an error where an attempt got further than it should.
"""

import hashlib
import json
import os
import random
import re
import socket
import subprocess
import sys
import tempfile
import time
import uuid
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import outside
from _tables import markdown, save
from outside import STREAM

ROOT = Path(__file__).parents[1]
FOREIGN = "rebound.example"
UPLOAD_MB, BOMB_MB = 260, 478
SECRET = "Marmalade-7731"  # name of a bird that nobody outside may read


@dataclass(frozen=True)
class App:
    """A running app."""

    port: int
    pid: int
    home: bool

    def memory(self) -> int:
        """Most memory its process has held, in MB."""
        status = Path(f"/proc/{self.pid}/status").read_text()
        return int(re.search(r"VmHWM:\s+(\d+)", status)[1]) // 1024  # type: ignore[index]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


def own_address() -> str:
    """This computer's address in its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # set aside for documentation (RFC 5737)
        return str(probe.getsockname()[0])


def answers(port: int, address: str = "127.0.0.1") -> bool:
    with socket.socket() as probe:
        probe.settimeout(5)
        return probe.connect_ex((address, port)) == 0


def program(source: Path) -> list[str]:
    main = "fieldmarks.cli.main" if (source / "fieldmarks" / "cli").is_dir() else "fieldmarks.cli"
    code = f"import sys; sys.path.insert(0, {str(source)!r}); from {main} import main; main()"
    return [sys.executable, "-c", code]


@contextmanager
def running(source: Path, home: bool, store: Path) -> Iterator[App]:
    """The app as ``fieldmarks show`` starts it."""
    port = free_port()
    words = ["show", "--port", str(port), *(["--home-network"] if home else [])]
    settings = os.environ | {
        "FIELDMARKS_STORE": str(store), "PYTHONPATH": str(source), "XDG_DATA_HOME": str(store),
    }  # fmt: skip
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    if home and source == ROOT:  # without a passphrase it does not start
        code = "from fieldmarks.app import passphrase as p; "
        code += "p.set_passphrase('four invented words here', p.passphrase_file())"
        subprocess.run([sys.executable, "-c", code], env=settings, check=True)
    started = subprocess.Popen([*program(source), *words], env=settings, cwd=store, **quiet)
    try:
        for _ in range(300):
            if answers(port) or started.poll() is not None:
                break
            time.sleep(0.2)
        children = Path(f"/proc/{started.pid}/task/{started.pid}/children").read_text().split()
        yield App(port, int(children[0]), home)
    finally:
        started.terminate()
        started.wait(30)


def ask(app: App, *lines: str, body: bytes = b"", address: str = "127.0.0.1") -> str:
    """Send a request as it stands; the whole answer, at most 2 MB, or what went wrong."""
    sent, found = 0, b""
    whole = memoryview(("\r\n".join(lines) + "\r\n\r\n").encode() + body)
    with socket.create_connection((address, app.port), timeout=20) as line:
        try:
            while sent < len(whole):
                sent += line.send(whole[sent : sent + (1 << 20)])
            while len(found) < 2_000_000 and (part := line.recv(65536)):
                found += part
                if lines[0].endswith(f"{STREAM} HTTP/1.1"):
                    break  # a WebSocket stays open
        except OSError:
            return found.decode("utf-8", "replace") or f"cut off after {sent / 2**20:.0f} MB"
    return found.decode("utf-8", "replace")


def status(answer: str) -> str:
    found = re.match(r"HTTP/1\.[01] (\d+)", answer)
    return found[1] if found else answer.split("\n")[0][:40]


def get(app: App, path: str, host: str, *more: str) -> str:
    return ask(app, f"GET {path} HTTP/1.1", f"Host: {host}", "Connection: close", *more)


def open_stream(app: App, host: str, origin: str) -> str:
    """The opening of a WebSocket (RFC 6455, 4.1), over which the app tells everything."""
    return ask(
        app, f"GET {STREAM} HTTP/1.1", f"Host: {host}", f"Origin: {origin}",
        "Connection: Upgrade", "Upgrade: websocket", "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
    )  # fmt: skip


def own(app: App) -> str:
    return f"localhost:{app.port}"


def refused(answer: str) -> tuple[str, bool]:
    """An answer that only refuses is as it should be."""
    code = status(answer)
    if answer.startswith("cut off"):
        return answer, True
    return f"refused ({code})" if code[:1] == "4" else f"answered ({code})", code[:1] == "4"


# Each attempt gives what happened, and whether that is as it should be.
def from_another_device(app: App) -> tuple[str, bool]:
    reached = answers(app.port, own_address())
    return "reached" if reached else "no connection", reached == app.home


def wrong_host(app: App) -> tuple[str, bool]:
    return refused(get(app, "/", f"{FOREIGN}:{app.port}"))


def look_alike_host(app: App) -> tuple[str, bool]:
    return refused(get(app, "/", f"localhost.{FOREIGN}:{app.port}"))


def no_host(app: App) -> tuple[str, bool]:
    return refused(ask(app, "GET / HTTP/1.0"))


def two_hosts(app: App) -> tuple[str, bool]:
    return refused(get(app, "/", own(app), f"Host: {FOREIGN}"))


def absolute_address(app: App) -> tuple[str, bool]:
    return refused(get(app, f"http://{FOREIGN}/", FOREIGN))


def forwarded_host(app: App) -> tuple[str, bool]:
    answer = get(app, "/_stcore/health", own(app), f"X-Forwarded-Host: {FOREIGN}")
    return f"answered, and {FOREIGN} is not in the answer", FOREIGN not in answer


def private_address(app: App) -> tuple[str, bool]:
    said, was_refused = refused(get(app, "/", f"192.168.77.7:{app.port}"))
    return (
        said,
        was_refused or app.home,
    )  # in the home network figures are right


def rebinding(app: App) -> tuple[str, bool]:
    host = f"{FOREIGN}:{app.port}"
    return refused(open_stream(app, host, f"http://{host}"))


def foreign_origin(app: App) -> tuple[str, bool]:
    return refused(open_stream(app, own(app), f"http://{FOREIGN}"))


def no_origin_of_a_file(app: App) -> tuple[str, bool]:
    return refused(open_stream(app, own(app), "null"))


def other_port(app: App) -> tuple[str, bool]:
    return refused(open_stream(app, own(app), "http://localhost:1"))


def cross_site_get(app: App) -> tuple[str, bool]:
    return refused(get(app, "/_stcore/health", own(app), f"Origin: http://{FOREIGN}"))


def framed(app: App) -> tuple[str, bool]:
    answer = get(app, "/", own(app)).lower()
    guarded = "frame-ancestors" in answer or "x-frame-options" in answer
    return "the page forbids it" if guarded else "the page allows it", guarded


def upload(app: App, *more: str, size: int = 10, sent: bytes = b"x" * 10) -> str:
    place = f"/_stcore/upload_file/{uuid.uuid4()}/{uuid.uuid4()}"
    return ask(
        app, f"PUT {place} HTTP/1.1", f"Host: {own(app)}", "Connection: close",
        f"Content-Length: {size}", "Content-Type: application/octet-stream", *more, body=sent,
    )  # fmt: skip


def cross_site_put(app: App) -> tuple[str, bool]:
    return refused(upload(app, f"Origin: http://{FOREIGN}"))


def cross_site_post(app: App) -> tuple[str, bool]:
    return refused(
        ask(app, "POST / HTTP/1.1", f"Host: {own(app)}", f"Origin: http://{FOREIGN}",
            "Connection: close", "Content-Length: 4", body=b"a=bc")
    )  # fmt: skip


def forged_upload(app: App) -> tuple[str, bool]:
    return refused(upload(app, "Cookie: _streamlit_xsrf=abc", "X-Xsrftoken: other"))


def huge_upload(app: App) -> tuple[str, bool]:
    before = app.memory()
    answer = upload(app, size=UPLOAD_MB << 20, sent=bytes(UPLOAD_MB << 20))
    grown = app.memory() - before
    said, _ = refused(answer)
    taken = answers(app.port) and not answer.startswith("HTTP/1.1 2")
    return f"{said}; the app grew by {grown} MB", taken and grown < UPLOAD_MB // 2


def endless_header(app: App) -> tuple[str, bool]:
    answer = get(app, "/_stcore/health", own(app), "X-Long: " + "a" * 4_000_000)
    code = refused(answer)[0]
    return f"{code}; the app answers on", "200" not in code and answers(app.port)


def half_requests(app: App) -> tuple[str, bool]:
    held = [socket.create_connection(("127.0.0.1", app.port), timeout=20) for _ in range(200)]
    for line in held:
        line.sendall(b"GET / HTTP/1.1\r\nHost: local")
    start = time.perf_counter()
    code = status(get(app, "/_stcore/health", own(app)))
    took = time.perf_counter() - start
    for line in held:
        line.close()
    return f"others are answered ({code}) after {took:.1f} s", code == "200" and took < 5


PATHS = (
    "/../../../../etc/passwd", "/%2e%2e/%2e%2e/%2e%2e/etc/passwd", "/..%2f..%2f..%2fetc/passwd",
    "/static/../../../../etc/passwd", "/app/static/../../../etc/passwd",
    "/component/fieldmarks/../../../../etc/passwd", "/component/..%2f..%2f..%2fetc%2fpasswd/x",
    "/media/../../../../etc/passwd", "/media/..%5c..%5cetc%5cpasswd", "//etc/passwd",
    "/etc/passwd%00.html", "/birds.sqlite", "/copies/birds.sqlite", "/media/birds.sqlite",
    "/.streamlit/secrets.toml", "/_stcore/component/..%2f..%2fbirds.sqlite",
)  # fmt: skip


def path_tricks(app: App) -> tuple[str, bool]:
    got = [p for p in PATHS if re.search(r"root:|SQLite format|" + SECRET, get(app, p, own(app)))]
    return f"{len(got)} of {len(PATHS)} gave a file", not got


ATTEMPTS: tuple[tuple[str, Callable[[App], tuple[str, bool]]], ...] = (
    ("another device connects", from_another_device),
    ("page asked for by a foreign name (Host)", wrong_host),
    ("a name that begins like ours", look_alike_host),
    ("no name at all (HTTP/1.0)", no_host),
    ("two names, ours and a foreign one", two_hosts),
    ("the foreign name in the request line", absolute_address),
    ("ours, with the foreign one as forwarded", forwarded_host),
    ("another address in figures of a home network", private_address),
    ("a page lets its name point here and opens the line (WebSocket)", rebinding),
    ("a foreign page opens the line (Origin)", foreign_origin),
    ("a page from a file opens the line (Origin null)", no_origin_of_a_file),
    ("a page of another program on this computer opens the line", other_port),
    ("a foreign page reads an answer", cross_site_get),
    ("a foreign page shows the app in a frame", framed),
    ("a foreign page sends a file", cross_site_put),
    ("a foreign page sends a form", cross_site_post),
    ("a file sent with a forged token", forged_upload),
    (f"a file of {UPLOAD_MB} MB is sent (limit 200)", huge_upload),
    ("a header of 4 MB", endless_header),
    ("200 requests left half sent", half_requests),
    ("tricks with paths, to read files of this computer", path_tricks),
)


def bomb(path: Path, noise: int) -> None:
    """A ZIP, with a list of contents that fits, that unpacks to BOMB_MB of almost nothing.

    ``noise`` bytes of every 100,000 do not pack: with 900 it lies below any limit on the ratio.
    """
    rows: dict[str, dict[str, object]] = {}
    # In pieces: the memory of this program would be counted as that of those it starts.
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for seed in (1, 2):
            seal, size = hashlib.sha256(), 0
            for piece in pieces(seed, noise):
                seal.update(piece)
                size += len(piece)
            key = seal.hexdigest()
            rows[name := f"photos/{key[:2]}/{key}.jpg"] = {"sha256": key, "bytes": size}
            with packed.open(name, "w") as file:
                for piece in pieces(seed, noise):
                    file.write(piece)
        listed = {"format": "fieldmarks store", "edition": 1, "files": rows}
        packed.writestr("manifest.json", json.dumps(listed))


def pieces(seed: int, noise: int) -> Iterator[bytes]:
    """Half of BOMB_MB."""
    rng = random.Random(seed)
    for _ in range((BOMB_MB << 19) // 100_000):
        yield rng.randbytes(noise or 1) + bytes(100_000 - noise)


def bring_in(source: Path, place: Path, archive: Path) -> tuple[str, bool]:
    """What a ZIP bomb costs that a keeper is talked into bringing in."""
    words = ["bird", "--store", str(place / "bombed"), "bring-in", str(archive)]
    start = time.perf_counter()
    run = subprocess.Popen(
        [*program(source), *words], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
        env=os.environ | {"PYTHONPATH": str(source)},
    )  # fmt: skip
    said = (run.stderr.read() if run.stderr else "").strip().split("\n")[-1]
    _, ended, used = os.wait4(run.pid, 0)
    took, most = time.perf_counter() - start, used.ru_maxrss // 1024
    said = said.replace(str(archive), archive.name)
    code, wrote = os.waitstatus_to_exitcode(ended), used.ru_oublock * 512 >> 20
    return (
        f"exit {code} after {took:.1f} s, {most} MB of memory, {wrote} MB written: {said}",
        most < BOMB_MB and wrote < BOMB_MB // 10,
    )


def tried(source: Path) -> dict[tuple[str, bool], tuple[str, bool]]:
    found: dict[tuple[str, bool], tuple[str, bool]] = {}
    for home in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            add = ["bird", "--store", folder, "add", SECRET]
            settings = os.environ | {"PYTHONPATH": str(source)}
            subprocess.run([*program(source), *add], env=settings, check=True, capture_output=True)
            with running(source, home, Path(folder)) as app:
                for name, attempt in ATTEMPTS:
                    found[name, home] = attempt(app)
                    print(home, name, *found[name, home], flush=True)
    return found


def main() -> None:
    sources = [ROOT, *map(Path, sys.argv[1:2])]
    # First: what this program holds in memory later would be counted as theirs.
    with tempfile.TemporaryDirectory() as folder:
        harmless, unpacked = True, []
        for noise in (0, 900):
            archive = Path(folder) / "bomb.zip"
            bomb(archive, noise)
            size = archive.stat().st_size >> 10
            bombed = [bring_in(source, Path(folder) / f"{noise}-{place}", archive)
                      for place, source in enumerate(sources)]  # fmt: skip
            name = f"a ZIP of {size} KB that unpacks to {BOMB_MB} MB is brought in"
            unpacked.append([name, "terminal", *(said for said, _ in bombed)])
            harmless = harmless and bombed[0][1]
    all_found = [tried(source) for source in sources]
    rows = [
        [name, "home network" if home else "this computer", *(f[name, home][0] for f in all_found)]
        for name, _ in ATTEMPTS
        for home in (False, True)
    ]
    rows += unpacked
    head = ["attempt", "app started for", "now", *(["version 0.2.0"] if len(sources) > 1 else [])]
    with tempfile.TemporaryDirectory() as folder, outside.with_passphrase(Path(folder)) as guarded:
        signed = [[name, attempt(guarded)] for name, attempt in outside.ATTEMPTS.items()]
    save(
        "network",
        "Attempts from outside, and what happened",
        "Made by `benchmarks/network.py` on an app started as `fieldmarks show` does, for this "
        "computer and with `--home-network`. Names end in `.example` (RFC 2606).",
        markdown(head, rows),
        "Behind a passphrase, with and without a session (for now alone):",
        markdown(["attempt", "what happened"], signed),
    )
    bad = [key for key, (_, good) in all_found[0].items() if not good]
    if bad or not harmless:
        sys.exit(f"got further than they should: {bad or 'the ZIP'}")


if __name__ == "__main__":
    main()
