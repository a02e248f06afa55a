"""Faults of disk, database and clock while birds are kept: one line, and nothing lost."""

import contextlib
import errno
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from datetime import date, timedelta

import pytest
import two_savers
from app_page import AppTest
from fault_table import can_mount, small_disk, write_protected
from made_birds import a_bird, an_entry

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.birds import database, upkeep, writing
from fieldmarks.birds import service as desk
from fieldmarks.birds import store as store_module
from fieldmarks.birds.collection import Filter, list_birds
from fieldmarks.birds.exchange import everything, export_store
from fieldmarks.birds.store import Store


def add_a_bird(keeper, folder, **row):
    return keeper.reads("bird", "--store", folder, "add", "Plum", **row)


def page_of_birds():
    """The page of all birds as the app draws it."""
    from fieldmarks.app.birds.birds import birds_page
    from fieldmarks.app.birds.shared import whole_store
    from fieldmarks.app.main import guarded

    whole_store.clear()
    with guarded():
        birds_page()


def page_of_pip():
    """The page of the one bird."""
    import streamlit as st

    from fieldmarks.app.birds.birds import birds_page
    from fieldmarks.app.birds.shared import store, whole_store
    from fieldmarks.app.main import guarded

    whole_store.clear()
    with guarded():
        st.session_state.life_bird = store().find("Pip").id
        birds_page()


def the_app_says(monkeypatch, folder):
    """What the page of all birds shows of a store that is out of order."""
    monkeypatch.setenv(store_module.FOLDER_VARIABLE, str(folder))
    page = AppTest.from_function(page_of_birds, default_timeout=60).run()
    assert not page.exception
    assert len(page.error) == 1
    return page.error[0].value.replace("\\", "")


def named(widgets, label):
    """The one thing on a page that has this label."""
    (found,) = (w for w in widgets if w.label == label)
    return found


@pytest.fixture
def kept(tmp_path, tables, clean_shot):
    """A folder of a store with one bird and one look."""
    folder = tmp_path / "store"
    with Store(folder) as store:
        store.save_entry(an_entry(store.save(a_bird("Pip"))), [clean_shot], tables)
    return folder


def whole(folder):
    with Store(folder) as store:
        birds, entries, _ = everything(store)
        assert upkeep.check_store(store) == []
        return [b.name for b in birds], len(entries)


def fill(path):
    """Take all space that is left on a disk."""
    with contextlib.suppress(OSError), path.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(1024))


@can_mount
def test_full_disk_while_a_bird_is_saved(tmp_path, keeper, monkeypatch):
    row = {"fault": "full disk", "how": "a disk in memory of a few kilobytes"}
    with small_disk(tmp_path / "disk", "600k") as disk:
        folder = disk / "store"
        with Store(folder) as store:
            store.save(a_bird("Pip"))
        filler = disk / "filler"
        fill(filler)
        said = add_a_bird(keeper, folder, **row)
        assert said.endswith("the disk is full. Free some space, then do it again")
        keeper.told(the_app_says(monkeypatch, folder), **row, where="app")
        filler.unlink()
        assert whole(folder) == (["Pip"], 0)


def test_full_disk_in_the_database_alone(kept):
    """SQLite's own limit on pages brings about the same answer as a full disk."""
    with Store(kept) as store:
        with store.engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar()

        @database.event.listens_for(store.engine, "begin")
        def _limit(connection):
            connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")

        with pytest.raises(FieldmarksError, match="the disk is full"):
            store.save_all([a_bird(f"Bird {n}", notes="x" * 3000) for n in range(50)])
    assert whole(kept) == (["Pip"], 1)


def test_full_disk_while_photos_are_written(kept, tables, clean_shot, orange_shot, monkeypatch):
    real, left = os.replace, [1]

    def refuse(old, new):
        left[0] -= 1
        if left[0] == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(old, new)

    with Store(kept) as store:
        entry = an_entry(store.find("Pip"))
        monkeypatch.setattr(os, "replace", refuse)
        with pytest.raises(FieldmarksError, match="the disk is full") as told:
            store.save_entry(entry, [clean_shot, orange_shot], tables)
        assert "\n" not in str(told.value)
    assert whole(kept) == (["Pip"], 1)


@can_mount
@pytest.mark.parametrize("cut_off", [False, True], ids=["closed", "late changes in the log"])
def test_a_read_only_store_can_be_listed_and_read_and_says_so_when_written_to(
    kept, tmp_path, keeper, monkeypatch, cut_off
):
    row = {"fault": "read-only folder", "how": "the folder mounted again, write-protected"}
    if cut_off:  # as after kill -9: the last save lies in the log beside the database
        copy = tmp_path / "copy"
        with Store(kept) as store:
            store.save(a_bird("Late"))
            shutil.copytree(kept, copy)
        kept = copy
    with write_protected(kept):
        said = add_a_bird(keeper, kept, **row)
        assert "this store can be read but not written to" in said
        with Store(kept) as store:
            assert store.read_only
            assert [b.name for b in store.birds()] == ["Pip", *["Late"] * cut_off]
            (entry,) = store.entries(store.find("Pip").id)
            assert store.photo(entry.observations[0])
            assert upkeep.check_store(store) == []
            export_store(store, tmp_path / "all.zip")
        keeper.runs("bird", "--store", kept, "list")
        monkeypatch.setenv(store_module.FOLDER_VARIABLE, str(kept))
        page = AppTest.from_function(page_of_pip, default_timeout=60).run()
        assert not page.exception
        assert not page.error
        assert page.title[0].value == "Pip"
        page = named(page.button, "Save the bird").click().run()
        keeper.told(page.error[0].value.replace("\\", ""), **row, where="app")
    assert whole(kept)[1] == 1


@contextlib.contextmanager
def locked(folder):
    """Another program that holds the database for itself."""
    other = sqlite3.connect(folder / store_module.DATABASE_FILE, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        yield other
    finally:
        other.close()


def test_database_locked_by_another_program(kept, keeper, monkeypatch):
    monkeypatch.setattr(database, "BUSY_MS", 400)
    row = {
        "fault": "database locked by another program",
        "how": "a second connection holds BEGIN EXCLUSIVE",
    }
    with locked(kept):
        start = time.monotonic()
        said = add_a_bird(keeper, kept, **row)
        assert time.monotonic() - start >= 0.4, "it waited first"
        assert "another program is writing to this store. Close it or wait a moment" in said
        monkeypatch.setenv(store_module.FOLDER_VARIABLE, str(kept))
        page = AppTest.from_function(page_of_birds, default_timeout=60).run()
        assert not page.error, "reading goes on meanwhile"
        named(page.text_input, "Name").set_value("Plum")
        page = named(page.button, "Save the bird").click().run()
        assert not page.exception
        keeper.told(page.error[0].value.replace("\\", ""), **row, where="app")
    assert whole(kept) == (["Pip"], 1)


def test_a_lock_that_is_let_go_soon_is_waited_for(kept):
    with locked(kept) as other, Store(kept) as store:
        saved = []
        saver = threading.Thread(target=lambda: saved.append(store.save(a_bird("Plum"))))
        saver.start()
        time.sleep(0.5)
        assert saved == []
        other.execute("COMMIT")
        saver.join(timeout=20)
        assert [bird.name for bird in saved] == ["Plum"]


def test_database_locked_even_for_reading(kept, keeper, monkeypatch):
    """What a program does that checks or copies the file and has it for itself alone."""
    monkeypatch.setattr(database, "BUSY_MS", 300)
    other = sqlite3.connect(kept / store_module.DATABASE_FILE, isolation_level=None)
    other.execute("PRAGMA locking_mode = EXCLUSIVE")
    other.execute("BEGIN EXCLUSIVE")
    row = {
        "fault": "database locked by another program, even for reading",
        "how": "a second connection in SQLite's exclusive locking mode",
    }
    said = add_a_bird(keeper, kept, **row)
    assert "another program is writing to this store" in said
    keeper.told(the_app_says(monkeypatch, kept), **row, where="app")
    other.close()
    assert whole(kept) == (["Pip"], 1)


def test_clock_set_back(kept, tables, clean_shot, keeper, monkeypatch):
    with Store(kept) as store:
        bird = store.find("Pip")
        first = store.entries(bird.id)[0]
        monkeypatch.setattr(writing, "now", lambda: "1999-01-01T00:00:00.000Z")
        changed = store.save(store.bird(bird.id))
        later = store.save_entry(an_entry(bird, day=first.day), [clean_shot], tables)
        assert later.saved_at < first.saved_at
        assert later.number > first.number
        assert later.id != first.id
        assert changed.revision == bird.revision + 1
        assert [e.id for e in store.entries(bird.id)] == [first.id, later.id]
        long_ago = date(1999, 1, 1)
        assert list_birds(store, Filter(), long_ago).total == 1

        class OldClock(date):
            @classmethod
            def today(cls):
                return long_ago

        monkeypatch.setattr(desk, "date", OldClock)
        day = first.day + timedelta(days=1)
        with pytest.raises(FieldmarksError) as told:
            desk.keep_look(store, bird, [clean_shot], tables, day, "later moult", "Ada")
        keeper.told(
            str(told.value),
            fault="clock set back",
            how="the program's clock replaced by one of 1999",
            where="command line and app",
        )
        assert "is yet to come. Correct the day, or this computer's clock" in str(told.value)
        with pytest.raises(FieldmarksError, match="it was changed elsewhere"):
            store.save(bird)
    assert whole(kept) == (["Pip"], 2)


def spoil_start(path):
    path.write_bytes(b"no database" * 400)


def spoil_middle(path):
    data = bytearray(path.read_bytes())
    data[4096 : len(data) : 3] = bytes(len(range(4096, len(data), 3)))
    path.write_bytes(bytes(data))


def cut_short(path):
    path.write_bytes(path.read_bytes()[:9000])


@pytest.mark.parametrize(
    ("spoil", "how"),
    [
        (spoil_start, "every byte written over"),
        (spoil_middle, "every third byte after the first page set to 0"),
        (cut_short, "cut off after 9000 bytes"),
    ],
    ids=["start", "middle", "end"],
)
def test_damaged_database_file(kept, keeper, monkeypatch, spoil, how):
    Store(kept).close()  # the next day: a copy is made
    spoil(kept / store_module.DATABASE_FILE)
    row = {"fault": "damaged database file", "how": how}
    said = add_a_bird(keeper, kept, **row)
    assert "the database file is damaged" in said
    assert "'fieldmarks bird restore' puts the newest whole copy in its place" in said
    keeper.told(the_app_says(monkeypatch, kept), **row, where="app")
    keeper.runs("bird", "--store", kept, "restore")
    assert whole(kept) == (["Pip"], 1)


def test_store_of_a_newer_program(kept, keeper, monkeypatch):
    with sqlite3.connect(kept / store_module.DATABASE_FILE) as other:
        other.execute("UPDATE alembic_version SET version_num = '9999'")
    other.close()
    row = {"fault": "store of a newer program", "how": "an edition this program does not know"}
    said = add_a_bird(keeper, kept, **row)
    assert "made by a newer version of the program. Update fieldmarks" in said
    keeper.told(the_app_says(monkeypatch, kept), **row, where="app")
    with sqlite3.connect(kept / store_module.DATABASE_FILE) as other:
        assert other.execute("SELECT version_num FROM alembic_version").fetchall() == [("9999",)]
        assert other.execute("SELECT count(*) FROM birds").fetchone() == (1,)
    other.close()


def test_photos_folder_of_the_store_missing(kept, keeper, tmp_path, monkeypatch):
    shutil.rmtree(kept / "photos")
    row = {"fault": "photos folder missing", "how": "the store's folder of photos removed"}
    said = keeper.reads("bird", "--store", kept, "export", tmp_path / "all.zip", **row)
    assert "from a backup" in said
    assert not (tmp_path / "all.zip").exists()
    monkeypatch.setenv(store_module.FOLDER_VARIABLE, str(kept))
    page = AppTest.from_function(page_of_pip, default_timeout=60).run()
    assert not page.exception
    assert page.title[0].value == "Pip", "the rest of the page is there"
    told = {e.value.replace("\\", "") for e in page.error}
    for line in told:
        keeper.told(line, **row, where="app")
    assert any("from a backup" in line for line in told)
    with Store(kept) as store:
        assert [b.name for b in store.birds()] == ["Pip"]
        problems = [str(p) for p in upkeep.check_store(store)]
    assert any("is missing" in line for line in problems)


def test_two_programs_save_at_once_and_nothing_is_lost(kept):
    other = subprocess.Popen(
        [sys.executable, two_savers.__file__, kept, "one"],
        stdout=subprocess.PIPE,
        stdin=subprocess.PIPE,
    )
    with Store(kept) as store:
        assert other.stdout.readline() == b"ready\n"
        other.stdin.write(b"go\n")
        other.stdin.flush()
        confirmed = list(two_savers.saves(store, "two"))  # this is the second program
    confirmed += other.communicate(timeout=120)[0].decode().split()
    assert other.returncode == 0
    assert len(set(confirmed)) == 50
    with Store(kept) as store:
        _, entries, _ = everything(store)
        assert {e.id for e in entries} >= set(confirmed)
        assert len(entries) == 51
        assert sorted(e.number for e in entries) == list(range(1, 52))
        assert upkeep.check_store(store) == []
        who = [e.measured_by for e in sorted(entries, key=lambda e: e.number)][1:]
    assert who.count("one") == who.count("two") == 25
    assert who not in (sorted(who), sorted(who)[::-1]), "they really took turns"


def test_a_kept_photo_that_was_changed_stops_the_backup_in_plain_words(kept, keeper, monkeypatch):
    row = {"fault": "a kept photo was changed", "how": "the file is overwritten, then packed"}
    (photo,) = (p for p in (kept / "photos").rglob("*") if p.suffix in (".jpg", ".png"))
    photo.write_bytes(b"no photo any more")
    monkeypatch.setenv(store_module.FOLDER_VARIABLE, str(kept))
    page = AppTest.from_function(page_of_birds, default_timeout=60).run()
    page = named(page.button, "Pack everything into one file").click().run()
    assert not page.exception
    said = page.error[0].value.replace("\\", "")
    keeper.told(said, **row, where="app")
    assert said.startswith("bird.png, photos/")
    assert "this photo was changed after it was saved" in said
    assert "Save the packed file" not in [b.label for b in page.get("download_button")]
