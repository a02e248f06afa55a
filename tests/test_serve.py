"""How the app is started: for this computer only, with limits, and quiet."""

import ast
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from fieldmarks import app as screen
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.serve import MAX_UPLOAD_MB, command, serve


@pytest.mark.parametrize("home_network", [False, True])
def test_uploads_are_limited_and_no_protection_is_switched_off(home_network):
    options = dict(o.split("=", 1) for o in command(8612, home_network) if o.startswith("--"))
    assert int(options["--server.maxUploadSize"]) == MAX_UPLOAD_MB <= 200
    assert options["--browser.gatherUsageStats"] == "false"
    assert options["--client.showErrorDetails"] == "none"
    # Streamlit guards against other sites' pages unless told not to.
    assert options.get("--server.enableXsrfProtection", "true") == "true"
    assert options.get("--server.enableCORS", "true") == "true"
    assert options.get("--server.enableStaticServing", "false") == "false"


def test_streamlit_still_guards_by_default():
    """Checked in Streamlit's own options, so that a new version cannot change it unseen."""
    from streamlit import config

    config.get_config_options(force_reparse=True)
    assert config.get_option("server.enableXsrfProtection") is True
    assert config.get_option("server.enableCORS") is True
    assert config.get_option("server.enableStaticServing") is False


def test_a_port_that_is_taken_is_told_before_anything_is_promised(capsys):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(FieldmarksError, match=f"port {port}: another program listens there"):
            serve(port, home_network=False)
    assert "listens on http" not in capsys.readouterr().out


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ending_the_program_ends_the_app():
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    code = f"from fieldmarks.app.serve import serve; raise SystemExit(serve({port}, False))"
    program = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.DEVNULL)
    try:
        assert answers(port, within=60)
        program.send_signal(signal.SIGTERM)
        program.wait(timeout=30)
        assert not answers(port, within=1)
    finally:
        program.kill()


def answers(port, within):
    """Whether something listens on a port, now or soon."""
    end = time.monotonic() + within
    while True:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                return True
        if time.monotonic() > end:
            return False
        time.sleep(0.2)


def test_the_port_is_passed_as_a_number_and_nothing_goes_through_a_shell():
    assert all(isinstance(part, str) for part in command(8612, False))
    assert "--server.port=8612" in command(8612, False)


def test_every_upload_of_the_app_names_its_kinds():
    calls = [
        node
        for path in Path(screen.__file__).parent.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "file_uploader"
    ]
    assert len(calls) >= 5
    assert all(any(k.arg == "type" for k in call.keywords) for call in calls)
