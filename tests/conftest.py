"""What tests of several folders share."""

import itertools

from fault_table import keeper

__all__ = ["keeper"]


def pytest_collection_modifyitems(items):
    """Spread the files of browser tests over the run, files as they were within.

    A browser test mostly waits: beside others that work, the cores are busy from first to last.
    """
    files = {path: list(rows) for path, rows in itertools.groupby(items, key=lambda i: i.path)}
    browser = [path for path in files if path.parent.name == "browser"]
    others = [path for path in files if path not in browser]
    each = len(others) // (len(browser) + 1)
    for place, path in enumerate(browser):
        others.insert(place * (each + 1), path)
    items[:] = [item for path in others for item in files[path]]
