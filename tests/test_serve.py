"""How the app is started: for this computer only, with limits, and quiet."""

import ast
import inspect
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from fieldmarks import app as screen
from fieldmarks._util.errors import FieldmarksError
from fieldmarks.app.serve import MAX_UPLOAD_MB, command, serve, told_at_start


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


@pytest.fixture(scope="module")
def running(tmp_path_factory):
    """The app as 'fieldmarks show' starts it, and its port."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    folder = tmp_path_factory.mktemp("birds")
    program = subprocess.Popen(
        command(port, home_network=False),
        env={**os.environ, "FIELDMARKS_STORE": str(folder)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        assert answers(port, within=60)
        yield port
    finally:
        program.kill()
        program.wait()


def first_line(port, path, host, origin=None):
    """What the app says first to a request, or to the opening of a WebSocket (RFC 6455, 4.1)."""
    asked = [f"GET {path} HTTP/1.1", f"Host: {host.format(port)}"]
    if origin is not None:
        asked.append(f"Origin: {origin.format(port)}")
    if path == STREAM:
        asked += ["Connection: Upgrade", "Upgrade: websocket", "Sec-WebSocket-Version: 13"]
        asked += ["Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ=="]
    with socket.create_connection(("127.0.0.1", port), timeout=20) as line:
        line.sendall(("\r\n".join(asked) + "\r\n\r\n").encode())
        return int(line.recv(100).split()[1])


STREAM = "/_stcore/stream"


@pytest.mark.parametrize("path", ["/", STREAM, "/_stcore/health", "/media/x.jpg"])
@pytest.mark.parametrize("host", ["rebound.example:{}", "localhost.example:{}", "10.1.2.3", ""])
def test_a_page_that_lets_its_name_point_here_gets_no_answer(running, path, host):
    """DNS rebinding: the browser sends the page's own name as Host and as Origin."""
    assert first_line(running, path, host, f"http://{host}") in (403, 421)


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "http://localhost:1", "null"])
def test_no_other_page_may_open_the_line_over_which_birds_are_read(running, origin):
    assert first_line(running, STREAM, "localhost:{}", origin) == 403


def test_no_other_page_may_show_the_app_in_a_frame(running):
    with urllib.request.urlopen(f"http://localhost:{running}/", timeout=20) as answer:
        assert "frame-ancestors 'self'" in answer.headers["Content-Security-Policy"]
        assert answer.headers["X-Frame-Options"] == "SAMEORIGIN"
        assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"


@pytest.mark.parametrize("host", ["localhost:{}", "127.0.0.1:{}", "LOCALHOST:{}"])
def test_the_app_answers_to_the_names_of_this_computer(running, host):
    assert first_line(running, "/_stcore/health", host) == 200
    assert first_line(running, STREAM, host, f"http://{host}") == 101


@pytest.mark.parametrize(
    ("host", "home", "ours"),
    [
        ("192.168.1.7:8612", True, True),
        ("192.168.1.7:8612", False, False),
        ("[::1]:8612", False, True),
        ("[fd00::7]:8612", True, True),
        ("aviary.local", True, True),
        ("aviary", True, True),
        ("aviary.local", False, False),
        ("rebound.example", True, False),
        ("localhost@rebound.example", True, False),
        ("localhost/rebound.example", True, False),
        ("[::1", True, False),
        ("birds.example", False, True),
    ],
)
def test_which_names_are_ours(monkeypatch, host, home, ours):
    monkeypatch.setattr(socket, "gethostname", lambda: "aviary")
    monkeypatch.setenv("FIELDMARKS_HOST_NAMES", "birds.example")
    from fieldmarks.app.served import may_ask

    assert may_ask(host, None, home) is ours


def test_the_home_network_is_warned_of_and_an_own_address_is_told():
    (here,) = told_at_start(8612, home_network=False)
    assert "for this computer" in here
    told = "\n".join(told_at_start(8612, home_network=True))
    assert "everyone signs in" in told
    assert "not encrypted" in told
    assert re.search(r"phone in the same network: http://[^ ]+:8612", told)


def test_nobody_outside_is_asked_for_an_address():
    """What Streamlit calls to learn its own address from a host on the internet is switched off."""
    from streamlit import net_util

    from fieldmarks.app import served  # noqa: F401

    assert net_util.get_external_ip() is None
    assert "http" not in inspect.getsource(net_util.get_external_ip)


@pytest.mark.parametrize(
    ("url", "may"),
    [
        ("https://birds.example/look", True),
        ("http://localhost:8612/", True),
        ("http://127.0.0.1:8612/", True),
        ("http://192.168.1.7:8612/", False),
        (None, True),
    ],
)
def test_the_camera_is_offered_only_where_the_browser_gives_it(url, may):
    """W3C Secure Contexts, section 3.1: https, or a loopback address."""
    from fieldmarks.app.start import camera_may_be_asked_for

    assert camera_may_be_asked_for(url) is may
