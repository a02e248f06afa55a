#!/usr/bin/env python3
"""Start a club's server: PostgreSQL, the app and a proxy with TLS, and everything they need.

    python3 server/start.py [--name birds.example.org] [--steward you@club.example]

From a fresh clone it makes a Python environment, a database cluster, a certificate and (where no
provider signs members in) a passphrase, all in one folder, and starts what was made before.
Named parts are started alone, each in a container of its own: see ``compose.yaml``. It needs
Debian's ``postgresql``, ``nginx-light`` and ``openssl``, and installs them where it may.
"""

import argparse
import glob
import importlib.util
import os
import secrets
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from string import Template
from types import FrameType

HERE = Path(__file__).resolve().parent
PARTS = ("database", "app", "proxy")
DEBIAN = {"database": "postgresql", "proxy": "nginx-light openssl"}
ROOT = os.geteuid() == 0
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none looks like another


class StartError(Exception):
    """One line for whoever starts the server."""


def asked() -> argparse.Namespace:
    """What the command line says; in a container the environment says the name."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("parts", nargs="*", help="database, app, proxy; none: all of them")
    name = os.environ.get("SERVER_NAME") or "localhost"
    parser.add_argument("--name", default=name, help="what members type into the browser")
    parser.add_argument("--port", type=int, default=8443, help="for https")
    parser.add_argument("--app-port", type=int, default=8612, help="between app and proxy")
    parser.add_argument("--plain-port", type=int, help="for http; only sends on to https")
    parser.add_argument("--public-port", type=int, help="for https, where it is another outside")
    parser.add_argument("--folder", type=Path, default=Path("club"), help="everything is kept here")
    parser.add_argument("--steward", default=os.environ.get("STEWARD"), help="e-mail address")
    given = parser.parse_args()
    if wrong := set(given.parts) - set(PARTS):
        parser.error(f"no such part: {', '.join(wrong)}")
    given.parts = given.parts or list(PARTS)
    given.folder = given.folder.resolve()
    outside = given.public_port or given.port
    given.at = f"https://{given.name}" + (f":{outside}" if outside != 443 else "")
    return given


def installed_here() -> bool:
    """Whether the Python that runs this has the program and all it needs."""
    return all(importlib.util.find_spec(n) for n in ("fieldmarks", "streamlit", "psycopg"))


def with_python(folder: Path) -> None:
    """Go on in a Python environment that has the program; make it first."""
    if installed_here():
        return
    python = folder / "python" / "bin" / "python"
    if not python.exists():
        say("Making a Python environment and installing the program: a minute or two.")
        subprocess.run([sys.executable, "-m", "venv", folder / "python"], check=True)
    sources = [*(HERE.parent / "fieldmarks").rglob("*"), HERE.parent / "pyproject.toml"]
    newest = str(max(file.stat().st_mtime_ns for file in sources))
    made_of = folder / "python" / "made_of"
    if not made_of.exists() or made_of.read_text() != newest:
        quiet = ["--quiet", "--disable-pip-version-check"]
        install = [python, "-m", "pip", "install", *quiet, f"{HERE.parent}[app,club]"]
        subprocess.run(install, check=True)
        made_of.write_text(newest)
    os.execv(python, [str(python), *sys.argv])


def programs(parts: list[str]) -> str:
    """Install what is missing where that is allowed; gives the folder of PostgreSQL's programs."""
    homes = sorted(glob.glob("/usr/lib/postgresql/*/bin"))
    missing = [] if homes or "database" not in parts else [DEBIAN["database"]]
    if "proxy" in parts and not (which("nginx") and which("openssl")):
        missing.append(DEBIAN["proxy"])
    if missing:
        wanted = " ".join(missing)
        if not ROOT or not which("apt-get"):
            raise StartError(f"{wanted} is missing. Install it: sudo apt-get install {wanted}")
        say(f"Installing {wanted}.")
        quiet = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
        subprocess.run(["apt-get", "update", "-qq"], check=True)
        words = ["apt-get", "install", "-y", "-qq", "--no-install-recommends", *wanted.split()]
        subprocess.run(words, check=True, env=quiet, stdout=subprocess.DEVNULL)
        homes = sorted(glob.glob("/usr/lib/postgresql/*/bin"))
    return homes[-1] if homes else ""


def which(name: str) -> str | None:
    """A program, also of those that Debian keeps for root."""
    return shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")


def say(words: str) -> None:
    """Tell whoever starts the server."""
    print(words, flush=True)


class Server:
    """What is started from one folder."""

    def __init__(self, given: argparse.Namespace) -> None:
        self.given, self.folder = given, given.folder
        self.running: dict[str, subprocess.Popen[bytes]] = {}

    def start(self) -> None:
        """Start each part; every one is ready when the next begins."""
        self.postgres = programs(self.given.parts)
        for part in self.given.parts:
            getattr(self, part)()

    def database(self) -> None:
        """A cluster that is reached through a socket in the folder, and not over any network."""
        place = self.folder / "postgres"
        place.mkdir(exist_ok=True)
        # It refuses to run as root.
        self.as_user = ["runuser", "-u", "postgres", "--"] if ROOT else []
        if ROOT:
            shutil.chown(place, "postgres", "postgres")
        quiet = {"stdout": subprocess.DEVNULL, "cwd": "/"}
        data = place / "data"
        if not (data / "PG_VERSION").exists():
            words = ["-D", data, "--auth=trust", "--username=birds", "--encoding=UTF8"]
            done = subprocess.run([*self.as_user, f"{self.postgres}/initdb", *words], **quiet)
            if done.returncode:
                raise StartError(f"the database cannot be made in {place}: take another --folder")
        place.chmod(0o700 if not ROOT else 0o755)
        (place / "data").chmod(0o700)
        options = f"-c listen_addresses= -c unix_socket_directories={place} -c max_connections=50"
        self._pg_ctl("start", "-o", options, "-l", place / "log")
        psql = [*self.as_user, f"{self.postgres}/psql", "-h", place, "-U", "birds", "-qAt"]
        made = [*psql, "-d", "postgres", "-c", "SELECT 1 FROM pg_database WHERE datname='birds'"]
        if not subprocess.run(made, check=True, capture_output=True, cwd="/").stdout.strip():
            create = [*psql, "-d", "postgres", "-c", "CREATE DATABASE birds"]
            subprocess.run(create, check=True, **quiet)

    def _pg_ctl(self, what: str, *options: object) -> None:
        words = [f"{self.postgres}/pg_ctl", "-D", self.folder / "postgres" / "data", "-w", what]
        done = subprocess.run([*self.as_user, *words, *options], cwd="/", stdout=subprocess.DEVNULL)
        if done.returncode:
            raise StartError(f"the database does not {what}: see {self.folder}/postgres/log")

    def app(self) -> None:
        """The app, for the proxy on this computer alone; with a passphrase or a provider."""
        from fieldmarks.app.passphrase import set_passphrase

        kept = self.folder / "passphrase.json"
        told = self.folder / ".streamlit" / "secrets.toml"
        if not kept.exists() and not (told.exists() and told.stat().st_size):
            words = "-".join("".join(secrets.choice(LETTERS) for _ in range(5)) for _ in range(4))
            set_passphrase(words, kept)
            say(f"Passphrase to sign in, shown this once: {words}")
        url = f"postgresql://birds@/birds?host={self.folder / 'postgres'}"
        settings = {
            "FIELDMARKS_STORE_URL": url,
            "FIELDMARKS_STORE": str(self.folder / "birds"),
            "FIELDMARKS_PASSPHRASE_FILE": str(kept),
            "FIELDMARKS_KEY": str(self.folder / "key.pem"),
            "FIELDMARKS_HOST_NAMES": self.given.name,
        }
        os.environ.update({k: v for k, v in settings.items() if k not in os.environ})
        program = [sys.executable, "-m", "fieldmarks.cli.main"]
        if self.given.steward:
            let_in = [*program, "bird", "let-in", self.given.steward, "--as", "steward"]
            subprocess.run(let_in, check=True, cwd=self.folder)
        run = [*program, "show", "--port", str(self.given.app_port)]
        self.running["app"] = subprocess.Popen(run, cwd=self.folder, stdout=subprocess.DEVNULL)
        self._until_healthy(f"http://127.0.0.1:{self.given.app_port}/_stcore/health", "app")

    def _until_healthy(self, url: str, part: str) -> None:
        end = time.monotonic() + 120
        while time.monotonic() < end and self.running[part].poll() is None:
            try:
                with urllib.request.urlopen(url, timeout=2):
                    return
            except OSError:
                time.sleep(0.1)
        raise StartError(f"the {part} did not start")

    def proxy(self) -> None:
        """TLS before the app; a certificate of its own making until a better one lies there."""
        place = self.folder / "proxy"
        place.mkdir(exist_ok=True)
        name, plain = self.given.name, self.given.plain_port
        if not (place / "certificate.pem").exists():
            words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt",
                     "ec_paramgen_curve:P-256", "-nodes", "-days", "825", "-subj", f"/CN={name}",
                     "-addext", f"subjectAltName=DNS:{name}", "-keyout", place / "key.pem",
                     "-out", place / "certificate.pem"]  # fmt: skip
            old = os.umask(0o077)
            subprocess.run(words, check=True, stderr=subprocess.DEVNULL)
            os.umask(old)
        settings = {
            "user": "user www-data;" if ROOT else "",
            "place": place, "name": name, "port": self.given.port, "app": self.given.app_port,
            "at": self.given.at,
            "plain": f"listen {plain};" if plain else f"listen unix:{place}/plain.sock;",
        }  # fmt: skip
        written = Template((HERE / "nginx.conf").read_text()).substitute(settings)
        (place / "plain.sock").unlink(missing_ok=True)
        (place / "nginx.conf").write_text(written)
        run = [which("nginx"), "-c", place / "nginx.conf", "-e", place / "log"]
        self.running["proxy"] = subprocess.Popen(run)
        time.sleep(0.2)
        if self.running["proxy"].poll() is not None:
            raise StartError(f"the proxy did not start: see {place}/log")

    def stay(self) -> int:
        """Wait until one part ends or somebody stops it."""
        while all(part.poll() is None for part in self.running.values()):
            time.sleep(0.5)
        return 1

    def stop(self) -> None:
        """Stop all parts, the database last: what was confirmed is on the disk."""
        for part in reversed(self.running.values()):
            if part.poll() is None:
                part.terminate()
                part.wait(20)
        if (self.folder / "postgres" / "data" / "postmaster.pid").exists():
            self._pg_ctl("stop", "-m", "fast")


def stopped(_number: int, _frame: FrameType | None) -> None:
    """Somebody stops the server."""
    raise KeyboardInterrupt


def main() -> int:
    """Start what is asked for and stay with it."""
    given = asked()
    given.folder.mkdir(parents=True, exist_ok=True)
    if "app" in given.parts:
        with_python(given.folder)
    signal.signal(signal.SIGTERM, stopped)
    server = Server(given)
    try:
        server.start()
        if "proxy" in given.parts:
            say(f"The club is open at {given.at}. Stop it with Ctrl+C; all is in {given.folder}.")
        return server.stay()
    except StartError as error:
        print(f"start: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 0
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        server.stop()


if __name__ == "__main__":
    sys.exit(main())
