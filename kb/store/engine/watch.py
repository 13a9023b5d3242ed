"""Watches a shared database: who has written, and whether it can be reached at all.

One thread with a connection of its own listens for what writers announce at their commit and asks for a
sign of life in between. Where the database is silent, all questions under way are broken off, since a
server that was stopped without closing its connections would keep them waiting for ever; and until it
answers again, new ones are refused at once instead of each waiting for itself.
"""

from __future__ import annotations

import logging
import select
import socket
import threading
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import psycopg
from psycopg.pq import ExecStatus
from sqlalchemy import Engine, event

from kb.errors import StoreAway
from kb.store.engine import postgresql

log = logging.getLogger(__name__)
_ANSWER_S = 2.0
_BETWEEN_TRIES_S = 0.5
_SLOWEST_TRIES_S = 5.0


@dataclass(frozen=True, slots=True)
class Away:
    """The database cannot be reached: since when, and why."""

    since: datetime = field(default_factory=lambda: datetime.now(UTC))
    message: str = "The database server does not answer."
    remedy: str = ""

    @property
    def told(self) -> str:
        """Since when and why, in words."""
        return f"Cut off from the database since {self.since.astimezone():%H:%M:%S}. {self.message}"

    def error(self) -> StoreAway:
        """A new error to raise."""
        return StoreAway(
            f"{self.told} Nothing can be saved or opened until it is back.",
            remedy=f"{self.remedy} Searching and diagnosing go on with what is kept here.".strip(),
        )


class Watch:
    """A thread that watches until `stop`. `on_change` is called in it, and must not raise."""

    def __init__(self, engine: Engine, on_change: Callable[[], None], interval_s: float) -> None:
        self.away: Away | None = None
        self._engine = engine
        self._on_change = on_change
        self._interval_s = interval_s
        self._lock = threading.Lock()
        self._open: dict[int, psycopg.Connection[Any]] = {}
        self._ended = threading.Event()
        # One byte wakes the thread out of its waiting.
        self._ear, self._mouth = socket.socketpair()
        self._mouth.setblocking(False)
        event.listen(engine, "connect", self._note)
        event.listen(engine, "close", self._forget)
        event.listen(engine, "close_detached", self._forget_detached)
        self._thread = threading.Thread(target=self._run, name="database watch", daemon=True)
        # Connections made before the watch began would not be known to it.
        engine.dispose()
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread."""
        self._ended.set()
        self._wake()
        self._thread.join()
        for one in (self._ear, self._mouth):
            one.close()

    def lost(self, error: StoreAway) -> Away:
        """Notes that somebody could not reach the database; the thread finds out when it is back."""
        with self._lock:
            if self.away is None:
                log.warning("cut off from the database: %s", error.message)
                self.away = Away(message=error.message, remedy=error.remedy or "")
            away = self.away
        self._wake()
        return away

    def _wake(self) -> None:
        with suppress(OSError):
            self._mouth.send(b"!")

    def _note(self, connection: psycopg.Connection[Any], _record: object) -> None:
        with self._lock:
            self._open[id(connection)] = connection

    def _forget(self, connection: psycopg.Connection[Any], _record: object) -> None:
        with self._lock:
            self._open.pop(id(connection), None)

    def _forget_detached(self, connection: psycopg.Connection[Any]) -> None:
        self._forget(connection, None)

    def _break_off(self) -> None:
        """Ends whatever waits for an answer that will not come."""
        with self._lock:
            waiting = list(self._open.values())
        for connection in waiting:
            with suppress(OSError, psycopg.Error):
                line = socket.fromfd(connection.fileno(), socket.AF_INET, socket.SOCK_STREAM)
                with line:
                    line.shutdown(socket.SHUT_RDWR)

    def _run(self) -> None:
        pause = _BETWEEN_TRIES_S
        while not self._ended.is_set():
            try:
                with closing(self._connect()) as connection:  # never waits for the server, unlike `with`
                    self._ask(connection, f"LISTEN {postgresql.CHANNEL}")
                    pause = _BETWEEN_TRIES_S
                    self._follow(connection)
            except (psycopg.Error, OSError, TimeoutError) as error:
                if self._ended.is_set():
                    return
                self.lost(postgresql.away(str(error)))
                self._break_off()
                self._engine.dispose()
                self._ended.wait(pause)
                pause = min(2 * pause, _SLOWEST_TRIES_S)
            except Exception:
                log.exception("the watch over the database stumbled")
                self._ended.wait(_SLOWEST_TRIES_S)

    def _connect(self) -> psycopg.Connection[Any]:
        arguments, options = self._engine.dialect.create_connect_args(self._engine.url)
        return psycopg.connect(*arguments, **{**options, **postgresql.connect_options(), "autocommit": True})

    def _follow(self, connection: psycopg.Connection[Any]) -> None:
        """Listens until the connection breaks or nothing is answered in time."""
        while not self._ended.is_set():
            if self.away is not None:
                log.warning("the database answers again")
                self.away = None
            self._on_change()  # also for what was announced while nobody listened
            if not self._wait(connection, self._interval_s):
                self._ask(connection, "SELECT 1")

    def _wait(self, connection: psycopg.Connection[Any], seconds: float) -> bool:
        """Whether something was announced within so many seconds; also ends when somebody wakes it."""
        readable, _, _ = select.select([connection.fileno(), self._ear.fileno()], [], [], seconds)
        if self._ear.fileno() in readable:
            self._ear.recv(4096)
        if connection.fileno() not in readable:
            return False
        return self._take(connection)

    @staticmethod
    def _take(connection: psycopg.Connection[Any]) -> bool:
        line = connection.pgconn
        line.consume_input()
        heard = False
        while line.notifies() is not None:
            heard = True
        return heard

    @staticmethod
    def _ask(connection: psycopg.Connection[Any], question: str) -> None:
        """Asks, and waits no longer than `_ANSWER_S` seconds. Raises TimeoutError, psycopg.Error."""
        line = connection.pgconn
        line.send_query(question.encode())
        end = time.monotonic() + _ANSWER_S
        while True:
            line.flush()
            if not line.is_busy():
                result = line.get_result()
                if result is None:
                    return
                if result.status not in (ExecStatus.TUPLES_OK, ExecStatus.COMMAND_OK):
                    raise psycopg.OperationalError(result.error_message.decode(errors="replace"))
                continue
            left = end - time.monotonic()
            if left <= 0 or not select.select([line.socket], [], [], left)[0]:
                raise TimeoutError("the database server does not answer")
            line.consume_input()
