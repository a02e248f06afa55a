"""Where a keeper's own things lie; asked before anything heavy is loaded."""

from pathlib import Path

import platformdirs


def user_folder() -> Path:
    """The keeper's own folder for this program's data."""
    return Path(platformdirs.user_data_dir("fieldmarks", appauthor=False))
