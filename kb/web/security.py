"""Guards around every request: who may ask, from which page, and how much may be sent."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kb.errors import BadInput, KbError

_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
PROTECTIVE_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cross-Origin-Opener-Policy": "same-origin",
}
# The API's own documentation page is the one that needs the documentation viewer's inline start.
Responder = Callable[[Scope, KbError], Response]


class Forbidden(KbError):
    """The request comes from a place that may not ask."""

    status = 403


class TooLarge(BadInput, HTTPException):
    """More was sent than is taken.

    An HTTPException too, since FastAPI answers 400 to all others that it meets while it reads a body.
    """

    status = 413

    def __init__(self, message: str, *, remedy: str | None = None) -> None:
        BadInput.__init__(self, message, remedy=remedy)
        self.status_code, self.detail, self.headers = self.status, message, None


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _host_name(header: str) -> str:
    return (urlsplit(f"//{header}").hostname or "").lower()


class Guard:
    """Checks host and origin, limits bodies and adds the protective headers to every answer."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        respond: Responder,
        extra_hosts: frozenset[str] = frozenset(),
        max_body: Callable[[str], int],
    ) -> None:
        self._app = app
        self._respond = respond
        self._extra_hosts = extra_hosts
        self._max_body = max_body

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in PROTECTIVE_HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            headers = Headers(scope=scope)
            self._check_host(headers)
            self._check_origin(scope, headers)
            limit = self._max_body(scope["path"])
            self._check_length(headers, limit)
        except KbError as error:
            await self._respond(scope, error)(scope, receive, send_guarded)
            return
        await self._app(scope, _limited(receive, limit), send_guarded)

    def _check_host(self, headers: Headers) -> None:
        try:
            host = _host_name(headers.get("host", ""))
        except ValueError:
            host = ""
        if not (is_loopback(host) or host in self._extra_hosts):
            # A foreign name that resolves to this machine is how a web page reaches a local server.
            raise Forbidden(
                "This address does not belong to the program.", remedy="Open it as http://127.0.0.1 instead."
            )

    def _check_origin(self, scope: Scope, headers: Headers) -> None:
        if scope["method"] in _SAFE_METHODS:
            return
        site = headers.get("sec-fetch-site")
        origin = headers.get("origin")
        if site is not None:
            allowed = site in ("same-origin", "none")
        elif origin is not None:
            allowed = origin.lower().partition("://")[2] == headers.get("host", "").lower()
        else:
            allowed = True  # not a browser
        if not allowed:
            raise Forbidden(
                "This request came from another web page and was refused.",
                remedy="Save from a page of this program.",
            )

    @staticmethod
    def _check_length(headers: Headers, limit: int) -> None:
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()):
            raise BadInput("The length of the request is not a number.")
        if len(length) > 18 or int(length) > limit:
            raise _too_large(limit)


def _too_large(limit: int) -> TooLarge:
    return TooLarge(
        f"This is larger than {limit / 1_000_000:g} MB.", remedy="Send less at once, or import it as a file."
    )


def _limited(receive: Receive, limit: int) -> Receive:
    taken = 0

    async def receive_limited() -> Message:
        nonlocal taken
        message = await receive()
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > limit:
                raise _too_large(limit)
        return message

    return receive_limited
