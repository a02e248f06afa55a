"""Turns: photos are opened and judged a few at a time, in the order in which they came.

All at once, twenty would each take as long as all of them together; one after another, half of them
have their findings in half the time, and memory holds what a few need.
"""

import os
import threading
from bisect import insort
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count

LOOK_S = 0.5  # how often someone who waits is told how many are before them


class Turns:
    """A few places to work at, and who waits for one."""

    def __init__(self, places: int) -> None:
        self._places, self._working = places, 0
        self._waiting: list[tuple[bool, int]] = []  # in the order of their turns
        self._numbers = count()
        self._changed = threading.Condition()

    @contextmanager
    def turn(
        self, say: Callable[[int], object] = lambda _before: None, *, first: bool = False
    ) -> Iterator[None]:
        """Wait for a place; ``say`` is told how many come before, whenever that changes.

        Who comes ``first`` goes before all who do not: a short thing before photos to open, so
        that whoever has begun also ends.

        Whatever ``say`` raises (whoever waited has left the page) ends the waiting.
        """
        ticket, said = (not first, next(self._numbers)), 0
        with self._changed:
            insort(self._waiting, ticket)
        try:
            while True:
                with self._changed:
                    before = self._waiting.index(ticket)
                    if before == 0 and self._working < self._places:
                        self._working += 1
                        break
                    before += self._working
                    if before == said:
                        self._changed.wait(LOOK_S)
                if before != said:
                    said = before
                    say(said)
        finally:
            with self._changed:
                self._waiting.remove(ticket)
                self._changed.notify_all()
        try:
            yield
        finally:
            with self._changed:
                self._working -= 1
                self._changed.notify_all()


turns = Turns(max(2, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 2))
