"""Stores, shots and a real PostgreSQL server for the tests of a bird's life."""

import glob
import os
import pickle
import shutil
import socket
import subprocess
import tempfile
from pathlib import Path

import pytest
import sqlalchemy
from filelock import FileLock
from made_birds import CLEAN, ORANGE, shoot

from fieldmarks.birds.invented import fill_with_invented_club
from fieldmarks.birds.store import FOLDER_VARIABLE, Store
from fieldmarks.record import Question
from fieldmarks.rules import load_rules


@pytest.fixture(scope="session")
def tables():
    return load_rules()


@pytest.fixture(scope="session")
def clean_shot(tables):
    return shoot(tables, CLEAN, Question(claimed="personatus"))


@pytest.fixture(scope="session")
def orange_shot(tables):
    return shoot(tables, ORANGE, Question(claimed="personatus"), seed=1)


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "store") as opened:
        yield opened


@pytest.fixture
def app_store(tmp_path, monkeypatch):
    """The store that the app opens."""
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "store"))
    monkeypatch.setenv("FIELDMARKS_KEY", str(tmp_path / "key.pem"))
    with Store() as store:
        yield store


def _postgres_programs():
    found = shutil.which("initdb") or shutil.which("pg_ctl")
    if found:
        return os.path.dirname(os.path.realpath(found))
    homes = sorted(glob.glob("/usr/lib/postgresql/*/bin"))
    return homes[-1] if homes else None


def _install_postgres():
    if os.geteuid() != 0 or not shutil.which("apt-get"):
        return
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    subprocess.run(["apt-get", "update", "-qq"], check=False, **quiet)
    subprocess.run(
        ["apt-get", "install", "-y", "-qq", "postgresql"], check=False, env=environment, **quiet
    )


@pytest.fixture(scope="session")
def club(tmp_path_factory, tables):
    """The invented club: a store to read from, and what is in it. Copy it before changing it.

    The first worker that asks makes it; each works on a copy of its own.
    """
    place = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        place = place.parent
    with FileLock(place / "club.lock"):
        if not (place / "club.pickle").exists():
            with Store(place / "club") as first:
                made = fill_with_invented_club(first, tables)
            (place / "club.pickle").write_bytes(pickle.dumps(made))
    copy = tmp_path_factory.mktemp("club") / "store"
    shutil.copytree(place / "club", copy)
    with Store(copy) as opened:
        yield opened, pickle.loads((place / "club.pickle").read_bytes())


@pytest.fixture(scope="session")
def postgres(tmp_path_factory):
    """Debian's PostgreSQL on a free port of this machine only; gives a function: name -> URL."""
    if not _postgres_programs():
        _install_postgres()
    programs = _postgres_programs()
    if not programs:
        if os.environ.get("CI"):
            pytest.fail("PostgreSQL is missing and cannot be installed")
        pytest.skip("PostgreSQL is missing: apt-get install postgresql")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    place = tmp_path_factory.mktemp("postgres")
    as_user = []
    if os.geteuid() == 0:  # the server refuses to run as root
        place = Path(tempfile.mkdtemp(prefix="fieldmarks-pg-"))
        shutil.chown(place, "postgres", "postgres")
        as_user = ["runuser", "-u", "postgres", "--"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": "/"}
    data = place / "data"
    subprocess.run(
        [*as_user, f"{programs}/initdb", "-D", data, "-A", "trust", "-U", "postgres", "-N"],
        check=True,
        **quiet,
    )
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={place}"
    subprocess.run(
        [*as_user, f"{programs}/pg_ctl", "-D", data, "-w", "-o", options, "-l",
         place / "log", "start"],
        check=True,
        **quiet,
    )  # fmt: skip
    base = f"postgresql://postgres@127.0.0.1:{port}"

    def fresh(name):
        engine = sqlalchemy.create_engine(
            f"postgresql+psycopg://postgres@127.0.0.1:{port}/postgres",
            isolation_level="AUTOCOMMIT",
        )
        with engine.connect() as connection:
            connection.exec_driver_sql(f"CREATE DATABASE {name}")
        engine.dispose()
        return f"{base}/{name}"

    yield fresh
    subprocess.run(
        [*as_user, f"{programs}/pg_ctl", "-D", data, "-m", "immediate", "stop"],
        check=False,
        **quiet,
    )
    shutil.rmtree(place, ignore_errors=True)
