"""From a fresh clone to a club's server that somebody is signed in to, by the README's one command.

    python benchmarks/server.py
    python benchmarks/server.py --containerfile

The first clones this repository, runs ``python3 server/start.py`` in it and signs in through the
proxy with the passphrase that was printed; then it starts what is there once more. The second
carries out the lines of ``server/Containerfile`` one by one in a Debian that debootstrap unpacked
(as root; no container engine is used) and starts app and proxy there as the image would.
"""

import json
import os
import re
import shlex
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from _tables import markdown, save

ROOT = Path(__file__).resolve().parents[1]
START = [str(ROOT / "server" / "start.py")]
WAIT_S = 600


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])


class Club:
    """A server that was started: what it said, and how to ask it."""

    def __init__(self, process: subprocess.Popen[str], port: int, plain: int, folder: Path) -> None:
        self.process, self.port, self.plain, self.folder = process, port, plain, folder
        self.said: list[str] = []
        self.reading = threading.Thread(target=self._read, daemon=True)
        self.reading.start()

    def _read(self) -> None:
        self.said.extend(line.rstrip() for line in self.process.stdout or ())

    @property
    def passphrase(self) -> str:
        """What it told at its first start."""
        return re.search(r"shown this once: (\S+)", "\n".join(self.said))[1]  # type: ignore[index]

    @property
    def trusted(self) -> ssl.SSLContext:
        """Whoever trusts the certificate that it made, and no other."""
        return ssl.create_default_context(cafile=str(self.folder / "proxy" / "certificate.pem"))

    def wait(self) -> None:
        """Until it says that it is open."""
        end = time.monotonic() + WAIT_S
        while not any("The club is open" in line for line in self.said):
            if self.process.poll() is not None or time.monotonic() > end:
                self.reading.join(5)
                raise RuntimeError("the server did not start: " + " / ".join(self.said[-3:]))
            time.sleep(0.02)

    def ask(self, path: str, data: bytes | None = None, **headers: str) -> tuple[int, dict, bytes]:
        """Status, headers (in small letters) and body of an answer through TLS."""
        given = {k.replace("_", "-"): v for k, v in headers.items()}
        asked = urllib.request.Request(f"https://localhost:{self.port}{path}", data, given)
        opener = urllib.request.build_opener(
            urllib.request.HTTPSHandler(context=self.trusted), _NoRedirect
        )
        try:
            with opener.open(asked, timeout=60) as answer:
                return answer.status, _small(answer.headers), answer.read()
        except urllib.error.HTTPError as error:
            return error.code, _small(error.headers), error.read()

    def sign_in(self, words: str) -> str:
        """The cookie of a session, or nothing."""
        _, told, _ = self.ask("/sign-in", f"words={words}\r\n".encode(), Accept="text/html")
        return told.get("set-cookie", "")


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None


def _small(headers: object) -> dict[str, str]:
    return {k.lower(): v for k, v in headers.items()}  # type: ignore[attr-defined]


@contextmanager
def started(
    command: list[str], folder: Path, port: int | None = None, **options: object
) -> Iterator[Club]:
    """``server/start.py`` on free ports, stopped as somebody stops it."""
    port, plain, app = port or free_port(), free_port(), free_port()
    ports = ["--port", str(port), "--plain-port", str(plain), "--app-port", str(app)]
    process = subprocess.Popen(
        [*command, *ports, "--folder", str(folder)], text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, **options,  # type: ignore[call-overload]
    )  # fmt: skip
    club = Club(process, port, plain, folder)
    try:
        club.wait()
        yield club
    finally:
        process.terminate()
        process.wait(60)


@contextmanager
def a_folder() -> Iterator[Path]:
    """A folder that PostgreSQL's own user may reach, as it will not run as root."""
    place = Path(tempfile.mkdtemp(prefix="fieldmarks-server-"))
    place.chmod(0o711)
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)


def fresh_clone() -> list[list[str]]:
    """Seconds from nothing to signed in, and when it is started again."""
    bare = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
    python = "/usr/bin/python3" if Path("/usr/bin/python3.11").exists() else sys.executable
    rows = []
    with a_folder() as place:
        begun = time.perf_counter()
        subprocess.run(["git", "clone", "-q", str(ROOT), str(place / "clone")], check=True)
        words = ""
        for name in ("git clone and the one command", "the same command again"):
            command = [python, "server/start.py"]
            with started(command, place / "club", cwd=place / "clone", env=bare) as club:
                opened = time.perf_counter() - begun
                words = words or club.passphrase
                cookie = club.sign_in(words)
                assert "secure" in cookie.lower(), cookie
                page = club.ask("/", Accept="text/html", Cookie=cookie.split(";")[0])
                assert page[0] == 200 and b'<div id="root">' in page[2]  # noqa: PT018
                rows.append([name, f"{opened:.0f}", f"{time.perf_counter() - begun:.0f}"])
                print(*rows[-1], flush=True)
            begun = time.perf_counter()
        size = subprocess.run(["du", "-sm", place / "club"], capture_output=True, text=True)
        rows.append(["megabytes in its folder, Python with all packages in it",
                     size.stdout.split()[0], ""])  # fmt: skip
    return rows


def containerfile() -> list[list[str]]:
    """Each line of the Containerfile in a Debian of debootstrap's; seconds of those that work."""
    rows = []
    with a_folder() as place:
        base = place / "base"
        release = "bookworm"  # Debian 12, which the FROM line names by a tag of its image
        run = ["debootstrap", "--variant=minbase", release, str(base)]
        subprocess.run(run, check=True, stdout=subprocess.DEVNULL)
        # How this machine reaches the registries, which an engine would tell a build as well.
        shutil.copy("/etc/resolv.conf", base / "etc" / "resolv.conf")
        shutil.copy("/etc/ssl/certs/ca-certificates.crt", base / "opt" / "machine.pem")
        inside = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "PIP_CERT": "/opt/machine.pem"}
        inside |= {
            k: v for k, v in os.environ.items() if "proxy" in k.lower() or k == "PIP_INDEX_URL"
        }
        inside |= {"DEBIAN_FRONTEND": "noninteractive"}
        user, program, health = [], [], []
        text = (ROOT / "server" / "Containerfile").read_text().replace("\\\n", "")
        for line in (x for x in text.splitlines() if x and not x.startswith("#")):
            what, rest = line.split(maxsplit=1)
            begun = time.perf_counter()
            if what == "ENV":
                given = dict(pair.split("=", 1) for pair in shlex.split(rest))
                inside |= {k: v.replace("$PATH", inside["PATH"]) for k, v in given.items()}
            elif what == "COPY":
                *sources, target = rest.split()
                for source in sources:
                    to = base / target.lstrip("/")
                    if target.endswith("/"):
                        to.mkdir(parents=True, exist_ok=True)
                    copy = shutil.copytree if (ROOT / source).is_dir() else shutil.copy
                    copy(ROOT / source, to)
            elif what == "RUN":
                chroot = ["chroot", str(base), "/bin/sh", "-c", rest]
                subprocess.run(chroot, check=True, env=inside, stdout=subprocess.DEVNULL)
                rows.append([f"RUN {rest.split()[0]} ...", f"{time.perf_counter() - begun:.0f}"])
                print(*rows[-1], flush=True)
            elif what == "USER":
                user = ["--userspec", f"{rest}:{rest}"]
            elif what == "ENTRYPOINT":
                program = json.loads(rest)
            elif what == "HEALTHCHECK":
                health = json.loads(rest[rest.index("[") :])
        size = subprocess.run(["du", "-sm", base], capture_output=True, text=True)
        rows.append(["megabytes of the tree", size.stdout.split()[0]])
        shell = ["chroot", *user, str(base)]
        lite = inside | {"FIELDMARKS_STORE_URL": "sqlite:////birds/birds.sqlite", "HOME": "/birds"}
        port = str(free_port())
        begun = time.perf_counter()
        proxy = subprocess.Popen([*shell, *program, "--port", port, "proxy"], env=inside)
        app = subprocess.Popen([*shell, *program, "app"], env=lite, stdout=subprocess.DEVNULL)
        try:
            while subprocess.run([*shell, *health], env=inside, capture_output=True).returncode:
                assert app.poll() is None
                assert time.perf_counter() - begun < 120
            cafile = base / "birds" / "proxy" / "certificate.pem"
            trusted = ssl.create_default_context(cafile=str(cafile))
            address = f"https://localhost:{port}/_stcore/health"
            with urllib.request.urlopen(address, context=trusted) as answer:
                assert answer.read() == b"ok"
            rows.append(["app and proxy, not as root: HEALTHCHECK good, health through TLS ok",
                         f"{time.perf_counter() - begun:.0f}"])  # fmt: skip
        finally:
            for one in (app, proxy):
                one.terminate()
                one.wait(30)
    return rows


def main() -> None:
    if "--containerfile" in sys.argv:
        save(
            "server_container",
            "The Containerfile's lines, carried out without a container engine",
            "Made by `benchmarks/server.py --containerfile`: each line of `server/Containerfile` "
            "in a Debian 12 unpacked by debootstrap, then app (with SQLite) and proxy started as "
            "its USER by its ENTRYPOINT. **No image was built and no container run**: none can be "
            "where this was made. `server/compose.yaml` was only read by docker-compose 1.29 (its "
            "`name` left out, which that release does not know). Seconds.",
            markdown(("step", "seconds"), rows=containerfile()),
        )
        return
    save(
        "server",
        "From a fresh clone to signed in",
        "Made by `benchmarks/server.py`: seconds from before `git clone` until the server said it "
        "is open, and until somebody was signed in through TLS with the passphrase it had printed "
        f"and held the app's page. PostgreSQL, nginx and openssl were installed. "
        f"{os.cpu_count()} cores, packages from a near mirror, load {os.getloadavg()[0]:.1f}.",
        markdown(("what", "open", "signed in"), fresh_clone()),
    )


if __name__ == "__main__":
    main()
