"""What tests of several folders share."""

import gc
import itertools

from fault_table import keeper
from hypothesis import settings

__all__ = ["keeper"]

# What else the machine has to do decides how long an example takes.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# To free one large block makes the C library (glibc) keep what is freed for what is asked next,
# as the first photo opened does. Many tests open none: a quarter of their fits went into memory.
bytes(16 << 20)

LONGEST = (
    "test_app", "test_workbench_screen",
    "test_kill", "test_assessment", "test_batch", "test_server", "test_cases", "test_together",
)  # fmt: skip
BETWEEN = 4  # files of other tests between two of the browser's


def pytest_configure():
    """What is imported to begin with is not waste: not looked for while it grows."""
    gc.disable()


def pytest_collection_finish():
    gc.freeze()
    gc.enable()


def pytest_collection_modifyitems(items):
    """Begin the files of browser tests one after the other, and of all files the longest first.

    A browser test mostly waits: beside others that work, the cores are busy from first to last.
    A long file begun late would leave one worker busy when the others are done.
    """
    files = {path: list(rows) for path, rows in itertools.groupby(items, key=lambda i: i.path)}
    browser = [path for path in files if path.parent.name == "browser"]
    others = [path for path in files if path not in browser]
    for group in (browser, others):
        group.sort(key=lambda path: path.stem not in LONGEST)
    for place, path in enumerate(browser):
        others.insert(place * BETWEEN, path)
    items[:] = [item for path in others for item in files[path]]
