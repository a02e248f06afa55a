"""A member at the app without a browser: what a page sends and gets over its WebSocket.

Streamlit's own messages (its ``proto`` package), so that many members cost no browser's time. The
id of a field is told by the key at its end.
"""

import http.client
import json
import re
import ssl
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.sync.client import connect

STREAM = "/_stcore/stream"
LONGEST = 1 << 28


class Member:
    """One signed-in page."""

    def __init__(
        self, at: str, cookie: str, trusted: ssl.SSLContext | None, page: str = ""
    ) -> None:
        self.host, self.cookie, self.trusted = at.split("//")[1], cookie, trusted
        told = self.request("GET", "/_stcore/health")[2]["set-cookie"]
        self.token = told.split("_streamlit_xsrf=")[1].split(";")[0]  # against cross-site forms
        self.cookie += f"; _streamlit_xsrf={self.token}"
        scheme = "wss" if trusted else "ws"
        headers = {"Cookie": self.cookie}
        opened = connect(
            f"{scheme}://{self.host}{STREAM}", additional_headers=headers, origin=at,
            subprotocols=["streamlit", self.token], ssl=trusted, max_size=LONGEST, open_timeout=60,
            compression=None, ping_interval=None,
        )  # fmt: skip
        self._left = ExitStack()
        self.line = self._left.enter_context(opened)
        self.elements: dict[tuple[int, ...], Any] = {}
        self.values: dict[str, Any] = {}
        self.known: dict[str, ForwardMsg] = {}
        self.session = self.page = ""
        self.pages: list[str] = []  # titles of those that there are ways to
        self.got = 0  # bytes
        self.answers: list[Any] = []
        self.finished = threading.Condition()
        self.runs = 0
        threading.Thread(target=self._listen, daemon=True).start()
        self.run(page=page)

    def _listen(self) -> None:
        try:
            for data in self.line:
                self.got += len(data)
                self._take(ForwardMsg.FromString(data))
        except Exception as error:  # whoever waits gets it
            with self.finished:
                self.answers.append(error)
                self.finished.notify_all()

    def _take(self, message: ForwardMsg) -> None:
        kind = message.WhichOneof("type")
        if kind == "ref_hash":
            kept = self.known[message.ref_hash]
            again = ForwardMsg.FromString(kept.SerializeToString())
            again.metadata.CopyFrom(message.metadata)
            return self._take(again)
        if message.hash and message.metadata.cacheable:
            self.known[message.hash] = message
        if kind == "new_session":
            self.session = message.new_session.initialize.session_id
            self.page = message.new_session.page_script_hash
            self.fresh: set[tuple[int, ...]] = set()
        elif kind == "delta":
            path = tuple(message.metadata.delta_path)
            self.fresh.add(path)
            if message.delta.WhichOneof("type") == "new_element":
                self.elements[path] = message.delta.new_element
            elif message.delta.WhichOneof("type") == "add_block":
                self.elements[path] = message.delta.add_block
        elif kind == "navigation":
            self.pages = [page.page_name for page in message.navigation.app_pages]
        elif kind in ("file_urls_response", "backend_operation_response"):
            with self.finished:
                self.answers.append(getattr(message, kind))
                self.finished.notify_all()
        elif kind == "script_finished":
            with self.finished:
                if message.script_finished == ForwardMsg.FINISHED_SUCCESSFULLY:
                    self.elements = {p: e for p, e in self.elements.items() if p in self.fresh}
                    self.runs += 1
                    self.finished.notify_all()
        return None

    def _wait(self, done: Callable[[], bool], seconds: float = 600) -> None:
        with self.finished:
            if not self.finished.wait_for(
                lambda: done() or any(isinstance(a, Exception) for a in self.answers), seconds
            ):
                raise TimeoutError("the app does not answer")
        if broken := [a for a in self.answers if isinstance(a, Exception)]:
            raise broken[0]

    def run(self, *once: Callable[[Any], None], page: str = "") -> None:
        """Send the state of all fields, and what happens once; until the page is drawn.

        ``page`` is the path of one to go to.
        """
        message = BackMsg()
        state = message.rerun_script
        state.query_string = ""
        state.page_script_hash = "" if page else self.page
        state.page_name = page
        for name, value in self.values.items():
            one = state.widget_states.widgets.add()
            one.id = name
            kind, what = value
            if kind == "files":
                one.file_uploader_state_value.CopyFrom(what)
            else:
                setattr(one, kind, what)
        for add in once:
            add(state.widget_states)
        before = self.runs
        self.line.send(message.SerializeToString())
        self._wait(lambda: self.runs > before)

    # ---- finding

    def ids(self, key: str) -> str:
        """The id of the field with a key."""
        for element in self.elements.values():
            kind = element.WhichOneof("type")
            found = getattr(getattr(element, kind), "id", "") if kind else ""
            if found.endswith(f"-{key}"):
                return str(found)
        raise LookupError(f"{key} is not on the page: {self.text()[:300]}")

    def button(self, label: str) -> str:
        """The id of a button by its words."""
        for element in self.elements.values():
            if element.WhichOneof("type") == "button" and element.button.label == label:
                return str(element.button.id)
        raise LookupError(f"no button {label!r}: {self.text()[:300]}")

    def kinds(self) -> set[str]:
        """What kinds of elements are on the page, as the messages name them."""
        return {e.WhichOneof("type") for e in self.elements.values()} - {None}

    def component(self, name: str) -> Any:
        """A component of our own."""
        for element in self.elements.values():
            known = element.WhichOneof("type") == "bidi_component"
            if known and element.bidi_component.component_name.endswith(name):
                return element.bidi_component
        raise LookupError(name)

    def text(self) -> str:
        """Everything written on the page."""
        return " ".join(
            re.sub(r"<[^>]+>", " ", getattr(e, k).body)
            for e in self.elements.values()
            if (k := e.WhichOneof("type")) in ("html", "markdown", "alert")
        )

    # ---- doing

    def press(self, button: str) -> None:
        """Press a button."""

        def add(states: Any) -> None:
            one = states.widgets.add()
            one.id, one.trigger_value = button, True

        self.run(add)

    def trigger(self, component: str, event: dict[str, Any]) -> None:
        """What a component of ours tells."""
        base = self.component(component).id

        def add(states: Any) -> None:
            one = states.widgets.add()
            one.id = f"$$STREAMLIT_INTERNAL_KEY_{base}__events"
            one.json_trigger_value = json.dumps([{"event": "event", "value": event}])

        self.run(add)

    def told_to(self, component: str) -> dict[str, Any]:
        """What a component of ours was given to show."""
        found = self.component(component)
        return dict(json.loads(found.json or found.mixed.json))

    def request(
        self, method: str, path: str, body: bytes = b"", **headers: str
    ) -> tuple[int, bytes, dict[str, str]]:
        """An ordinary request of the page: status, body, headers."""
        kind = http.client.HTTPSConnection if self.trusted else http.client.HTTPConnection
        more = {"context": self.trusted} if self.trusted else {}
        line = kind(self.host, timeout=600, **more)  # type: ignore[arg-type]
        given = {k.replace("_", "-"): v for k, v in headers.items()}
        line.request(method, path, body, {"Cookie": self.cookie, "Host": self.host} | given)
        answer = line.getresponse()
        told = {k.lower(): v for k, v in answer.getheaders()}
        found = answer.status, answer.read(), told
        line.close()
        return found

    def download(self, label: str) -> bytes:
        """What a button gives to save, worked out when it is pressed."""
        (file,) = (
            e.download_button.deferred_file_id
            for e in self.elements.values()
            if e.WhichOneof("type") == "download_button" and e.download_button.label == label
        )
        asked = BackMsg()
        asked.backend_operation_request.request_id = "1"
        asked.backend_operation_request.session_id = self.session
        asked.backend_operation_request.deferred_file.file_id = file
        before = len(self.answers)
        self.line.send(asked.SerializeToString())
        self._wait(lambda: len(self.answers) > before)
        return self.request("GET", self.answers[-1].deferred_file.url)[1]

    def upload(self, field: str, name: str, data: bytes) -> float:
        """Choose a file for a field, until the page shows what it does with it; seconds sending."""
        asked = BackMsg()
        asked.file_urls_request.request_id = "1"
        asked.file_urls_request.file_names.append(name)
        asked.file_urls_request.session_id = self.session
        before = len(self.answers)
        self.line.send(asked.SerializeToString())
        self._wait(lambda: len(self.answers) > before)
        urls = self.answers[-1].file_urls[0]
        begun = time.perf_counter()
        edge = "an-edge-of-no-photo"
        head = (f'--{edge}\r\nContent-Disposition: form-data; name="{name}"; filename="{name}"\r\n'
                "Content-Type: image/jpeg\r\n\r\n").encode()  # fmt: skip
        body = head + data + f"\r\n--{edge}--\r\n".encode()
        kind = f"multipart/form-data; boundary={edge}"
        asked_by = {"Content_Type": kind, "X_Xsrftoken": self.token}
        status, said, _ = self.request("PUT", urls.upload_url, body, **asked_by)
        if status != 204:
            raise RuntimeError(f"upload: {status} {said[:80]!r}")
        sent = time.perf_counter() - begun
        state = BackMsg().rerun_script.widget_states.widgets.add().file_uploader_state_value
        info = state.uploaded_file_info.add()
        info.name, info.size, info.file_id = name, len(data), urls.file_id
        info.file_urls.CopyFrom(urls)
        self.values[self.ids(field)] = ("files", state)
        self.run()
        return sent

    def close(self) -> None:
        """As a browser that is shut."""
        self._left.close()
