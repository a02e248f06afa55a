"""Measure the plumage of small parrots on a photo and compare it with each species' marks.

The front door::

    import fieldmarks as fm

    record = fm.assess("bird.jpg", sold_as="Fischer")
    record.conclusion.sentence, record.readings["collar"].lab, record.to_frame()
    fm.assess(["front.jpg", "side.jpg"], sold_as="Fischer").conclusion.sentence
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fieldmarks.measure.photo import open_photo
    from fieldmarks.pipeline import assess, read
    from fieldmarks.record import Examination, Record
    from fieldmarks.rules import load_rules

__version__ = "0.5.1"
__all__ = ["Examination", "Record", "assess", "load_rules", "open_photo", "read"]

_ROOMS = {
    "Examination": "record",
    "Record": "record",
    "assess": "pipeline",
    "load_rules": "rules",
    "open_photo": "measure.photo",
    "read": "pipeline",
}


def __getattr__(name: str) -> Any:
    """Import on first use: ``import fieldmarks`` and the command line start at once."""
    if name in _ROOMS:
        return getattr(import_module(f"fieldmarks.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
