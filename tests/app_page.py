"""Pages of the app without a browser.

At each new page Streamlit looks for components in every package that is installed, which takes
longer than most pages. They do not change while tests run: it looks once.
"""

import functools

from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

__all__ = ["AppTest"]

_look_once = functools.cache(manifest_scanner.scan_component_manifests)
manifest_scanner.scan_component_manifests = _look_once
