"""The package has one direction, from measuring to the app; contracts stand in pyproject.toml."""

from pathlib import Path

from importlinter.cli import lint_imports

ROOT = Path(__file__).parents[1]


def test_imports_run_one_way_only(monkeypatch):
    monkeypatch.chdir(ROOT)
    assert lint_imports(config_filename="pyproject.toml", no_cache=True) == 0
