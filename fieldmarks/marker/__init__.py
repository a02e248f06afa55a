"""Mark regions on a photo in the browser with finger, pen, mouse or keys."""

from fieldmarks.marker.component import DASHES, marker, reduced_jpeg
from fieldmarks.marker.suggest import suggest_outline
from fieldmarks.marker.wire import MarkerEvent

__all__ = ["DASHES", "MarkerEvent", "marker", "reduced_jpeg", "suggest_outline"]
