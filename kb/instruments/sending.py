"""Sends readings to a server: in order, each once, for as long as it takes until the server has them."""

from __future__ import annotations

import json
import secrets
import ssl
import urllib.error
import urllib.request
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from kb.errors import BadInput, InstrumentTrouble
from kb.instruments.feeds import MOST_AT_ONCE
from kb.instruments.responses import Measured

MOST_WAITING = 100_000  # a day of a reading a second; the oldest are given up then, and that is said
_ANSWER_S = 20.0
_LONGEST_WAIT_S = 30.0
# What is worth trying again: the server is away, busy, or cut off from its database.
_LATER = frozenset({408, 425, 429, 500, 502, 503, 504})
_PATH = "/api/instruments/readings"

Post = Callable[[bytes, str], tuple[int, bytes]]


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings that are sent together, word for word the same each time, under a key of their own."""

    body: bytes
    key: str
    count: int


def poster(server: str, token: str, authority: Path | None = None) -> Post:
    """What posts to a server, with its certificate proved. Raises BadInput for an address that is none.

    A token leaves this computer by HTTPS alone, or to this computer itself.
    """
    parts = urlsplit(server)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.query:
        raise BadInput(
            "This is no address of a server.", remedy="Write it as in a browser: https://bench.lan:8765"
        )
    if parts.scheme == "http" and parts.hostname not in ("127.0.0.1", "localhost", "::1"):
        raise BadInput(
            "Without HTTPS the token would cross the network as it is.",
            remedy="Serve with a certificate, and write https:// here.",
        )
    try:
        context = ssl.create_default_context(cafile=str(authority) if authority else None)
    except (OSError, ssl.SSLError) as error:
        raise BadInput(f"{authority} holds no certificate.", remedy="Name a file in PEM form.") from error
    opener = urllib.request.build_opener(
        urllib.request.HTTPSHandler(context=context), urllib.request.ProxyHandler({}), _NoRedirect()
    )
    url = f"{parts.scheme}://{parts.netloc}{parts.path.rstrip('/')}{_PATH}"

    def post(body: bytes, key: str) -> tuple[int, bytes]:
        headers = {
            "Content-Type": "application/json",
            "Authorization": f"Bearer {token}",
            "Idempotency-Key": key,
        }
        request = urllib.request.Request(url, body, headers, method="POST")
        try:
            with opener.open(request, timeout=_ANSWER_S) as answer:
                return int(answer.status), bytes(answer.read(100_000))
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read(100_000)

    return post


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """Follows nowhere: a token is for the server that was named."""

    def redirect_request(self, *given: Any, **named: Any) -> None:
        return None


class Sender:
    """Keeps readings until the server has them. `clock` runs evenly (s); nothing here waits by itself."""

    def __init__(self, name: str, post: Post, clock: Callable[[], float]) -> None:
        self._name = name
        self._post = post
        self._clock = clock
        self._readings: deque[dict[str, Any]] = deque()
        self._batch: Batch | None = None
        self._tries = 0
        self.given_up = 0
        self.sent = 0

    @property
    def waiting(self) -> int:
        """How many readings the server does not have yet."""
        return len(self._readings) + (self._batch.count if self._batch else 0)

    def add(self, quantity: str, measured: Measured) -> None:
        """One more reading, of now. What has no valid value is none."""
        if measured.state == "none":
            return
        entry: dict[str, Any] = {"at_s": round(self._clock(), 3), "quantity": quantity}
        if measured.value is not None:
            entry["value"] = float(measured.value)
        else:
            entry["beyond"] = measured.state
        self._readings.append(entry)
        if len(self._readings) > MOST_WAITING:
            self._readings.popleft()
            self.given_up += 1

    def send(self) -> str:
        """Sends what waits. "" where the server has it, else why not: then it is tried again, see `pause_s`.

        Raises InstrumentTrouble where trying again is of no use: a bad token, a name that is taken.
        """
        while self._batch or self._readings:
            if self._batch is None:
                first = [self._readings.popleft() for _ in range(min(MOST_AT_ONCE, len(self._readings)))]
                body = {"instrument": self._name, "sent_s": round(self._clock(), 3), "readings": first}
                self._batch = Batch(json.dumps(body).encode(), secrets.token_hex(16), len(first))
            try:
                status, answer = self._post(self._batch.body, self._batch.key)
            except (OSError, ValueError) as error:
                self._tries += 1
                return _why(error)
            if status in _LATER:
                self._tries += 1
                return f"the server answers {status}"
            if status != 200:
                raise _refused(status, answer)
            self._tries = 0
            self.sent += self._batch.count
            self._batch = None
        return ""

    @property
    def pause_s(self) -> float:
        """How long to wait before the next try: 1, 2, 4 … up to 30 s."""
        return min(_LONGEST_WAIT_S, 2.0 ** max(0, self._tries - 1))


def _why(error: Exception) -> str:
    reason = getattr(error, "reason", error)
    if isinstance(reason, ssl.SSLCertVerificationError):
        # Trying again would not help by itself, but a server whose certificate is renewed is let in then.
        return "the server's certificate is not trusted here (name its file with --ca)"
    return f"the server cannot be reached ({getattr(reason, 'strerror', None) or type(reason).__name__})"


def _refused(status: int, answer: bytes) -> InstrumentTrouble:
    try:
        error = json.loads(answer)["error"]
        return InstrumentTrouble(
            str(error["message"])[:300], remedy=str(error.get("remedy", ""))[:300] or None
        )
    except (ValueError, KeyError, TypeError):
        return InstrumentTrouble(
            f"The server refused the readings ({status}).",
            remedy="Is it the address of the board fault book?",
        )
