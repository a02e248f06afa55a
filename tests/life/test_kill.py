"""kill -9 in the middle of saves and of an import: nothing confirmed lost, nothing half there."""

import itertools
import json
import os
import pickle
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest
from made_birds import a_bird, an_entry

from fieldmarks.birds.exchange import everything, export_store
from fieldmarks.birds.store import Store
from fieldmarks.birds.upkeep import check_store

PROGRAM = Path(__file__).with_name("killed.py")
needs_posix = pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a POSIX signal")


@pytest.fixture(scope="module")
def shot_file(tmp_path_factory, clean_shot):
    path = tmp_path_factory.mktemp("shot") / "shot.pickle"
    path.write_bytes(pickle.dumps(clean_shot))
    return path


@pytest.fixture(scope="module")
def archive(tmp_path_factory, tables, orange_shot):
    place = tmp_path_factory.mktemp("archive")
    with Store(place / "store") as store:
        first, second = store.save(a_bird("First")), store.save(a_bird("Second"))
        store.save_entry(an_entry(first), [], tables)
        store.save_entry(an_entry(second), [orange_shot], tables)
        export_store(store, place / "club.zip")
    return place / "club.zip"


@pytest.fixture(scope="module")
def program():
    """The program that starts processes to be killed; it is imported once for all of them."""
    running = subprocess.Popen(
        [sys.executable, PROGRAM],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    yield running
    os.killpg(running.pid, signal.SIGKILL)
    running.communicate()


def start(program, *arguments):
    """Start a process; gives its number. What it prints is the program's output."""
    program.stdin.write(json.dumps([str(a) for a in arguments]) + "\n")
    program.stdin.flush()
    return int(program.stdout.readline())


def rest(program):
    """What the process still prints, line by line, and its exit code."""
    lines = []
    for line in iter(program.stdout.readline, ""):
        if line.startswith("ended "):
            return lines, int(line.split()[1])
        lines.append(line.strip())
    raise AssertionError(f"the program ended: {lines}")


@needs_posix
def test_fifty_saves_killed_three_times_lose_nothing_that_was_confirmed(
    program, tmp_path, shot_file
):
    folder = tmp_path / "store"
    with Store(folder) as store:
        store.save(a_bird())
    confirmed = []
    for stop_after, pause in ((3, 0.0), (17, 0.011), (31, 0.023)):
        process = start(program, "saves", folder, shot_file)
        for _ in range(stop_after):
            confirmed.append(program.stdout.readline().strip())
        time.sleep(pause)
        os.kill(process, signal.SIGKILL)
        more, code = rest(program)
        assert code == -signal.SIGKILL, "it was killed while still saving"
        confirmed += more
        with Store(folder) as store:
            _, entries, _ = everything(store)
            there = {e.id for e in entries}
            assert set(confirmed) <= there, "a confirmed save was lost"
            assert len(there) - len(confirmed) <= 3, "at most the one under way each time"
            assert all(len(e.observations) == 1 for e in entries)
            assert all(p.mendable for p in check_store(store))
    assert len(confirmed) >= 51


@needs_posix
def test_a_killed_import_is_there_whole_or_not_at_all(program, tmp_path, archive):
    for number, pause in enumerate((0.0, 0.02)):
        folder = tmp_path / f"store{number}"
        process = start(program, "import", folder, archive)
        assert program.stdout.readline().strip() == "started"
        time.sleep(pause)
        with suppress(ProcessLookupError):  # it may have ended
            os.kill(process, signal.SIGKILL)
        confirmed = "confirmed" in rest(program)[0]
        with Store(folder) as store:
            birds, entries, _ = everything(store)
            assert (len(birds), len(entries)) in ((0, 0), (2, 2))
            assert not confirmed or birds
            assert all(p.mendable for p in check_store(store))


@needs_posix
@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_killed_before_every_sql_statement_and_disk_step_the_store_is_whole(
    program, tmp_path, shot_file, archive, kind, request
):
    folder, more = tmp_path / "store", []
    if kind == "postgresql":
        fresh = request.getfixturevalue("postgres")
        more = [fresh("steps")]
        assert fresh("steps_imported") == f"{more[0]}_imported"
    with Store(folder, *more) as store:
        store.save(a_bird())
    start(program, "steps", folder, shot_file, archive, *more)
    lines, code = rest(program)
    assert code == 0, lines
    reports = [json.loads(line) for line in lines]
    for label, least in (("save", 25), ("import", 25)):
        own = [r for r in reports if r["label"] == label]
        left = sum(r["left"] for r in own)
        print(f"{kind} {label}: killed at {len(own) - 1} steps, {left} photos left over")
        assert len(own) > least, "the program was really stopped at many places"
        assert [r["killed"] for r in own] == [True] * (len(own) - 1) + [False]
        for report in own:
            assert report["lost"] == []
            assert report["after"] == [], "what was left over is gone once it is mended"
        assert own[-1]["entries"] > 0
    for before, after in itertools.pairwise(r for r in reports if r["label"] == "save"):
        assert after["entries"] - before["entries"] in (0, 1)
        assert after["observations"] == after["entries"], (
            "an entry is never there without its photo"
        )
    for report in (r for r in reports if r["label"] == "import"):
        assert (report["birds"], report["entries"]) in ((0, 0), (2, 2))
