"""How commands answer: on the terminal, beside the answer, and into a file."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console


def console(stderr: bool = False) -> Console:
    """Where answers are printed."""
    from rich.console import Console

    # Piped output gets a fixed width, so that a saved report does not depend on the window.
    width = None if sys.stdout.isatty() else 120
    # Names in tables and photos are text, whatever brackets they hold.
    return Console(stderr=stderr, width=width, highlight=False, markup=False, emoji=False)


def say(line: object) -> None:
    """Say something beside the answer, on standard error."""
    print(line, file=sys.stderr)


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar on standard error while something takes its time; gives what it is told by."""
    from rich.progress import Progress

    with Progress(console=console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def write(into: Path, made: str | bytes, more: str = "") -> None:
    """Write a file whole or not at all, and say so."""
    from fieldmarks._util.atomic_write import write_whole

    write_whole(into, made)
    say(f"Written: {into}{more}")
