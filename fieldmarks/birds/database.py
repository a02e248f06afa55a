"""The database behind a store: SQLite by default, PostgreSQL by its URL; migrated when opened."""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import date
from pathlib import Path
from typing import Any

import sqlalchemy
from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from alembic.util import CommandError
from sqlalchemy import URL, Connection, Engine, event, exc, make_url, text
from sqlalchemy.engine import ExceptionContext

from fieldmarks._util.atomic_write import settle_folder
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds.migrations import earliest
from fieldmarks.birds.orm import metadata
from fieldmarks.birds.people import EVERYONE, narrow

NEARLY_NOTHING = 64 * 1024  # bytes left on a disk
BUSY_MS = 30_000  # how long to wait for another program that is writing
LOCK = 5_150_920  # any number; the same for every fieldmarks on one PostgreSQL database
COPIES = 7  # days
NO_WRITING = FieldmarksError(
    "this store can be read but not written to",
    mend="Ask whoever keeps it for the right to write, or copy it to another folder",
)


def connect(url: str | URL, folder: Path | None = None) -> Engine:
    """Open a database and bring it up to this program's edition.

    Args:
        url: ``sqlite:///...`` or ``postgresql://...``.
        folder: Folder of photos; earlier editions kept more in it, which is taken over.

    Raises:
        FieldmarksError: It cannot be reached, was made by a newer program, or by an older one and
            is read-only.
    """
    where = "database"  # as a keeper may see it: without a password
    try:
        parsed = make_url(url)
        where = parsed.render_as_string(hide_password=True)
        if parsed.drivername in ("postgresql", "postgres"):
            parsed = parsed.set(drivername="postgresql+psycopg")
        engine = sqlalchemy.create_engine(parsed, pool_pre_ping=True)
    except (exc.ArgumentError, exc.NoSuchModuleError, ImportError):
        raise FieldmarksError(
            "this is no database address that can be used",
            where=where,
            mend="Use sqlite:///FILE or postgresql://USER@HOST/NAME (needs the package psycopg)",
        ) from None
    if engine.dialect.name == "sqlite":
        where = parsed.database or where
        file = Path(parsed.database or "")
        if file.exists() and not all(os.access(place, os.W_OK) for place in (file.parent, file)):
            engine = _unwritable_sqlite(file)
        _prepare_sqlite(engine)
    _say_plainly(engine, where)
    event.listen(engine, "before_execute", narrow, retval=True)
    _migrate(engine, folder)
    return engine


def can_write(engine: Engine) -> bool:
    """Whether anything may be saved in a database."""
    if engine.dialect.name == "sqlite":
        return "immutable" not in engine.url.query
    with engine.connect() as connection:
        query = "SELECT has_table_privilege('birds', 'INSERT') AND NOT pg_is_in_recovery()"
        return bool(connection.scalar(text(query)))


# A database's own name of a fault, or the start of it -> what it means here. SQLite: rescode.html
# of sqlite.org; PostgreSQL: appendix A, error codes (SQLSTATE).
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
        "'fieldmarks bird restore' puts the newest whole copy in its place",
    ),
    "SQLITE_IOERR": ("the disk cannot be read or written", "Check the disk, then try again"),
    "42501": (NO_WRITING.problem, NO_WRITING.mend),  # insufficient_privilege
    "25006": (NO_WRITING.problem, NO_WRITING.mend),  # read_only_sql_transaction
    "53100": ("the disk of the database is full", "Free some space, then do it again"),
}
_FAULTS["SQLITE_NOTADB"] = _FAULTS["SQLITE_CORRUPT"]
_FAULTS["SQLITE_LOCKED"] = _FAULTS["SQLITE_BUSY"]


def _say_plainly(engine: Engine, where: str) -> None:
    """Turn every fault of the database itself, whenever it comes, into one line for the keeper."""

    @event.listens_for(engine, "handle_error")
    def _plainly(context: ExceptionContext) -> None:
        fault = context.original_exception
        name = getattr(fault, "sqlite_errorname", "") or getattr(fault, "sqlstate", "") or ""
        if not isinstance(context.sqlalchemy_exception, exc.DBAPIError) or context.is_pre_ping:
            return
        if name.startswith("SQLITE_IOERR"):  # so its files in shared memory tell of a full disk
            folder = Path(engine.url.database or "").parent
            if folder.is_dir() and shutil.disk_usage(folder).free < NEARLY_NOTHING:
                name = "SQLITE_FULL"
        for start, (problem, mend) in _FAULTS.items():
            if name.startswith(start):
                raise FieldmarksError(problem, where=where, mend=mend) from None
        if isinstance(context.sqlalchemy_exception, exc.IntegrityError | exc.ProgrammingError):
            return
        reason = str(fault).strip().split("\n")[0]
        raise FieldmarksError(
            f"the database cannot be used ({reason})",
            where=where,
            mend="Check its address, and that you may write there",
        ) from None


def _unwritable_sqlite(file: Path) -> Engine:
    """Open a file where nothing can be written, and its log of late changes with it."""
    log = file.with_name(f"{file.name}-wal")
    if log.exists() and log.stat().st_size:
        # SQLite must write to read the log: it reads a copy of both.
        place = Path(tempfile.mkdtemp(prefix="fieldmarks-"))
        for part in (file, log):
            shutil.copy(part, place / part.name)
        file = place / file.name
        with closing(sqlite3.connect(file)) as raw:
            raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    address = URL.create("sqlite", database=f"file:{file}", query={"immutable": "1", "uri": "true"})
    return sqlalchemy.create_engine(address)


def _file_of(engine: Engine) -> tuple[int, int] | None:
    """Which file an SQLite address leads to now."""
    try:
        found = Path(engine.url.database or "").stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _prepare_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _settings(raw: Any, record: Any) -> None:
        raw.isolation_level = None  # BEGIN is sent below
        # SQLite's own knows only ASCII: a bird called Äda would not be found.
        raw.create_function("lower", 1, lambda words: words and words.lower(), deterministic=True)
        settings = [f"busy_timeout = {BUSY_MS}", "synchronous = FULL", "foreign_keys = ON"]
        for setting in [*settings, "journal_mode = WAL"] if can_write(engine) else settings:
            raw.execute(f"PRAGMA {setting}")
        record.info["file"] = _file_of(engine)

    @event.listens_for(engine, "checkout")
    def _still_the_same(_raw: object, record: Any, _proxy: object) -> None:
        # 'restore' puts another file in its place: nothing may be written to the old one.
        if record.info["file"] != _file_of(engine):
            raise exc.DisconnectionError  # the pool then opens the file that is there now

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        wanted = connection.get_execution_options().get("writing")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if wanted else "BEGIN")


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """One transaction; only one program writes at a time, others wait.

    Raises:
        FieldmarksError: Nothing may be written, or what is written does not fit with what is there.
    """
    if engine.dialect.name == "sqlite" and not can_write(engine):
        raise NO_WRITING
    try:
        with engine.connect().execution_options(writing=True) as connection, connection.begin():
            if engine.dialect.name == "postgresql":
                lock = text("SELECT pg_advisory_xact_lock(:lock)").execution_options(**EVERYONE)
                connection.execute(lock, {"lock": LOCK})
            yield connection
    except exc.IntegrityError as error:
        reason = str(error.orig).strip().split("\n")[0]
        raise FieldmarksError(
            f"it does not fit with what the database holds ({reason})",
            mend="Open it again and repeat your change",
        ) from None


def _migrate(engine: Engine, folder: Path | None) -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    scripts = ScriptDirectory.from_config(config)
    head = scripts.get_current_head()
    with engine.connect() as connection:
        found = MigrationContext.configure(connection).get_current_revision()
    if found == head:
        return
    with writing(engine) as connection:
        state = MigrationContext.configure(connection)
        if state.get_current_revision() is None:  # still so: nobody else was making it meanwhile
            metadata.create_all(connection, checkfirst=False)
            state.stamp(scripts, "head")
            return
        config.attributes["connection"] = connection
        try:
            if state.get_current_revision() in earliest.REVISIONS:
                earliest.take_over(connection, folder)
                command.stamp(config, "head", purge=True)
            command.upgrade(config, "head")
        except CommandError:
            raise FieldmarksError(
                "this store was made by a newer version of the program",
                mend="Update fieldmarks, then open it again",
            ) from None
    if folder is not None:
        _put_old_files_aside(folder)


def _put_old_files_aside(folder: Path) -> None:
    """Move what earlier editions kept in files, and nothing reads any more, into one folder."""
    names = ("birds", "entries", "pairs", "tables", "unfinished", "settings.json")
    for path in [*(folder / name for name in names), *(folder / "photos").glob("*/*.json")]:
        target = folder / "edition-2" / path.relative_to(folder)
        if path.exists() and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            path.replace(target)


def keep_copy(file: Path, folder: Path) -> None:
    """Once a day, copy an SQLite file; the newest COPIES are kept, photos are not copied.

    A disk too full for a copy stops nobody from reading; the next save tells of it.
    """
    target = folder / f"birds-{date.today().isoformat()}.sqlite"
    part = target.with_suffix(f".{os.getpid()}.part")
    with suppress(OSError, sqlite3.Error), closing(sqlite3.connect(file)) as raw:
        if target.exists() or not raw.execute("SELECT count(*) FROM birds").fetchone()[0]:
            return
        folder.mkdir(exist_ok=True)
        try:
            raw.execute("VACUUM INTO ?", (str(part),))
            os.replace(part, target)
        finally:
            part.unlink(missing_ok=True)
        settle_folder(folder)
        for old in sorted(folder.glob("birds-*.sqlite"))[:-COPIES]:
            old.unlink(missing_ok=True)


def restore(file: Path, folder: Path) -> Path:
    """Put the newest whole copy in place of an SQLite file, which is put aside; gives the copy.

    Raises:
        FieldmarksError: There is no whole copy.
    """
    for copy in sorted(folder.glob("birds-*.sqlite"), reverse=True):
        with suppress(sqlite3.Error), closing(sqlite3.connect(copy)) as raw:
            if raw.execute("PRAGMA integrity_check").fetchone() == ("ok",):
                break
    else:
        raise FieldmarksError(
            "there is no whole copy of this database",
            where=str(folder),
            mend="Bring your last backup into an empty folder: 'bring-in'",
        )
    part = file.with_name(f"{file.name}.part")
    shutil.copy(copy, part)
    for ending in ("-wal", "-shm"):
        if (old := file.with_name(file.name + ending)).exists():
            os.replace(old, file.with_name(f"{file.name}.aside{ending}"))
    if file.exists():
        shutil.copy(file, file.with_name(f"{file.name}.aside"))
    os.replace(part, file)
    settle_folder(file.parent)
    return copy
