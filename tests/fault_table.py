"""Ways to bring faults about, and the table of what the keeper reads then.

``benchmarks/faults.py`` runs the tests with ``FIELDMARKS_FAULT_TABLE`` naming a file; each test
then adds the line it has seen and checked.
"""

import json
import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

from fieldmarks.cli.main import main

can_mount = pytest.mark.skipif(
    sys.platform != "linux" or os.geteuid() != 0, reason="a small disk is mounted: needs root"
)


@contextmanager
def mounted(place, *options):
    """A mount for as long as the test runs."""
    place.mkdir(exist_ok=True)
    subprocess.run(["mount", *options, str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


@contextmanager
def small_disk(place, size):
    """A disk in memory that holds ``size``, such as "200k"."""
    with mounted(place, "-t", "tmpfs", "-o", f"size={size}", "tmpfs") as disk:
        yield disk


@contextmanager
def write_protected(place):
    """A folder on which even root can write nothing."""
    with mounted(place, "--bind", str(place)):
        subprocess.run(["mount", "-o", "remount,ro,bind", str(place)], check=True)
        yield place


class Keeper:
    """Someone at the command line; keeps count of what they read."""

    def __init__(self, monkeypatch, capsys, folder, test):
        self.monkeypatch, self.capsys, self.folder, self.test = monkeypatch, capsys, folder, test

    def runs(self, *words, code=0):
        """Run a command in this process; gives what it wrote on standard error."""
        self.monkeypatch.setattr(sys, "argv", ["fieldmarks", *map(str, words)])
        self.capsys.readouterr()
        try:
            main()
            given = 0
        except SystemExit as stop:
            given = stop.code or 0
        said = self.capsys.readouterr().err
        assert given == code, said
        return said

    def reads(self, *words, fault, how):
        """Run a command that must fail in one line; gives the line."""
        return self.told(self.runs(*words, code=2), fault, how, "command line")

    def told(self, said, fault, how, where):
        """One line, without a traceback, and into the table with it."""
        lines = said.strip().splitlines()
        assert len(lines) == 1, said
        assert "Traceback" not in said
        assert "unexpected fault" not in said
        table = os.environ.get("FIELDMARKS_FAULT_TABLE")
        if table:
            line = lines[0].removeprefix("fieldmarks: ").replace(str(self.folder), "FOLDER")
            row = {"fault": fault, "how": how, "where": where, "line": line, "test": self.test}
            with Path(table).open("a") as file:
                file.write(json.dumps(row) + "\n")
        return lines[0]


@pytest.fixture
def keeper(monkeypatch, capsys, tmp_path, request):
    return Keeper(monkeypatch, capsys, tmp_path, request.node.name)
