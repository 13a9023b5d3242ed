"""How many requests of each kind are worked on at once, so that none of the kinds can take all threads.

The framework answers in threads of one pool. Forty uploads that wait for the decoder, or as many downloads to slow
readers, would leave none for a page, for signing in or for `/api/health`. Each kind has its own share here, the rest
of its kind waits without a thread, and the pool is as large as all shares together.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import anyio.to_thread
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from kb.errors import KbError, StoreTrouble
from kb.web.guard.requests import SAFE_METHODS

# (worked on at once, waiting at most) of each kind. Little of it computes at one time: the machine has few cores.
SHARES = {"read": (24, 200), "write": (12, 100), "upload": (12, 40), "download": (8, 40)}
# For what is never made to wait: who asks, signing in, health, files of the pages.
_FREE = 24
_THREADS = sum(share for share, _ in SHARES.values()) + _FREE
PATIENCE_S = 30.0
# A reading waits for its instrument without a thread, and each instrument has one owner at a time.
_ALWAYS = (
    "/static/",
    "/api/health",
    "/sign-in",
    "/sign-out",
    "/set-up/",
    "/metrics",
    "/api/instruments/",
    "/instruments/look",
)
_DOWNLOADS = ("/api/export", "/data/take-out/file", "/data/share/file", "/data/backups/")
Responder = Callable[[Scope, KbError], Response]


class _Busy(StoreTrouble):
    """Too much is asked at once."""


class Turns:
    """Lets a share of each kind of request in at once; the door has let them in before."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        respond: Responder,
        is_upload: Callable[[str], bool],
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._app = app
        self._respond = respond
        self._is_upload = is_upload
        self._patience_s = patience_s
        self._turns = {kind: asyncio.Semaphore(share) for kind, (share, _) in SHARES.items()}
        self._waiting = dict.fromkeys(SHARES, 0)

    def kind_of(self, method: str, path: str) -> str | None:
        """Which share a request belongs to; None for what is never made to wait."""
        if path.startswith(_ALWAYS):
            return None
        if path.startswith(_DOWNLOADS):
            return "download"
        if method in SAFE_METHODS:
            return "read"
        return "upload" if self._is_upload(path) else "write"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        anyio.to_thread.current_default_thread_limiter().total_tokens = _THREADS
        kind = self.kind_of(scope["method"], scope["path"])
        if kind is None:
            await self._app(scope, receive, send)
            return
        if not await self._turn(kind):
            busy = _Busy(
                "Too much is asked at once.",
                remedy="Nothing was lost and nothing was saved. Try again in a moment.",
            )
            await self._respond(scope, busy)(scope, receive, send)
            return
        try:
            await self._app(scope, receive, send)
        finally:
            self._turns[kind].release()

    async def _turn(self, kind: str) -> bool:
        turn = self._turns[kind]
        if turn.locked() and self._waiting[kind] >= SHARES[kind][1]:
            return False
        self._waiting[kind] += 1
        try:
            async with asyncio.timeout(self._patience_s):
                await turn.acquire()
        except TimeoutError:
            return False
        finally:
            self._waiting[kind] -= 1
        return True
