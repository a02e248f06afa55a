"""Start the app with settings that keep it on this machine and keep it quiet."""

import os
import signal
import socket
import subprocess
import sys

from fieldmarks._util.errors import FieldmarksError
from fieldmarks._util.resources import PACKAGE
from fieldmarks.report.theme import DARK, LIGHT

LOOPBACK = "127.0.0.1"
# Used only when the keeper asks for the home network.
EVERYWHERE = "0.0.0.0"  # noqa: S104
MAX_UPLOAD_MB = 200
# glibc keeps a heap for each thread, and every page draws in threads of its own; and pictures once
# given back raise the size from which memory goes back to the system (mallopt(3)).
SPARING = {"MALLOC_ARENA_MAX": "2", "MALLOC_MMAP_THRESHOLD_": "1000000"}
NAMES_VARIABLE = "FIELDMARKS_HOST_NAMES"  # more names, with commas, for one behind a proxy


def command(port: int, home_network: bool) -> list[str]:
    """The Streamlit command line; it listens for this computer only, or for the home network."""
    return [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(PACKAGE / "app" / "served.py"),
        f"--server.address={EVERYWHERE if home_network else LOOPBACK}",
        f"--server.port={port}",
        f"--server.maxUploadSize={MAX_UPLOAD_MB}",
        "--server.headless=true",
        "--server.fileWatcherType=none",
        "--logger.hideWelcomeMessage=true",  # ours says where; its asks the internet for an address
        "--browser.gatherUsageStats=false",
        "--client.toolbarMode=minimal",
        "--client.showErrorDetails=none",
        *theme(),
    ]


def theme() -> list[str]:
    """Streamlit options that give the app the colours of its drawings, light and dark."""
    names = {
        "primaryColor": "accent",
        "linkColor": "accent",
        "textColor": "ink",
        "backgroundColor": "paper",
        "secondaryBackgroundColor": "panel",
    }
    return [
        f"--theme.{mode}.{option}={palette[name]}"
        for mode, palette in (("light", LIGHT), ("dark", DARK))
        for option, name in names.items()
    ]


def told_at_start(port: int, home_network: bool) -> list[str]:
    """Where the app is reached, and what the home network means for the birds in it."""
    stop = "Stop it with Ctrl+C."
    if not home_network:
        return [f"The app listens on http://localhost:{port} for this computer. {stop}"]
    return [
        f"On this computer: http://localhost:{port}. {stop}",
        f"On a phone in the same network: http://{_own_address()}:{port}",
        "WARNING: everyone signs in, but what is sent is not encrypted: whoever listens in this "
        "network can read it. Use it only in a network you trust, never in one with guests, and "
        "stop it afterwards.",
        "The camera button works only on this computer: browsers want an encrypted page for it. "
        "On a phone choose 'Choose or drop a photo'; it opens the phone's own camera.",
    ]


def _own_address() -> str:
    """This computer's address in its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # set aside for documentation (RFC 5737)
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def serve(port: int, home_network: bool) -> int:
    """Run the app until it is stopped; gives its exit code.

    Raises:
        FieldmarksError: Something else listens on the port, or others could reach the app and
            nothing guards it.
    """
    from fieldmarks.app.sign_in import way_in

    way_in(home_network or bool(os.environ.get(NAMES_VARIABLE)))
    with socket.socket() as probe:
        if probe.connect_ex((LOOPBACK, port)) == 0:
            raise FieldmarksError(
                "another program listens there already",
                where=f"port {port}",
                mend=f"Stop it, or start the app with --port {port + 1}",
            )
    for line in told_at_start(port, home_network):
        print(line, flush=True)
    try:
        sparing = SPARING | os.environ
        # Our own interpreter and script, no shell; the port is a number.
        running = subprocess.Popen(command(port, home_network), env=sparing)  # noqa: S603
        # Whoever ends this program ends the app with it.
        signal.signal(signal.SIGTERM, lambda *_: running.terminate())
        return running.wait()
    except KeyboardInterrupt:
        return 0
