"""A thread for each instrument: the only one that speaks to it, so that no request waits in a thread of its own.

What is asked comes through a queue of bounded length and is answered by a future. Between the questions the thread
samples, where a log or somebody's lowest and highest is being recorded. A line that nobody used for a while is let go
of, so that other programs can have the instrument.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from typing import Any

from kb.errors import InstrumentTrouble, KbError
from kb.instruments.session import Gone, Session

log = logging.getLogger(__name__)
_MOST_WAITING = 4
_IDLE_S = 15.0
_END_S = 2.0


class Worker:
    """Works off what is asked of one instrument. `open_session` raises what `Session` raises, and Gone."""

    def __init__(self, name: str, open_session: Callable[[], Session], *, idle_s: float = _IDLE_S) -> None:
        self._open_session = open_session
        self._idle_s = idle_s
        self._queue: queue.Queue[tuple[Callable[[Session], Any], Future[Any]] | None] = queue.Queue(
            _MOST_WAITING
        )
        self._session: Session | None = None
        self._sample: Callable[[Session | None, KbError | None], None] | None = None
        self._interval_s = 0.0
        self._next = 0.0
        self._ending = False
        # A daemon, so that an instrument that hangs in a driver holds up no end of the program.
        self._thread = threading.Thread(target=self._run, name=f"instrument {name}", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[Session], Any]) -> Future[Any]:
        """Has something asked; the future fails with what the session raises. Raises InstrumentTrouble where too
        much waits already."""
        future: Future[Any] = Future()
        try:
            self._queue.put_nowait((work, future))
        except queue.Full:
            raise InstrumentTrouble(
                "It is still busy with what was asked of it before.",
                remedy="Try again in a moment.",
            ) from None
        return future

    def sample(self, every_s: float, take: Callable[[Session | None, KbError | None], None] | None) -> None:
        """From now on has `take` called every so many seconds, with the session or why there is none; None ends it."""
        self._interval_s, self._next = every_s, time.monotonic()
        self._sample = take
        with suppress(queue.Full):  # then it wakes up soon enough
            self._queue.put_nowait((_nothing, Future()))

    def close(self) -> None:
        """Ends the thread; one that hangs in a driver is left behind."""
        self._ending, self._sample = True, None
        with suppress(queue.Full):
            self._queue.put_nowait(None)
        self._thread.join(_END_S)

    def _run(self) -> None:
        while not self._ending:
            sampling = self._sample is not None
            wait_s = max(0.0, self._next - time.monotonic()) if sampling else self._idle_s
            try:
                entry = self._queue.get(timeout=wait_s) if wait_s > 0 else self._queue.get_nowait()
            except queue.Empty:
                if sampling:
                    self._take_sample()
                else:
                    self._let_go()
                    entry = self._queue.get()
                    self._do(entry)
                continue
            self._do(entry)
        self._let_go()

    def _do(self, entry: tuple[Callable[[Session], Any], Future[Any]] | None) -> None:
        if entry is None:
            return
        work, future = entry
        if work is _nothing or not future.set_running_or_notify_cancel():
            return
        try:
            future.set_result(work(self._opened()))
        except KbError as error:
            self._let_go()
            future.set_exception(error)
        except Exception as error:
            log.exception("an instrument could not be asked")
            self._let_go()
            future.set_exception(error)

    def _opened(self) -> Session:
        if self._session is None:
            try:
                self._session = self._open_session()
            except Gone as error:
                raise InstrumentTrouble(
                    "It cannot be reached: it is unplugged, switched off or at another address.",
                    remedy="Plug it in, switch it on, and take the reading again.",
                ) from error
        return self._session

    def _let_go(self) -> None:
        session, self._session = self._session, None
        if session is not None:
            session.close()

    def _take_sample(self) -> None:
        # From the planned moment, so that a slow answer does not shift all that follow.
        self._next = max(self._next + self._interval_s, time.monotonic())
        take = self._sample
        if take is None:
            return
        try:
            take(self._opened(), None)
        except KbError as error:
            self._let_go()
            take(None, error)
        except Exception:
            log.exception("an instrument could not be sampled")
            self._let_go()
            take(None, InstrumentTrouble("It cannot be read.", remedy="Look into the log of the program."))


def _nothing(session: Session) -> None:
    """Only wakes the thread up."""
