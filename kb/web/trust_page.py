"""A page by plain HTTP that hands out the certificate of this machine's own authority, and nothing else.

A phone that does not trust the authority yet would have to pass by its browser's warning to fetch the certificate by
HTTPS, which is what nobody should learn. On the way by plain HTTP it can be exchanged, so the phone shows its
fingerprint and the screen of the serving machine another, and people compare them. Nothing of the store is here,
nothing is read of a request but its first line, and every answer ends its connection.
"""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from contextlib import suppress
from functools import cached_property

from kb import assets
from kb.web.reach import Reach
from kb.web.rendering import environment

CERTIFICATE = "/board-fault-book.crt"
CERTIFICATE_TYPE = "application/x-x509-ca-cert"
_HEAD_BYTES, _HEAD_S, _ANSWER_S, _MOST_AT_ONCE = 8_192, 10.0, 30.0, 32
_HEADERS = (
    "Connection: close\r\nCache-Control: no-store\r\nX-Content-Type-Options: nosniff\r\n"
    "Content-Security-Policy: default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'\r\n"
)


class TrustPage:
    """Answers on a socket for as long as it is open; `reach` says what is handed out now."""

    def __init__(self, reach: Callable[[], Reach | None], shop_name: str) -> None:
        self._reach = reach
        self._shop_name = shop_name
        self._server: asyncio.Server | None = None
        self._here = 0

    async def start(self, listener: socket.socket) -> None:
        """Begins to answer."""
        self._server = await asyncio.start_server(self._converse, sock=listener, limit=_HEAD_BYTES)

    async def stop(self) -> None:
        """Ends; what is being answered is answered."""
        if self._server:
            self._server.close()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._here += 1
        try:
            if self._here <= _MOST_AT_ONCE:
                async with asyncio.timeout(_HEAD_S):
                    head = await reader.readuntil(b"\r\n\r\n")
                writer.write(self.answer(head))
                async with asyncio.timeout(_ANSWER_S):
                    await writer.drain()
        except (TimeoutError, asyncio.IncompleteReadError, asyncio.LimitOverrunError, OSError):
            pass  # somebody who does not speak, or has gone
        finally:
            self._here -= 1
            with suppress(OSError):
                writer.close()

    def answer(self, head: bytes) -> bytes:
        """The whole answer to the head of a request."""
        method, _, rest = head.partition(b"\r\n")[0].partition(b" ")
        path = rest.partition(b" ")[0].partition(b"?")[0].decode("ascii", "replace")
        reach = self._reach()
        if method not in (b"GET", b"HEAD") or reach is None or reach.authority is None:
            return self._whole(
                "405 Method Not Allowed", "text/plain", b"Only pages are shown here.\n", method
            )
        if path == "/":
            return self._whole("200 OK", "text/html; charset=utf-8", self._page(reach), method)
        if path == CERTIFICATE:
            return self._whole("200 OK", CERTIFICATE_TYPE, reach.authority, method)
        if path in ("/sheet.css", "/forms.css"):
            return self._whole("200 OK", "text/css; charset=utf-8", self._styles[path], method)
        return self._whole("404 Not Found", "text/plain", b"There is nothing here.\n", method)

    @cached_property
    def _styles(self) -> dict[str, bytes]:
        folder = assets.folder("static") / "css"
        return {f"/{name}": (folder / name).read_bytes() for name in ("sheet.css", "forms.css")}

    def _page(self, reach: Reach) -> bytes:
        template = environment().get_template("connect/trust.html")
        context = {
            "shop_name": self._shop_name,
            "address": reach.addresses[0],
            "certificate_path": CERTIFICATE,
        }
        return template.render(context).encode()

    @staticmethod
    def _whole(status: str, kind: str, content: bytes, method: bytes) -> bytes:
        head = (
            f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {len(content)}\r\n{_HEADERS}\r\n"
        )
        return head.encode("ascii") + (b"" if method == b"HEAD" else content)
