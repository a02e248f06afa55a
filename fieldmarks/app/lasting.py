"""What lasts as long as the server: Streamlit looks for waste after each run of a page."""

import gc
import sys

_modules = 0


def set_aside() -> None:
    """Spare that search all that was imported, as often as there is more of it.

    It took longer than most runs. What a run leaves behind is found as before (``gc.freeze``).
    """
    global _modules
    if _modules != (_modules := len(sys.modules)):
        gc.unfreeze()  # what was set aside too early
        gc.collect()
        gc.freeze()
