"""When sessions and tokens were last used: noted in memory, so that reading a page writes nothing."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field


@dataclass(slots=True)
class Uses:
    """Uses by the number of a session or token, those that are not in the store yet among them.

    Moments are seconds since 1970. Everything may be called from any thread.
    """

    _sessions: dict[int, tuple[int, str]] = field(default_factory=dict)
    _tokens: dict[int, int] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def of_session(self, session_id: int, moment: int, address: str) -> None:
        """A session was used now, from this address."""
        with self._lock:
            self._sessions[session_id] = moment, address

    def of_token(self, token_id: int, moment: int) -> None:
        """A token was used now."""
        with self._lock:
            self._tokens[token_id] = moment

    def session(self, session_id: int) -> tuple[int, str]:
        """(last use, address) of a session; (0, "") where none is waiting to be kept."""
        return self._sessions.get(session_id, (0, ""))

    def token(self, token_id: int) -> int:
        """The last use of a token, 0 where none is waiting to be kept."""
        return self._tokens.get(token_id, 0)

    def waiting(self) -> tuple[dict[int, tuple[int, str]], dict[int, int]]:
        """What is not in the store yet, of sessions and of tokens."""
        with self._lock:
            return dict(self._sessions), dict(self._tokens)

    def forget(self, sessions: dict[int, tuple[int, str]], tokens: dict[int, int]) -> None:
        """Leaves out what is in the store now, unless it was used again meanwhile."""
        with self._lock:
            for number, use in sessions.items():
                if self._sessions.get(number) == use:
                    del self._sessions[number]
            for number, moment in tokens.items():
                if self._tokens.get(number) == moment:
                    del self._tokens[number]
