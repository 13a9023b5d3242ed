"""Work on what was sent, in a process beside this one that can be stopped.

A decoder or parser that meets a hostile file may take for ever, fill the memory or fall over. Here it does so in
a process of its own, under limits of processor time, time and memory; a call that breaks them is answered with a
sentence, its process is ended, and the next call gets a new one. Processes start with the first call and end
when they have been idle for a while, so that somebody who never sends a file has none.

Answers are unpickled with a list of what may be in them: a decoder that was taken over must not get further.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import io
import os
import pickle
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, is_dataclass, replace
from typing import Any, NoReturn, ParamSpec, TypeVar
from weakref import WeakSet

from kb import system
from kb.apart.framing import received, send
from kb.errors import BadInput, StoreTrouble, TooSoon

P = ParamSpec("P")
R = TypeVar("R")

IDLE_S = 120.0
_BETWEEN_LOOKS_S = 0.05
_START_CPU_S = 2.0
"""What starting may take of the processor, where a process is looked at from outside."""
_ARRAYS = frozenset({"_reconstruct", "_frombuffer", "scalar", "ndarray", "dtype"})
_POOLS: WeakSet[Pool] = WeakSet()


@dataclass(frozen=True, slots=True)
class Limits:
    """What one call may take: processor time, time altogether, and memory with the program's own.

    After `calls` a process is replaced, lest what decoders leave behind piles up; the next call waits for a new one.
    """

    cpu_s: float
    wall_s: float
    memory_bytes: int = 2_000_000_000
    calls: int = 200


class _Answers(pickle.Unpickler):
    """Plain values, frozen values of the program and arrays; nothing that could run."""

    def find_class(self, module: str, name: str) -> Any:
        if module.startswith("kb."):
            found = getattr(importlib.import_module(module), name)
            if isinstance(found, type) and is_dataclass(found):
                return found
        elif module.split(".")[0] == "numpy" and name in _ARRAYS:
            return getattr(importlib.import_module(module), name)
        raise pickle.UnpicklingError(f"{module}.{name} is nothing to be answered")


class _Stopped(Exception):
    """A process ended in the middle of a call."""


class _Process:
    def __init__(self, limits: Limits) -> None:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(path or os.getcwd() for path in sys.path)}
        # More threads would only cost memory that is limited.
        environment.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1", MALLOC_ARENA_MAX="2")
        self.calls, self.overtime, self.overfull, self._answers = 0, False, False, True
        self._child = subprocess.Popen(
            [sys.executable, "-m", "kb.apart.worker", str(limits.memory_bytes)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
            **system.without_window(),
        )

    def call(self, message: Any, limits: Limits, progress: Callable[[Any], Any] | None) -> tuple[Any, ...]:
        """The answer. Raises _Stopped when the process ended or was ended at its limits."""
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        self.calls += 1
        answered = threading.Event()
        threading.Thread(target=self._watch, args=(limits, answered), daemon=True).start()
        try:
            send(self._child.stdin, message)
            while True:
                body = received(self._child.stdout)
                answer: tuple[Any, ...] = _Answers(io.BytesIO(body)).load()
                if answer[0] != "progress":
                    return answer
                if progress is not None:
                    progress(answer[1])
        except (EOFError, OSError, pickle.UnpicklingError, AttributeError, IndexError, TypeError) as error:
            self._answers = False
            raise _Stopped from error
        finally:
            answered.set()

    def _watch(self, limits: Limits, answered: threading.Event) -> None:
        """Ends the process when its time is over; looks at what else it takes where the system does not."""
        if system.limits_memory():
            if not answered.wait(limits.wall_s):
                self.overtime = True
                self._child.kill()
            return
        used, until = system.Used(self._child.pid), time.monotonic() + limits.wall_s
        begun_s = (used.now() or (0.0, 0))[0] + _START_CPU_S
        while not answered.wait(_BETWEEN_LOOKS_S):
            cpu_s, memory_bytes = used.now() or (0.0, 0)
            self.overtime = time.monotonic() > until or cpu_s - begun_s > limits.cpu_s
            self.overfull = memory_bytes > limits.memory_bytes
            if self.overtime or self.overfull:
                self._child.kill()
                return

    def end(self) -> None:
        """Ends the process, whatever it does; `overtime` says whether it had used up its time."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            # Where it has ended by itself, the system may need a moment to say so.
            status = self._child.wait(0.0 if self._answers else 1.0)
            self.overtime |= system.ended_by_processor_time(status)
        self._child.kill()
        for stream in (self._child.stdin, self._child.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        self._child.wait()


class Pool:
    """One process at a time for one kind of work, and a short queue before it.

    `what` and `remedy` are said to people: "This picture", "Save it again as JPEG and send that.".
    """

    def __init__(
        self, what: str, remedy: str, limits: Limits, *, most_waiting: int = 16, idle_s: float = IDLE_S
    ) -> None:
        self.what, self.remedy, self.limits = what, remedy, limits
        self._most_waiting, self._idle_s = most_waiting, idle_s
        self._forget()
        _POOLS.add(self)

    def _forget(self) -> None:
        """Begins without a process; one that belongs to a parent is left to it."""
        self._busy, self._count = threading.Lock(), threading.Lock()
        self._waiting = 0
        self._process: _Process | None = None
        self._idle: threading.Timer | None = None

    def run(self, function: Callable[P, R], *given: P.args, **none: P.kwargs) -> R:
        """Calls a function of a module, with values that can be pickled, and returns what it returns.

        Raises BadInput where the function does, where the limits were not enough or the process fell over,
        TooSoon where too many wait, and StoreTrouble where no process can be started.
        """
        return self._run(function, given, None, self.limits)

    def run_reporting(
        self, function: Callable[..., R], *given: Any, progress: Callable[[Any], Any] | None, cpu_s: float
    ) -> R:
        """The same for long work, which says how long it may take and calls `progress`.

        The function gets a `progress` of its own; what it says there is said here.
        """
        limits = replace(self.limits, cpu_s=cpu_s, wall_s=3 * cpu_s)
        return self._run(function, given, progress or (lambda _: None), limits)

    def _run(
        self,
        function: Callable[..., R],
        given: tuple[Any, ...],
        progress: Callable[[Any], Any] | None,
        limits: Limits,
    ) -> R:
        with self._count:
            if self._waiting >= self._most_waiting:
                raise TooSoon(
                    f"{self.what} has to wait: too many are being opened.",
                    seconds=10,
                    remedy="Try again in a moment.",
                )
            self._waiting += 1
        try:
            with self._busy:
                return self._answer(function, given, progress, limits)
        finally:
            with self._count:
                self._waiting -= 1

    def _answer(
        self,
        function: Callable[..., R],
        given: tuple[Any, ...],
        progress: Callable[[Any], Any] | None,
        limits: Limits,
    ) -> R:
        process = self._ready()
        message = (function.__module__, function.__name__, given, progress is not None, limits.cpu_s)
        keep = False
        try:
            answer = process.call(message, limits, progress)
            keep = answer[0] in ("done", "refused", "system") and process.calls < limits.calls
        except _Stopped:
            answer = ("memory",) if process.overfull else ("stopped",)
        finally:
            if keep:
                self._end_when_idle()
            else:
                self._end()
        if answer[0] == "done":
            result: R = answer[1]
            return result
        self._refuse(answer, process.overtime, limits)

    def _ready(self) -> _Process:
        if self._idle is not None:
            self._idle.cancel()
        if self._process is None:
            try:
                self._process = _Process(self.limits)
            except OSError as error:
                raise StoreTrouble(
                    f"No process can be started to open files: {error.strerror}.",
                    remedy="Close other programs and send it again.",
                ) from error
        return self._process

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.end()

    def _end_when_idle(self) -> None:
        self._idle = threading.Timer(self._idle_s, self._end_idle)
        self._idle.daemon = True
        self._idle.start()

    def _end_idle(self) -> None:
        if self._busy.acquire(blocking=False):
            try:
                self._end()
            finally:
                self._busy.release()

    def close(self) -> None:
        """Ends the process, if there is one; the next call starts another."""
        if self._idle is not None:
            self._idle.cancel()
        self._end()

    def _refuse(self, answer: tuple[Any, ...], overtime: bool, limits: Limits) -> NoReturn:
        how, *more = answer
        if how == "refused":
            raise BadInput(more[0], field=more[1], remedy=more[2])
        if how == "system":
            raise OSError(*more)
        if how == "memory":
            why = f"needs more than {limits.memory_bytes // 1_000_000:,} MB of memory to open"
        elif overtime:
            why = f"takes longer than {limits.cpu_s:g} s to open"
        else:
            why = "cannot be opened: what reads it gave up"
        raise BadInput(f"{self.what} {why}.", field="file", remedy=self.remedy)


def _close_all() -> None:
    for pool in list(_POOLS):
        pool.close()


def _forget_all() -> None:
    for pool in list(_POOLS):
        pool._forget()


atexit.register(_close_all)
# A child that is forked must neither use nor end the process of its parent.
system.after_fork_in_child(_forget_all)
