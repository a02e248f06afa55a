"""Start the app with settings that keep it on this machine and keep it quiet."""

from __future__ import annotations

import os
import signal
import socket
import subprocess  # nosec B404
import sys

from fieldmarks._util.errors import FieldmarksError
from fieldmarks._util.resources import PACKAGE

LOOPBACK = "127.0.0.1"
# Used only when the keeper asks for the home network.
EVERYWHERE = "0.0.0.0"  # nosec B104
MAX_UPLOAD_MB = 200


def command(port: int, home_network: bool) -> list[str]:
    """The Streamlit command line.

    Parameters
    ----------
    port : int
    home_network : bool
        Listen for other devices too; otherwise for this computer only.
    """
    return [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(PACKAGE / "app" / "main.py"),
        f"--server.address={EVERYWHERE if home_network else LOOPBACK}",
        f"--server.port={port}",
        f"--server.maxUploadSize={MAX_UPLOAD_MB}",
        "--server.headless=true",
        "--server.fileWatcherType=none",
        "--browser.gatherUsageStats=false",
        "--client.toolbarMode=minimal",
        "--client.showErrorDetails=none",
        *theme(),
    ]


def theme() -> list[str]:
    """Streamlit options that give the app the colours of its drawings, light and dark."""
    from fieldmarks.report.svg import DARK, LIGHT

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


def serve(port: int, home_network: bool) -> int:
    """Run the app until it is stopped; gives its exit code.

    Raises
    ------
    FieldmarksError
        Something else listens on the port.
    """
    where = "this computer and other devices in your network" if home_network else "this computer"
    with socket.socket() as probe:
        if probe.connect_ex((LOOPBACK, port)) == 0:
            raise FieldmarksError(
                "another program listens there already",
                where=f"port {port}",
                mend=f"Stop it, or start the app with --port {port + 1}",
            )
    print(f"The app listens on http://localhost:{port} for {where}. Stop it with Ctrl+C.")
    try:
        # Our own interpreter and script, no shell; the port is a number.
        running = subprocess.Popen(command(port, home_network), env=os.environ)  # nosec B603
        # Whoever ends this program ends the app with it.
        signal.signal(signal.SIGTERM, lambda *_: running.terminate())
        return running.wait()
    except KeyboardInterrupt:
        return 0
