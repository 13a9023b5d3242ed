"""An instrument for tests without any line: it answers from a table, late, wrongly or not at all."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from kb.instruments.session import Gone, Silent

NAME = "QUAYSIDE,BM-5,0042,1.7"


class Pretend:
    """A link. `answers` may be changed meanwhile; a question without an answer is met with silence.

    The answer to a question in `late` arrives with the next question, before that one's own: with `stubborn` even
    though what waited was thrown away in between. `sent` holds all that was sent.
    """

    def __init__(self, **answers: str) -> None:
        self.answers: dict[str, str | Callable[[], str]] = {
            "*IDN?": NAME,
            "MEAS:VOLT:DC?": "+5.0312E+00",
            **answers,
        }
        self.late: set[str] = set()
        self.stubborn = False
        self.gone = False
        self.sent: list[str] = []
        self.opened = 0
        self._waiting: deque[bytes] = deque()
        self._coming: deque[bytes] = deque()

    def open(self, *_: object) -> Pretend:
        """The same instrument on a new line. Raises Gone."""
        if self.gone:
            raise Gone
        self.opened += 1
        return self

    def send(self, text: str) -> None:
        """Takes a question."""
        if self.gone:
            raise Gone
        self.sent.append(text)
        self._waiting.extend(self._coming)
        self._coming.clear()
        found = self.answers.get(text)
        if found is None:
            return
        answer = (found() if callable(found) else found).encode("latin-1") + b"\n"
        (self._coming if text in self.late else self._waiting).append(answer)

    def receive(self, patience_s: float) -> bytes:
        """Hands out the oldest answer that has arrived."""
        if self.gone:
            raise Gone
        if not self._waiting:
            raise Silent
        return self._waiting.popleft()

    def empty(self) -> None:
        """Throws away what waits."""
        if self.gone:
            raise Gone
        self._waiting.clear()
        if not self.stubborn:
            self._coming.clear()

    def close(self) -> None:
        """Lets go."""
