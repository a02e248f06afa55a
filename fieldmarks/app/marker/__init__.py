"""Mark regions on a photo in the browser with finger, pen, mouse or keys."""

from fieldmarks.app.marker.component import Board, marker, photo_key, reduced_jpeg
from fieldmarks.app.marker.wire import MarkerEvent, Offer

__all__ = [
    "Board",
    "MarkerEvent",
    "Offer",
    "marker",
    "photo_key",
    "reduced_jpeg",
]
