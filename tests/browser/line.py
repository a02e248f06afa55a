"""A line to a server that breaks when it is told to, and counts what goes over it."""

from __future__ import annotations

import base64
import socket
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Page

MAKE = """async (bytes) => {
  const raw = Uint8Array.from(atob(bytes), (c) => c.charCodeAt(0));
  const made = await fieldmarksSmaller(new File([raw], "a.jpg", { type: "image/jpeg" }));
  const url = await new Promise((yes) => {
    const reader = new FileReader();
    reader.onload = () => yes(reader.result);
    reader.readAsDataURL(made);
  });
  return url.split(",")[1];
}"""


def made_smaller(page: Page, photo: Path) -> bytes:
    """What the page sends of a photo once it may make it smaller."""
    whole = base64.b64encode(photo.read_bytes()).decode()
    return base64.b64decode(page.evaluate(MAKE, whole))


class Line:
    """Passes on what comes to a port, until it is cut; then refuses everyone until mended.

    Parameters
    ----------
    to : int
        Port of the server, on this computer.
    rate : float, optional
        Bytes a second that it carries each way, all connections together.
    """

    def __init__(self, to: int, rate: float = 0) -> None:
        self.to, self.rate, self.sent, self.got, self.cut_at = to, rate, 0, 0, 0
        self._turn = {True: threading.Lock(), False: threading.Lock()}
        self.whole, self.cuts = threading.Event(), 0
        self.whole.set()
        self._ends: list[socket.socket] = []
        self._door = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._door.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._door.accept()
            except OSError:
                return
            if not self.whole.is_set():
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.to))
            self._ends += [near, far]
            for one, other, up in ((near, far, True), (far, near, False)):
                threading.Thread(target=self._pass, args=(one, other, up), daemon=True).start()

    def _pass(self, one: socket.socket, other: socket.socket, up: bool) -> None:
        with suppress(OSError):
            while data := one.recv(4096 if self.rate else 16384):
                if self.rate:
                    with self._turn[up]:
                        time.sleep(len(data) / self.rate)
                if not up:
                    self.got += len(data)
                else:
                    self.sent += len(data)
                    if self.cut_at and self.sent > self.cut_at:
                        self.cut_at = 0
                        self.cut()
                        return
                other.sendall(data)
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def cut(self) -> None:
        """Break every connection, and take no new one."""
        self.whole.clear()
        self.cuts += 1
        ends, self._ends = self._ends, []
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        """For good."""
        self._door.close()
        self.cut()
