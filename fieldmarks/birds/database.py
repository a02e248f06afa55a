"""The database behind a store: SQLite by default, PostgreSQL by its URL; migrated when opened."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import Connection, Engine, event, make_url, text
from sqlalchemy.engine import ExceptionContext
from sqlalchemy.exc import (
    ArgumentError,
    DBAPIError,
    DisconnectionError,
    IntegrityError,
    NoSuchModuleError,
    ProgrammingError,
)

from fieldmarks._util.errors import FieldmarksError

NEARLY_NOTHING = 64 * 1024  # bytes left on a disk
BUSY_MS = 30_000  # how long to wait for another program that is writing
LOCK = 5_150_920  # any number; the same for every fieldmarks on one PostgreSQL database


def connect(url: str) -> Engine:
    """Open a database and bring it up to this program's edition.

    Parameters
    ----------
    url : str
        An SQLAlchemy URL: ``sqlite:///...`` or ``postgresql://...``.

    Raises
    ------
    FieldmarksError
        It cannot be reached, or was made by a newer program.
    """
    try:
        parsed = make_url(url)
        if parsed.drivername in ("postgresql", "postgres"):
            parsed = parsed.set(drivername="postgresql+psycopg")
        engine = sqlalchemy.create_engine(parsed, pool_pre_ping=True)
    except (ArgumentError, NoSuchModuleError, ImportError):
        raise FieldmarksError(
            "this is no database address that can be used",
            where=_without_password(url),
            mend="Use sqlite:///FILE or postgresql://USER@HOST/NAME (needs the package psycopg)",
        ) from None
    if engine.dialect.name == "sqlite":
        _prepare_sqlite(engine)
    _say_plainly(engine, _without_password(url))
    _migrate(engine)
    return engine


# SQLite's own name of a fault (sqlite.org/rescode.html), or the start of it -> what it means here.
_FAULTS = {
    "SQLITE_BUSY": (
        "another program is writing to this store",
        "Close it or wait a moment, then try again",
    ),
    "SQLITE_FULL": ("the disk is full", "Free some space, then do it again"),
    "SQLITE_READONLY": ("nothing can be written to the store's folder", "Choose another folder"),
    "SQLITE_CANTOPEN": ("the database file cannot be opened", "Check that you may write there"),
    "SQLITE_CORRUPT": (
        "the database file is damaged",
        "The folder holds everything too: 'fieldmarks bird rebuild' makes the file afresh",
    ),
    "SQLITE_IOERR": ("the disk cannot be read or written", "Check the disk, then try again"),
}
_FAULTS["SQLITE_NOTADB"] = _FAULTS["SQLITE_CORRUPT"]
_FAULTS["SQLITE_LOCKED"] = _FAULTS["SQLITE_BUSY"]


def _say_plainly(engine: Engine, where: str) -> None:
    """Turn every fault of the database itself, whenever it comes, into one line for the keeper."""

    @event.listens_for(engine, "handle_error")
    def _plainly(context: ExceptionContext) -> None:
        fault = context.original_exception
        if isinstance(context.sqlalchemy_exception, IntegrityError | ProgrammingError):
            return
        if not isinstance(context.sqlalchemy_exception, DBAPIError) or context.is_pre_ping:
            return
        name = getattr(fault, "sqlite_errorname", "")
        if name.startswith("SQLITE_IOERR") and _is_full(engine):
            name = "SQLITE_FULL"
        for start, (problem, mend) in _FAULTS.items():
            if name.startswith(start):
                raise FieldmarksError(problem, where=where, mend=mend) from None
        reason = str(fault).strip().split("\n")[0]
        raise FieldmarksError(
            f"the database cannot be used ({reason})",
            where=where,
            mend="Check its address, and that you may write there",
        ) from None


def _is_full(engine: Engine) -> bool:
    """Whether the disk of an SQLite file is full: its files in shared memory tell it as a fault."""
    file = Path(engine.url.database or "")
    return file.parent.is_dir() and shutil.disk_usage(file.parent).free < NEARLY_NOTHING


def _without_password(url: str) -> str:
    """The address as a keeper may see it: a file by its path."""
    try:
        parsed = make_url(url)
        if parsed.get_backend_name() == "sqlite" and parsed.database:
            return parsed.database
        return parsed.render_as_string(hide_password=True)
    except ArgumentError:
        return "database"


def sqlite_url(path: Path) -> str:
    """Address of an SQLite file."""
    return str(sqlalchemy.URL.create("sqlite", database=str(path)))


def _file_of(engine: Engine) -> tuple[int, int] | None:
    """Which file an SQLite address leads to now."""
    try:
        found = Path(engine.url.database or "").stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _lower(words: str | None) -> str | None:
    return words.lower() if isinstance(words, str) else words


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _settings(raw: object, record: Any) -> None:
        raw.isolation_level = None  # type: ignore[attr-defined]  # BEGIN is sent below
        # SQLite's own knows only ASCII: a bird called Äda would not be found.
        raw.create_function("lower", 1, _lower, deterministic=True)  # type: ignore[attr-defined]
        cursor = raw.cursor()  # type: ignore[attr-defined]
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.close()
        record.info["file"] = _file_of(engine)

    @event.listens_for(engine, "checkout")
    def _still_the_same(_raw: object, record: Any, _proxy: object) -> None:
        # 'bird rebuild' puts a fresh file in its place: nothing may be written to the old one.
        if record.info["file"] != _file_of(engine):
            raise DisconnectionError  # the pool then opens the file that is there now

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        wanted = connection.get_execution_options().get("writing")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if wanted else "BEGIN")


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction; only one program writes at a time, others wait."""
    with engine.connect().execution_options(writing=True) as connection, connection.begin():
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
        yield connection


def _migrate(engine: Engine) -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    head = ScriptDirectory.from_config(config).get_current_head()
    with engine.connect() as connection:
        if MigrationContext.configure(connection).get_current_revision() == head:
            return
    with writing(engine) as connection:
        config.attributes["connection"] = connection
        try:
            command.upgrade(config, "head")
        except CommandError:
            raise FieldmarksError(
                "this store was made by a newer version of the program",
                mend="Update fieldmarks, then open it again",
            ) from None
