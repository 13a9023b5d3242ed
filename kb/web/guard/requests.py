"""Guards around every request: under which name, from which page, how much may be sent and how slowly."""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable
from urllib.parse import unquote_to_bytes, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kb.errors import BadInput, KbError, NotAllowed
from kb.web.guard import local_accounts
from kb.web.guard.addresses import Serving
from kb.web.hosts import is_loopback

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
PROTECTIVE_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'; worker-src 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
# For pages on which a reading may be said: everything else the browser is not even asked for.
MICROPHONE_HERE = {
    "Permissions-Policy": PROTECTIVE_HEADERS["Permissions-Policy"].replace(
        "microphone=()", "microphone=(self)"
    )
}
# Half a year, the least that OWASP ASVS 4.0.3 asks for in 14.4.5 (from memory).
_HSTS = "max-age=15724800"
# What a body may take: a while to begin with, then the time its bytes need at this rate.
BODY_GRACE_S = 20.0
BODY_BYTES_PER_S = 8_000
# How a proxy betrays itself; a browser never sends these.
_PROXY_HEADERS = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip", "via")
Responder = Callable[[Scope, KbError], Response]


class Forbidden(NotAllowed):
    """The request comes from a place that may not ask."""


class BadBody(BadInput, HTTPException):
    """What was sent cannot be taken as it comes.

    An HTTPException too, since FastAPI answers 400 to all others that it meets while it reads a body.
    """

    def __init__(self, message: str, *, remedy: str | None = None) -> None:
        BadInput.__init__(self, message, remedy=remedy)
        self.status_code, self.detail, self.headers = self.status, message, None


class TooLarge(BadBody):
    """More was sent than is taken."""

    status = 413


class TooSlow(TooLarge):
    """A body came too slowly; the connection is closed with the answer."""

    status = 408


def _host_name(header: str) -> str:
    return (urlsplit(f"//{header}").hostname or "").lower()


class Guard:
    """Checks host and origin, limits bodies and adds the protective headers to every answer."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        respond: Responder,
        serving: Serving,
        max_body: Callable[[str], int],
    ) -> None:
        self._app = app
        self._respond = respond
        self._serving = serving
        self._max_body = max_body
        self._headers = {
            **PROTECTIVE_HEADERS,
            **({"Strict-Transport-Security": _HSTS} if serving.tls and not serving.own_certificate else {}),
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            raise RuntimeError("Only HTTP is spoken here.")

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
                if message["status"] == TooSlow.status:
                    headers["Connection"] = "close"
            await send(message)

        try:
            headers = Headers(scope=scope)
            self._check_host(scope, headers)
            _check_address(scope)
            self._check_proxy(headers)
            self._check_neighbour(scope)
            self._check_origin(scope, headers)
            limit = self._max_body(scope["path"])
            self._check_length(headers, limit)
        except KbError as error:
            await self._respond(scope, error)(scope, receive, send_guarded)
            return
        await self._app(scope, _limited(receive, limit), send_guarded)

    def _check_host(self, scope: Scope, headers: Headers) -> None:
        given = headers.getlist("host")
        try:
            host = _host_name(given[0]) if len(given) == 1 else ""
        except ValueError:
            host = ""
        if is_loopback(host) or (self._serving.sign_in and self._is_ours(scope, host)):
            return
        # A foreign name that resolves to this machine is how a web page reaches a local server.
        raise Forbidden(
            "This address does not belong to the program.",
            remedy="Whoever runs the program can name it in KB_HOSTS."
            if self._serving.sign_in
            else "Open it as http://127.0.0.1 instead.",
        )

    def _is_ours(self, scope: Scope, host: str) -> bool:
        """Whether a name is one we were told, or the very address that the connection came in on."""
        if host in self._serving.hosts:
            return True
        try:
            asked = ipaddress.ip_address(host)
            here = ipaddress.ip_address((scope.get("server") or ("",))[0])
        except ValueError:
            return False
        if isinstance(here, ipaddress.IPv6Address) and here.ipv4_mapped:
            here = here.ipv4_mapped
        return asked == here

    def _check_proxy(self, headers: Headers) -> None:
        """Without sign-in only this machine is answered, and a proxy would bring in everybody else."""
        if not self._serving.sign_in and any(name in headers for name in _PROXY_HEADERS):
            raise Forbidden(
                "This request came through a proxy, and nobody has to sign in here.",
                remedy="Whoever runs the program can set KB_PROXY and KB_BASE_URL.",
            )

    @staticmethod
    def _check_neighbour(scope: Scope) -> None:
        """Without sign-in nobody is answered but the account that runs the program, as far as that is known."""
        owner = scope.get("state", {}).get(local_accounts.STATE, "unknown")
        if owner == "another":
            raise Forbidden(
                "This connection comes from another account of this machine, and nobody has to sign in here.",
                remedy="Open it under the account that runs the program, or have that start it with "
                "KB_SIGN_IN=key (one browser) or KB_SIGN_IN=always (accounts).",
            )
        if owner == "gone":
            raise Forbidden(
                "The connection was closed before it was known from whom it came.", remedy="Try again."
            )

    def _check_origin(self, scope: Scope, headers: Headers) -> None:
        if scope["method"] in SAFE_METHODS:
            return
        site = headers.get("sec-fetch-site")
        origin = headers.get("origin")
        if site is not None:
            allowed = site in ("same-origin", "none")
        elif origin is not None:
            own = f"{scope['scheme']}://{headers.get('host', '')}".lower()
            allowed = origin.lower() in {own, *self._serving.origins}
        else:
            allowed = True  # not a browser; who brings a cookie must say more (kb/web/guard/door.py)
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


def _check_address(scope: Scope) -> None:
    """An address is text: what cannot be decoded would be kept and shown as something else."""
    raw = scope.get("raw_path", b"") + b"?" + scope["query_string"]
    try:
        unquote_to_bytes(raw).decode()
    except UnicodeDecodeError as error:
        raise BadInput("This address holds what is no text.", remedy="Write it in UTF-8.") from error


def _too_large(limit: int) -> TooLarge:
    return TooLarge(
        f"This is larger than {limit / 1_000_000:g} MB.", remedy="Send less at once, or import it as a file."
    )


def _limited(receive: Receive, limit: int) -> Receive:
    """The body, refused where it is larger than the limit or takes longer than its bytes need.

    The clock runs only while the body is waited for, so that an import may work on what it has got.
    """
    taken, waited, more = 0, 0.0, True

    async def receive_limited() -> Message:
        nonlocal taken, waited, more
        if not more:
            return await receive()
        clock = asyncio.get_running_loop()
        began = clock.time()
        try:
            async with asyncio.timeout(BODY_GRACE_S + taken / BODY_BYTES_PER_S - waited):
                message = await receive()
        except TimeoutError as error:
            raise TooSlow(
                "The request came too slowly.", remedy="Try again on a better connection."
            ) from error
        waited += clock.time() - began
        if message["type"] == "http.request":
            more = message.get("more_body", False)
            taken += len(message.get("body", b""))
            if taken > limit:
                raise _too_large(limit)
        return message

    return receive_limited
