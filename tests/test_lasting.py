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


def is_searched(thing):
    return any(one is thing for one in gc.get_objects())


@pytest.fixture(autouse=True)
def fresh(monkeypatch):
    monkeypatch.setattr(lasting, "_modules", 0)
    yield
    gc.unfreeze()


def test_all_there_is_is_set_aside_again_only_after_an_import(monkeypatch):
    first = Loop()
    set_aside()
    assert not is_searched(first)
    second = Loop()
    set_aside()
    assert is_searched(second)
    monkeypatch.setitem(sys.modules, "one_more_for_this_test", ModuleType("one_more"))
    set_aside()
    assert not is_searched(first)
    assert not is_searched(second)


def test_waste_made_before_and_after_is_still_found():
    old = weakref.ref(Loop())
    set_aside()
    assert old() is None
    new = weakref.ref(Loop())
    assert new() is not None
    gc.collect()
    assert new() is None
