"""A folder of photos: the same files whatever the workers, and nothing lost when one dies."""

import csv
import hashlib
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import joblib
import pytest
from deadly import deadly
from test_phone_profile import chart_tiles, phone_photo, tile
from test_record import save_bird
from test_tables import SIXTH

from fieldmarks._util.parallel import spread
from fieldmarks.folder import assess_many, photos_in, sensible_workers
from fieldmarks.measure.chart import calibrate_with_chart
from fieldmarks.measure.phone_profile import make_profile
from fieldmarks.measure.region_file import read_region_file, write_region_file
from fieldmarks.record import Question, Record
from fieldmarks.rules import load_rules

needs_posix = pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a POSIX signal")
PROGRAM = Path(__file__).with_name("batch_program.py")
FLOCK = 5  # photos: more than two workers are handed at once, and than are done when one is killed


@pytest.fixture(scope="module")
def tables():
    return load_rules()


def birds(folder, count):
    """Photos that differ in bytes, made from one."""
    folder.mkdir()
    first = save_bird(folder, "bird00")
    data = first.read_bytes()
    for number in range(1, count):
        path = folder / f"bird{number:02d}.jpg"
        path.write_bytes(data + bytes([number]))
        shutil.copy(folder / "bird00.regions.json", folder / f"bird{number:02d}.regions.json")
    for path in folder.glob("*.regions.json"):
        regions = read_region_file(path)
        write_region_file(type(regions)("", 600, 400, regions.regions), path)
    return photos_in(folder)


def files(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


@pytest.fixture(scope="module")
def flock(tmp_path_factory, tables):
    """Five photos that no test changes, and what one worker writes of them."""
    place = tmp_path_factory.mktemp("flock")
    photos, ticks = birds(place / "photos", FLOCK), []
    summary = assess_many(
        photos, place / "whole", tables, Question(), after_each=lambda: ticks.append(1)
    )
    assert (summary.done, summary.kept, summary.problems) == (FLOCK, 0, ())
    assert len(ticks) == FLOCK
    return photos, files(place / "whole")


def test_one_and_two_workers_write_the_same_files(tmp_path, tables, flock):
    (photos, one), ticks = flock, []
    summary = assess_many(
        photos, tmp_path, tables, Question(), workers=2, after_each=lambda: ticks.append(1)
    )
    assert (summary.done, summary.kept, summary.problems) == (FLOCK, 0, ())
    assert len(ticks) == FLOCK
    assert len(one) == FLOCK * 4 + 3
    assert one == files(tmp_path)
    with (tmp_path / "readings.csv").open(newline="") as table:
        names = [row["photo"] for row in csv.DictReader(table)]
    assert sorted(set(names)) == [p.name for p in photos]
    assert names == sorted(names)


def test_bad_photos_among_good_ones_are_named_and_the_rest_is_done(tmp_path, tables):
    photos = birds(tmp_path / "photos", 4)
    photos[1].write_bytes(photos[1].read_bytes()[:3000])
    photos[2].with_suffix(".regions.json").write_text("{")
    summary = assess_many(photos, tmp_path / "out", tables, Question(), workers=2)
    assert summary.done == 2
    assert [line.split(":")[0] for line in summary.problems] == [
        "bird01.jpg",
        "bird02.regions.json",
    ]
    assert all("\n" not in line for line in summary.problems)
    with (tmp_path / "out" / "problems.csv").open(newline="") as table:
        assert [row["photo"] for row in csv.DictReader(table)] == ["bird01.jpg", "bird02.jpg"]


def test_a_fault_of_the_program_on_one_photo_does_not_stop_the_rest(tmp_path, tables, monkeypatch):
    from fieldmarks import folder as batch

    photos = birds(tmp_path / "photos", 3)
    real = batch.record_of_file

    def faulty(path, *rest, **options):
        if path.name == "bird01.jpg":
            raise ZeroDivisionError("division by zero")
        return real(path, *rest, **options)

    monkeypatch.setattr(batch, "record_of_file", faulty)
    summary = assess_many(photos, tmp_path / "out", tables, Question())
    assert summary.done == 2
    assert summary.problems == (
        "bird01.jpg: an unexpected fault (ZeroDivisionError: division by zero). Please report it",
    )


def test_two_photos_with_one_name_do_not_overwrite_each_other(tmp_path, tables):
    photos = birds(tmp_path / "photos", 2)
    shutil.copy(photos[0], tmp_path / "photos" / "bird00.jpeg")
    for _ in range(2):
        summary = assess_many(photos_in(tmp_path / "photos"), tmp_path / "out", tables, Question())
        assert summary.done + summary.kept == 2
        assert summary.problems == (
            "bird00.jpg: its results would overwrite those of bird00.jpeg. Give one of the two "
            "photos another name",
        )
        record = Record.from_json((tmp_path / "out" / "bird00.record.json").read_bytes())
        assert record.measurement.photo == "bird00.jpeg"


def test_own_tables_and_the_phone_reach_the_workers(tmp_path):
    species = tmp_path / "mine" / "species"
    species.mkdir(parents=True)
    (species / "caeruleus.toml").write_text(SIXTH)
    tables = load_rules(tmp_path / "mine")
    chart, _ = phone_photo()
    phone = make_profile("my phone", chart, calibrate_with_chart(chart, [tile(24)], chart_tiles()))
    photos = birds(tmp_path / "photos", 2)
    assess_many(photos, tmp_path / "out", tables, Question(), phone=phone, workers=2)
    for path in photos:
        text = (tmp_path / "out" / f"{path.stem}.record.json").read_bytes()
        record = Record.from_json(text)
        assert record.phone == phone
        assert record.assessment.table_fingerprint == tables.fingerprint
        assert record.assessment.sheet("caeruleus").findings


def test_a_table_changed_by_hand_or_a_lost_picture_is_put_right(tmp_path, tables):
    photos = birds(tmp_path / "photos", 2)
    out = tmp_path / "out"
    assess_many(photos, out, tables, Question())
    before = files(out)
    (out / "bird00.findings.csv").write_text("spoiled by a spreadsheet")
    (out / "bird01.marked.jpg").unlink()
    assert assess_many(photos, out, tables, Question()).kept == 1
    assert files(out) == before


def test_results_beside_the_photos_are_not_taken_for_photos(tmp_path, tables):
    photos = birds(tmp_path / "photos", 2)
    assess_many(photos, tmp_path / "photos", tables, Question())
    assert photos_in(tmp_path / "photos") == photos


def test_few_photos_do_not_start_workers():
    assert sensible_workers(3) == 1
    assert sensible_workers(100_000) == joblib.cpu_count()


def started(photos, out, workers):
    """The folder run as a program; it waits after each photo until :func:`goes_on`."""
    command = [sys.executable, PROGRAM, photos, out, str(workers)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def goes_on(program, photos=1):
    program.stdin.write("go on\n" * photos)
    program.stdin.flush()


def workers_of(process):
    """Process numbers of a program's children that hold the work (Linux)."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rsplit(")", 1)[1].split()
            command = status.with_name("cmdline").read_bytes()
        except OSError:
            continue
        if int(fields[1]) == process.pid and b"loky" in command and b"tracker" not in command:
            found.append(int(status.parent.name))
    return found


@needs_posix
@pytest.mark.parametrize("workers", [1, 2])
def test_a_killed_batch_goes_on_where_it_was(tmp_path, tables, flock, workers):
    photos, whole = flock
    out = tmp_path / "out"
    program = started(photos[0].parent, out, workers)
    goes_on(program, 2)
    for _ in range(3):
        assert program.stdout.readline() == "done\n"
    program.send_signal(signal.SIGKILL)
    assert program.wait() == -signal.SIGKILL
    finished = {p.name: p.stat().st_mtime_ns for p in out.glob("*.record.json")}
    assert len(finished) == 3 or (workers == 2 and len(finished) > 3)
    (out / ".bird04.record.json.12345.part").write_text('{"half')
    summary = assess_many(photos, out, tables, Question())
    assert summary.problems == ()
    assert summary.kept >= len(finished)
    assert summary.done + summary.kept == FLOCK
    for name, written in finished.items():
        assert (out / name).stat().st_mtime_ns == written, "it was measured twice"
    assert files(out) == whole


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="finds workers in /proc")
def test_a_killed_worker_costs_no_photo(tmp_path, flock):
    photos, whole = flock
    program = started(photos[0].parent, tmp_path / "out", 2)
    assert program.stdout.readline() == "done\n"
    os.kill(workers_of(program)[0], signal.SIGKILL)
    rest = program.communicate(timeout=120)[0].splitlines()
    assert program.returncode == 0
    done, kept, problems = map(int, rest[-1].split())
    assert (done + kept, problems) == (FLOCK, 0)
    assert files(tmp_path / "out") == whole


@needs_posix
def test_a_photo_that_kills_its_worker_is_found_and_the_rest_is_done():
    found = dict(spread(deadly, [(n,) for n in range(8)], workers=2))
    assert found == {n: None if n == 3 else n * n for n in range(8)}


def test_dask_spreads_the_same_files(tmp_path, flock):
    pytest.importorskip("distributed")
    photos, whole = flock
    # In a program of its own: Dask's workers start from the main module, which here is pytest's.
    command = [sys.executable, PROGRAM, photos[0].parent, tmp_path / "two", "dask"]
    run = subprocess.run(
        command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=300
    )
    assert run.stdout.split()[-3:] == [str(FLOCK), "0", "0"], run.stderr
    assert files(tmp_path / "two") == whole
