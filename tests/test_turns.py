"""Many members at once: in order, a few at a time; and how much memory open photos hold."""

import threading

import numpy as np
import pytest

from fieldmarks.app.turns import Turns
from fieldmarks.measure import photo as photos
from fieldmarks.measure.photo import open_photo
from fieldmarks.pipeline import demo_birds


def test_a_photo_waits_its_turn_and_says_how_many_are_before_it():
    turns, order, told = Turns(1), [], []
    begun, go_on = threading.Event(), threading.Event()

    def first():
        with turns.turn():
            begun.set()
            go_on.wait(20)
            order.append("first")

    def later(name, queued):
        def say(before):
            told.append((name, before))
            queued.set()

        with turns.turn(say):
            order.append(name)

    threads = [threading.Thread(target=first)]
    threads[0].start()
    assert begun.wait(20)
    for name in ("second", "third"):
        queued = threading.Event()
        threads.append(threading.Thread(target=later, args=(name, queued)))
        threads[-1].start()
        assert queued.wait(20)
    assert told == [("second", 1), ("third", 2)]
    go_on.set()
    for thread in threads:
        thread.join(20)
    assert order == ["first", "second", "third"]


def test_a_short_thing_goes_before_photos_that_wait_to_be_opened():
    turns, order = Turns(1), []
    threads = []

    def one(name, first, queued):
        with turns.turn(lambda before: queued.set(), first=first):
            order.append(name)

    with turns.turn():
        for name, first in (("photo", False), ("marks", True), ("more marks", True)):
            queued = threading.Event()
            threads.append(threading.Thread(target=one, args=(name, first, queued)))
            threads[-1].start()
            assert queued.wait(20)
    for thread in threads:
        thread.join(20)
    assert order == ["marks", "more marks", "photo"]


def test_whoever_leaves_while_waiting_keeps_nobody_from_their_turn():
    turns = Turns(1)

    def leave(_before):
        raise KeyboardInterrupt

    with turns.turn(), pytest.raises(KeyboardInterrupt), turns.turn(leave):
        pytest.fail("came in while the only place was taken")
    with turns.turn(leave):
        pass


def test_a_fault_during_a_turn_frees_the_place():
    turns = Turns(1)
    with pytest.raises(ZeroDivisionError), turns.turn():
        1 / 0  # noqa: B018
    with turns.turn(lambda before: pytest.fail(f"{before} before")):
        pass


def test_many_open_photos_hold_a_few_decoded_and_read_the_same(monkeypatch):
    paths = list(demo_birds().values())
    size = max(p.codes((0, 0, p.width, p.height)).nbytes for p in map(open_photo, paths))
    monkeypatch.setattr(photos, "HELD_BYTES", size)
    opened = [open_photo(path) for path in paths]
    assert sum(p.nbytes for p in photos._held.values()) <= size
    for path, photo in zip(paths, opened, strict=True):
        whole = (0, 0, photo.width, photo.height)
        assert np.array_equal(photo.codes(whole), open_photo(path).codes(whole))
    del opened, photo
    photos.open_photo(paths[0])
    assert sum(p.nbytes for p in photos._held.values()) <= size


def test_a_closed_photo_is_let_go():
    before = len(photos._held)
    photo = open_photo(next(iter(demo_birds().values())))
    assert len(photos._held) == before + 1
    del photo
    assert len(photos._held) == before
