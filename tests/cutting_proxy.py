"""A way between a browser and a server that a test cuts where it likes, as a workshop's radio does.

`cut_at("before")` drops the next write before the server gets it, `"after"` when the server has answered and the
browser knows nothing of it, `"middle"` in the midst of the answer. From then on nothing comes through until `mend()`.
`held(path)` keeps one answer back until its block ends.
"""

from __future__ import annotations

import contextlib
import http.client
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Literal
from urllib.parse import urlsplit

from commands import STUCK_S

Moment = Literal["before", "after", "middle"]
PATIENCE_S = 120  # for an answer that is held
_OWN = ("connection", "transfer-encoding", "keep-alive", "server", "date")


class _Held:
    """One answer that waits: `came` when the server has given it, `free` when it may go on."""

    def __init__(self) -> None:
        self.came, self.free = threading.Event(), threading.Event()


class CuttingProxy:
    """The proxy; `url` is where a browser finds the server. `writes` lists what the server was given."""

    def __init__(self, server: str) -> None:
        self.server = urlsplit(server)
        self.writes: list[str] = []
        self._lock = threading.Lock()
        self.is_cut = False
        self._moment: Moment | None = None
        self._held: dict[str, _Held] = {}
        proxy = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = (
                "HTTP/1.0"  # a connection for each request, so that none is sent again by the browser
            )

            def log_message(self, *_: object) -> None:
                pass

            def do_GET(self) -> None:
                proxy.carry(self)

            do_POST = do_PUT = do_DELETE = do_HEAD = do_GET

        self._http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._http.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._http.server_address[1]}"
        threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()

    def cut(self) -> None:
        """Cuts now."""
        self.is_cut = True

    def cut_at(self, moment: Moment) -> None:
        """Cuts at the next write."""
        self._moment = moment

    def mend(self) -> None:
        """Lets everything through again."""
        self.is_cut, self._moment = False, None

    @contextmanager
    def held(self, path: str) -> Iterator[Callable[[], None]]:
        """Keeps the next answer for this path back while the block runs. What it gives waits until the server has
        answered, so that the answer is of a moment before whatever follows.
        """
        held = self._held[path] = _Held()

        def wait() -> None:
            assert held.came.wait(PATIENCE_S), f"nobody asked for {path}"

        try:
            yield wait
        finally:
            held.free.set()

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()

    def _moment_of(self, handler: BaseHTTPRequestHandler) -> Moment | None:
        """Where this request is cut. Reading words and the like are no writes."""
        with self._lock:
            if self.is_cut:
                return "before"
            is_write = handler.command != "GET" and "/read" not in handler.path
            if not is_write or self._moment is None:
                return None
            self.is_cut = True
            return self._moment

    def carry(self, handler: BaseHTTPRequestHandler) -> None:
        body = handler.rfile.read(int(handler.headers.get("Content-Length") or 0))
        moment = self._moment_of(handler)
        if moment == "before":
            return
        connection = http.client.HTTPConnection(str(self.server.hostname), self.server.port, timeout=STUCK_S)
        headers = {name: value for name, value in handler.headers.items() if name.lower() != "connection"}
        connection.request(handler.command, handler.path, body, headers)
        answer = connection.getresponse()
        content = answer.read()
        connection.close()
        if held := self._held.pop(handler.path, None):
            held.came.set()
            held.free.wait(PATIENCE_S)
        if handler.command != "GET":
            self.writes.append(f"{handler.command} {handler.path}")
        if moment == "after":
            return
        with contextlib.suppress(ConnectionError):  # the browser may have gone on to another page
            self._answer(handler, answer, content, moment)

    def _answer(
        self,
        handler: BaseHTTPRequestHandler,
        answer: http.client.HTTPResponse,
        content: bytes,
        moment: Moment | None,
    ) -> None:
        handler.send_response_only(answer.status)
        for name, value in answer.getheaders():
            if name.lower() not in (*_OWN, "content-length"):
                handler.send_header(name, value)
        handler.send_header("Date", handler.date_time_string())
        handler.send_header("Content-Length", str(len(content)))
        handler.end_headers()
        handler.wfile.write(content[: len(content) // 2] if moment == "middle" else content)


@contextmanager
def cutting(server: str) -> Iterator[CuttingProxy]:
    """The proxy before a server, ended with the block."""
    made = CuttingProxy(server)
    try:
        yield made
    finally:
        made.close()
