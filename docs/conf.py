"""How the documentation is built: ``sphinx-build -W docs build/docs``."""

from pathlib import Path

from fieldmarks import __version__

PACKAGE = Path(__file__).resolve().parent.parent / "fieldmarks"

project = "fieldmarks"
author = "fieldmarks contributors"
release = version = __version__
extensions = [
    "sphinx.ext.autodoc",
    "sphinx.ext.apidoc",
    "sphinx.ext.napoleon",
    "myst_parser",
]
html_theme = "furo"
exclude_patterns = ["pictures"]

apidoc_modules = [
    {
        "path": str(PACKAGE),
        "destination": "api",
        # The app and the commands are thin, and no one calls them from Python.
        "exclude_patterns": [str(PACKAGE / p) for p in ("app", "cli", "birds/migrations")],
        "separate_modules": True,
        "module_first": True,
        "implicit_namespaces": False,
        "automodule_options": {"members", "show-inheritance"},
    }
]
autodoc_member_order = "bysource"
autodoc_typehints = "signature"
autodoc_use_type_comments = False
napoleon_google_docstring = True
napoleon_use_rtype = False
# A name shown at the front door and in its own module is one thing, reached by two links.
suppress_warnings = ["ref.python"]
myst_heading_anchors = 3
