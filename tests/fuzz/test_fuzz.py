"""A few broken files of each kind, in the same process: only a FieldmarksError may come out.

The long run is ``python tests/fuzz/run.py``; its counts are in ``benchmarks/results/fuzz.md``.
"""

import time

import pytest
from targets import TARGETS, inputs
from worker import Tally, feed

pytestmark = pytest.mark.filterwarnings("ignore::UserWarning")
FEW = {"store export": 6, "dossier": 6, "copy of tables": 10, "table folder": 12}


@pytest.mark.parametrize("name", TARGETS)
def test_broken_files_are_refused_in_one_line(name):
    target = TARGETS[name]
    if not target.seeds():
        pytest.skip("the library for this kind of file is not installed")
    tally = Tally()
    for number, data in enumerate(inputs(target, FEW.get(name, 60), seed=11)):
        feed(target.run, data, number, tally)
    assert tally.faults == {}
    assert tally.inputs == tally.accepted + tally.refused == FEW.get(name, 60)
    assert tally.slowest < 5


@pytest.mark.parametrize("name", TARGETS)
def test_the_valid_files_that_mutation_starts_from_are_accepted(name):
    for valid in TARGETS[name].seeds():
        if name in ("table folder", "ICC profile"):  # single files out of a folder; a Lab profile
            continue
        TARGETS[name].run(valid)


def test_the_harness_notices_a_fault_a_refusal_and_a_slow_input():
    from fieldmarks._util.errors import FieldmarksError

    def act(data):
        if data == b"fault":
            raise KeyError("x")
        if data == b"refuse":
            raise FieldmarksError("no")
        if data == b"slow":
            until = time.process_time() + 0.2
            while time.process_time() < until:
                pass

    tally = Tally()
    for number, data in enumerate((b"fault", b"refuse", b"slow", b"good")):
        feed(act, data, number, tally)
    assert (tally.inputs, tally.accepted, tally.refused) == (4, 2, 1)
    assert [f[0] for f in tally.faults.values()] == [1]
    assert tally.slowest >= 0.2


def test_the_same_seed_gives_the_same_files_wherever_a_run_starts():
    target = TARGETS["JPEG"]
    whole = list(inputs(target, 12, seed=3))
    assert whole[5:] == list(inputs(target, 12, seed=3, start=5))
    assert whole != list(inputs(target, 12, seed=4))
