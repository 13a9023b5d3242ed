"""Connections that do not behave: too many from one place, heads that never end, answers never read.

uvicorn times only idle connections between requests. This protocol gives each request head a time to
arrive and each blocked answer a time to move; how long a body may take is seen to in kb/web/guard/requests.py.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

from kb.service.accounts.throttle import place_of
from kb.web.guard import local_accounts

if TYPE_CHECKING:
    from kb.web.guard.addresses import Serving

HEAD_S = 15.0
BLOCKED_S = 60.0
# A browser opens six connections to one host; with IPv6 a place is a network of 64 bits, of which one machine
# has all addresses; what comes through a trusted proxy is not counted.
MOST_FROM_ONE_PLACE = 48
MOST_AT_ONCE = 400


class PatientProtocol(H11Protocol):
    """HTTP/1.1 with the three limits above."""

    head_s: ClassVar[float] = HEAD_S
    blocked_s: ClassVar[float] = BLOCKED_S
    most_from_one_place: ClassVar[int] = MOST_FROM_ONE_PLACE
    proxies: ClassVar[frozenset[str]] = frozenset()
    asks_whose: ClassVar[bool] = False

    _place = ""
    _head_timer: asyncio.TimerHandle | None = None
    _blocked_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        address = self.client[0] if self.client else ""
        self._place = place_of(address)
        if address not in self.proxies:
            here = sum(
                1
                for other in self.connections
                if isinstance(other, PatientProtocol) and other._place == self._place
            )
            if here > self.most_from_one_place:
                transport.abort()
                return
        if self.asks_whose and self.client and self.server and self.server[1] is not None:
            owner = local_accounts.owner_of(self.client, (self.server[0], self.server[1]))
            self.app_state = {**self.app_state, local_accounts.STATE: owner}
        self._head_timer = self.loop.call_later(self.head_s, self._give_up)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self._is_between_requests():
            # Part of a head has come; more of it does not buy more time.
            if self._head_timer is None:
                self._head_timer = self.loop.call_later(self.head_s, self._give_up)
        else:
            self._stop_head_timer()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        # The answer may have come before the request was whole, or the next head may have begun.
        if self.conn.trailing_data[0] and self._head_timer is None:
            self._head_timer = self.loop.call_later(self.head_s, self._give_up)

    def pause_writing(self) -> None:
        super().pause_writing()
        if self._blocked_timer is None:
            self._blocked_timer = self.loop.call_later(self.blocked_s, self._give_up_writing)

    def resume_writing(self) -> None:
        self._stop_blocked_timer()
        super().resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop_head_timer()
        self._stop_blocked_timer()
        super().connection_lost(exc)

    def _is_between_requests(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _give_up(self) -> None:
        self._head_timer = None
        if self._is_between_requests() and not self.transport.is_closing():
            self.transport.abort()

    def _give_up_writing(self) -> None:
        self._blocked_timer = None
        self.transport.abort()

    def _stop_head_timer(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _stop_blocked_timer(self) -> None:
        if self._blocked_timer is not None:
            self._blocked_timer.cancel()
            self._blocked_timer = None


def protocol_for(serving: Serving) -> type[PatientProtocol]:
    """The protocol with the proxies that may bring many people.

    It finds out whose account of this machine calls where nobody shows who they are.
    """
    named, asks = frozenset(serving.proxies), not serving.sign_in and serving.one_time is None

    class Protocol(PatientProtocol):
        proxies = named
        asks_whose = asks

    return Protocol
