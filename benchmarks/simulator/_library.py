"""The one place where colour-science is imported, without its notice about plotting."""

import warnings
from types import ModuleType


def colour_science() -> ModuleType:
    """The ``colour`` module (imported late: it takes a second)."""
    with warnings.catch_warnings():
        # It warns that its plotting part is missing; nothing here plots.
        warnings.simplefilter("ignore")
        import colour
    return colour
