"""A club's server as its steward starts it: PostgreSQL, app, proxy with TLS, and a provider."""

import os
import signal
import socket
import ssl
import subprocess
import sys
import urllib.request
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import httpx
import pytest
import sqlalchemy

import server
from fieldmarks.birds.model import Bird, new_id
from fieldmarks.birds.people import people
from fieldmarks.birds.store import Store

COMMAND = [sys.executable, *server.START, "--steward", "stew@club.example"]
SECRETS = """[auth]
redirect_uri = "https://localhost:{port}/oauth2callback"
cookie_secret = "an-invented-secret-of-this-test-0123456789"
client_id = "club"
client_secret = "anything"
server_metadata_url = "{provider}/.well-known/openid-configuration"
"""


@pytest.fixture(scope="module")
def folder():
    missing = [p for p in ("/usr/sbin/nginx", "/usr/lib/postgresql") if not Path(p).exists()]
    if missing and not os.environ.get("CI"):
        pytest.skip(f"{missing} missing: apt-get install nginx-light postgresql")
    with server.a_folder() as place:
        yield place / "club"


@pytest.fixture(scope="module")
def club(folder):
    """Members sign in at a real provider, started here."""
    import oidc_provider_mock as mock

    stew = mock.User(sub="stew", claims={"email": "stew@club.example", "email_verified": True})
    port = server.free_port()
    (folder / ".streamlit").mkdir(parents=True)
    with mock.run_server_in_thread(user_claims=[stew]) as provider:
        told = SECRETS.format(port=port, provider=f"http://localhost:{provider.server_port}")
        (folder / ".streamlit" / "secrets.toml").write_text(told)
        with server.started(COMMAND, folder, port) as club:
            yield club


def store_of(folder):
    return Store(folder / "birds", f"postgresql://birds@/birds?host={folder}/postgres")


def test_without_a_session_the_proxy_gives_the_way_to_sign_in_and_the_app_nothing(club):
    status, told, page = club.ask("/", Accept="text/html")
    assert status == 200
    assert b"Sign in with your account" in page
    assert "max-age" in told["strict-transport-security"]
    assert club.ask("/static/js/index.js")[0] == 403
    assert not any("Passphrase" in line for line in club.said)  # a provider signs members in


def test_the_certificate_is_for_the_name_and_nobody_else_is_trusted(club):
    with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
        urllib.request.urlopen(f"https://localhost:{club.port}/", timeout=20)
    line = socket.create_connection(("127.0.0.1", club.port), timeout=20)
    with pytest.raises(ssl.SSLCertVerificationError):
        club.trusted.wrap_socket(line, server_hostname="elsewhere.example")


def test_plain_http_only_sends_on_to_the_encrypted_page(club):
    answer = httpx.get(f"http://localhost:{club.plain}/birds?x=1")
    assert answer.status_code == 301
    assert answer.headers["location"] == f"https://localhost:{club.port}/birds?x=1"


def test_a_member_signs_in_through_tls_and_no_cookie_travels_without_it(club):
    """Streamlit leaves its own cookies without the mark (RFC 6265, 5.2.5); the proxy sets it."""
    at = f"https://localhost:{club.port}"
    with httpx.Client(verify=club.trusted, follow_redirects=True, base_url=at) as browser:
        form = browser.get("/sign-in")
        asked = parse_qs(urlsplit(str(form.url)).query)
        assert asked["redirect_uri"] == [f"{at}/oauth2callback"]
        page = browser.post(str(form.url), data={"sub": "stew"})
        assert str(page.url) == f"{at}/"
        set_by_us = [
            word
            for answer in [*form.history, *page.history, page]
            if answer.url.host == "localhost" and answer.url.port == club.port
            for word in answer.headers.get_list("set-cookie")
        ]
        assert any(word.startswith("_streamlit_user=") for word in set_by_us)
        assert all("; secure" in word.lower() for word in set_by_us), set_by_us
        assert browser.get("/_stcore/host-config").status_code == 200
        script = page.text.split('type="module" crossorigin src=".')[1].split('"')[0]
        packed = browser.get(script)
        assert packed.headers["content-encoding"] == "gzip"
        assert "immutable" in packed.headers["cache-control"]
        cookie = "; ".join(f"{c.name}={c.value}" for c in browser.cookies.jar)
    assert opened_line(club, cookie) == "HTTP/1.1 101"
    assert opened_line(club, "") == "HTTP/1.1 403"


def opened_line(club, cookie):
    """What the proxy answers to the opening of a WebSocket (RFC 6455, 4.1)."""
    head = [
        "GET /_stcore/stream HTTP/1.1", f"Host: localhost:{club.port}", "Connection: Upgrade",
        f"Origin: https://localhost:{club.port}", "Upgrade: websocket", f"Cookie: {cookie}",
        "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
    ]  # fmt: skip
    with socket.create_connection(("127.0.0.1", club.port), timeout=20) as line:
        over = club.trusted.wrap_socket(line, server_hostname="localhost")
        over.sendall(("\r\n".join(head) + "\r\n\r\n").encode())
        return over.recv(200).decode()[:12]


def test_the_database_is_reached_by_no_network_and_the_steward_is_in(club, folder):
    with store_of(folder) as store, store.engine.connect() as connection:
        assert [p.email for p in people(connection)] == ["stew@club.example"]
        assert connection.scalar(sqlalchemy.text("SHOW listen_addresses")) == ""


def test_a_part_that_dies_ends_the_server_and_the_next_start_has_all_that_was_kept(folder, club):
    with store_of(folder) as store:
        store.save(Bird(new_id(), "Kept over night"))
    (app,) = [p for p in children(club.process.pid) if "fieldmarks.cli.main" in words_of(p)]
    below = list(children(app))
    os.kill(app, signal.SIGKILL)
    assert club.process.wait(60) == 1
    for left in below:  # nothing but this ends what a killed program had started
        os.kill(left, signal.SIGKILL)
    (folder / ".streamlit" / "secrets.toml").unlink()
    with server.started(COMMAND, folder) as again:
        cookie = again.sign_in(again.passphrase)
        assert "; secure" in cookie.lower()
        page = again.ask("/", Cookie=cookie.split(";")[0], Accept="text/html")
        assert b'<div id="root">' in page[2]
        with store_of(folder) as store:
            assert [b.name for b in store.birds()] == ["Kept over night"]


def children(pid):
    return map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())


def words_of(pid):
    return Path(f"/proc/{pid}/cmdline").read_bytes().decode().replace("\0", " ")


def test_what_is_missing_is_said_in_one_line(tmp_path):
    run = [sys.executable, *server.START, "--folder", str(tmp_path), "nonsense"]
    done = subprocess.run(run, capture_output=True, text=True)
    assert done.returncode == 2
    assert "no such part: nonsense" in done.stderr
