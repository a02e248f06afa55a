"""What a keeper reads when disk, database, clock or computer fail, as the tests have seen it.

Run: python benchmarks/faults.py    (as root on Linux, so that small disks can be mounted)
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from _tables import markdown, save

ROOT = Path(__file__).parents[1]
TESTS = ("tests/test_faults.py", "tests/life/test_store_faults.py")
# Faults after which nothing is read: the next run goes on, and these tests compare what is there.
SILENT = (
    ("worker killed (kill -9)", "another does its photo", "test_a_killed_worker_costs_no_photo"),
    ("a photo that kills its worker", "named at the end; the rest is done",
     "test_a_photo_that_kills_its_worker_is_found_and_the_rest_is_done"),
    ("batch killed (kill -9)", "the next run goes on; nothing twice, nothing lost, the same files",
     "test_a_killed_batch_goes_on_where_it_was"),
    ("power cut between picture and record", "the next run does that photo again",
     "test_power_cut_between_picture_and_record_or_before_the_tables"),
    ("power cut at any step of a save", "the save is there whole or not at all",
     "test_killed_at_every_step_of_a_save_and_an_import_the_store_is_whole"),
    ("two programs save at once", "2 x 25 saves, all there, one number each",
     "test_two_programs_save_at_once_and_nothing_is_lost"),
    ("database locked for a moment", "waited for, then saved",
     "test_a_lock_that_is_let_go_soon_is_waited_for"),
)  # fmt: skip


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "rows.jsonl"
        environment = os.environ | {"FIELDMARKS_FAULT_TABLE": str(table)}
        command = [sys.executable, "-m", "pytest", *TESTS, "-rs"]
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True)
        if done.returncode:
            sys.exit(done.stdout)
        rows = [json.loads(line) for line in table.read_text().splitlines()]
    save(
        "faults",
        "Faults, and what the keeper reads",
        "Each line was checked by its test: it is one line, without a traceback. FOLDER stands for "
        "the place on the disk.",
        markdown(
            ("fault", "how it was brought about", "where", "what the keeper reads", "test"),
            [(r["fault"], r["how"], r["where"], r["line"], f"`{r['test']}`") for r in rows],
        ),
        "Faults after which nothing need be read:",
        markdown(("fault", "what happens", "test"), [(a, b, f"`{c}`") for a, b, c in SILENT]),
    )


if __name__ == "__main__":
    main()
