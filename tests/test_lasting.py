"""What is set aside from the search for waste (Python's manual, ``gc.freeze``)."""

import gc
import sys
import weakref
from types import ModuleType

import pytest

from fieldmarks.app import lasting
from fieldmarks.app.lasting import set_aside


class Loop:
    """Something that keeps itself alive until waste is looked for."""

    def __init__(self):
        self.itself = self


@pytest.fixture(autouse=True)
def fresh(monkeypatch):
    monkeypatch.setattr(lasting, "_modules", 0)
    yield
    gc.unfreeze()


def test_all_there_is_is_set_aside_again_only_after_an_import(monkeypatch):
    set_aside()
    before = gc.get_freeze_count()
    assert before > 1000
    more = [Loop() for _ in range(1000)]
    set_aside()
    assert gc.get_freeze_count() < before + len(more)
    monkeypatch.setitem(sys.modules, "one_more_for_this_test", ModuleType("one_more"))
    set_aside()
    assert gc.get_freeze_count() >= before + len(more)


def test_waste_made_before_and_after_is_still_found():
    old = weakref.ref(Loop())
    set_aside()
    assert old() is None
    new = weakref.ref(Loop())
    assert new() is not None
    gc.collect()
    assert new() is None
