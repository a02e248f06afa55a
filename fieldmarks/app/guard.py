"""Guard: whatever goes wrong while a page is drawn, the keeper reads one line, no traceback."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager

from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.birds.shared import told

_log = logging.getLogger(__name__)


@contextmanager
def guarded() -> Iterator[None]:
    """Show a fault on the page; what was drawn before it stays.

    Streamlit's own signals to stop or run again pass: they are no ``Exception``.
    """
    try:
        yield
    except FieldmarksError as error:
        told(error)
    except Exception as error:
        # The one who runs the app finds where it happened beside it, in the terminal.
        _log.exception("a page could not be drawn")
        told(
            FieldmarksError(
                f"an unexpected fault ({type(error).__name__}: {error})",
                mend="Nothing that was kept is lost. Load the page again, and please report it",
            )
        )
