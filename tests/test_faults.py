"""Faults of disk and computer while photos are measured: one line, and nothing half written."""

import errno
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from app_page import AppTest
from fault_table import can_mount, small_disk, write_protected
from test_batch import birds, files, needs_posix, started
from test_record import save_bird

from fieldmarks._util import atomic_write as files_module
from fieldmarks._util.atomic_write import write_whole
from fieldmarks.folder import assess_many
from fieldmarks.record import Question, Record
from fieldmarks.rules import load_rules

APP = Path(__file__).parents[1] / "app.py"
ON_A_SMALL_DISK = "a disk in memory of a few kilobytes"
WRITE_PROTECTED = "the folder mounted again, write-protected"
STAND_IN = "the system's own write call answers so (stand-in)"


@can_mount
def test_full_disk_one_photo(tmp_path, keeper):
    photo = save_bird(tmp_path)
    with small_disk(tmp_path / "disk", "20k") as disk:
        said = keeper.reads("assess", photo, "--into", disk, fault="full disk", how=ON_A_SMALL_DISK)
        assert said.endswith("the disk is full. Free some space, then do it again")
        assert not list(disk.glob("*.record.json"))
        assert not list(disk.glob(".*.part"))


@can_mount
def test_full_disk_folder_of_photos(tmp_path, keeper):
    birds(tmp_path / "photos", 3)
    with small_disk(tmp_path / "disk", "200k") as disk:
        words = ("assess-folder", tmp_path / "photos", "--into", disk)
        said = keeper.reads(*words, fault="full disk", how=ON_A_SMALL_DISK)
        assert said.endswith("the disk is full. Free some space, then do it again")
        assert not list(disk.glob(".*.part"))
        for path in disk.glob("*.record.json"):
            Record.from_json(path.read_bytes())


@pytest.mark.parametrize(
    ("code", "line"),
    [
        (errno.ENOSPC, "the disk is full. Free some space, then do it again"),
        (errno.EROFS, "nothing can be written to this disk. Choose another folder"),
        (errno.EACCES, "you may not write there. Choose another folder"),
    ],
    ids=["full", "protected", "forbidden"],
)
def test_full_or_protected_disk_by_stand_in(tmp_path, monkeypatch, keeper, code, line):
    photo = save_bird(tmp_path)
    out = tmp_path / "out"
    out.mkdir()

    def refuse(handle):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(files_module.os, "fsync", refuse)
    said = keeper.reads("assess", photo, "--into", out, fault=os.strerror(code), how=STAND_IN)
    assert said.endswith(line)
    assert not list(out.iterdir())


@can_mount
def test_read_only_folder(tmp_path, keeper):
    photo = save_bird(tmp_path)
    (tmp_path / "out").mkdir()
    fault = {"fault": "read-only folder", "how": WRITE_PROTECTED}
    with write_protected(tmp_path / "out") as out:
        for words in (("assess", photo), ("assess-folder", tmp_path)):
            said = keeper.reads(*words, "--into", out, **fault)
            assert said.endswith("nothing can be written to this disk. Choose another folder")


def test_two_runs_do_not_write_to_one_folder(tmp_path, keeper):
    tables = load_rules()
    photos = birds(tmp_path / "photos", 12)
    words = ("assess-folder", tmp_path / "photos", "--into", tmp_path / "out")
    row = {"fault": "a second run on one folder", "how": "started while the first is at work"}
    first = started(tmp_path / "photos", tmp_path / "out", 1)
    assert first.stdout.readline() == "done\n"
    said = keeper.reads(*words, **row)
    assert "another run is writing to this folder" in said
    rest = first.communicate(timeout=120)[0].splitlines()
    assert rest[-1] == "12 0 0", "the first run was not disturbed"
    assess_many(photos, tmp_path / "whole", tables, Question())
    assert files(tmp_path / "out") == files(tmp_path / "whole")


def test_photos_folder_missing(tmp_path, keeper):
    said = keeper.reads(
        "assess-folder",
        tmp_path / "gone",
        "--into",
        tmp_path / "out",
        fault="photos folder missing",
        how="a folder that does not exist",
    )
    assert said.endswith("gone: there is no such folder. Check its name")
    assert not (tmp_path / "out").exists()


def test_a_file_is_on_the_disk_before_its_name_and_its_name_before_the_next_file(
    tmp_path, monkeypatch
):
    seen = []
    for name in ("fsync", "replace"):
        real = getattr(os, name)

        def noted(*given, name=name, real=real):
            where = given[0] if name == "replace" else os.readlink(f"/proc/self/fd/{given[0]}")
            seen.append((name, Path(where).suffix))
            return real(*given)

        monkeypatch.setattr(files_module.os, name, noted)
    if not Path("/proc/self/fd").exists():
        pytest.skip("reads the names of open files in /proc")
    write_whole(tmp_path / "x.json", "text")
    assert seen == [("fsync", ".part"), ("replace", ".part"), ("fsync", "")]


DIES = """
import os, signal, sys
from pathlib import Path
from fieldmarks import folder as batch, pipeline
from fieldmarks.record import Question
from fieldmarks.rules import load_rules
place = pipeline if sys.argv[1] == "write_record" else batch
real = getattr(place, sys.argv[1])
def dies(*given):
    if "bird01" in str(given[0]) or "bird01" in given[0].measurement.photo:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*given)
setattr(place, sys.argv[1], dies)
photos = batch.photos_in(Path(sys.argv[2]))
batch.assess_many(photos, Path(sys.argv[3]), load_rules(), Question())
"""


@needs_posix
@pytest.mark.parametrize("before", ["write_record", "_write_overview"])
def test_power_cut_between_picture_and_record_or_before_the_tables(tmp_path, before):
    photos = birds(tmp_path / "photos", 3)
    tables = load_rules()
    assess_many(photos, tmp_path / "whole", tables, Question())
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-c", DIES, before, tmp_path / "photos", out], check=False
    )
    assert done.returncode == -signal.SIGKILL
    assert (out / "bird01.marked.jpg").exists()
    records = 1 if before == "write_record" else 3
    assert len(list(out.glob("*.record.json"))) == records
    summary = assess_many(photos, out, tables, Question())
    assert (summary.done, summary.kept, summary.problems) == (3 - records, records, ())
    assert files(out) == files(tmp_path / "whole")


def test_the_app_shows_a_line_and_no_traceback(monkeypatch, keeper):
    from fieldmarks.app import start

    def gone():
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(start, "demo_birds", gone)
    page = AppTest.from_file(str(APP), default_timeout=120).run()
    assert not page.exception
    assert len(page.error) == 1
    assert "An unexpected fault (PermissionError" in page.error[0].value.replace("\\", "")
