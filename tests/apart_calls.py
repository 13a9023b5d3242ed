"""What the process beside the program is asked to do in `unit/test_apart.py`."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from typing import Any

from kb.errors import BadInput


def own_id() -> int:
    return os.getpid()


def twice(number: int) -> int:
    return 2 * number


def never_done() -> None:
    while True:
        pass


def asleep() -> None:
    time.sleep(3600)


def fills_the_memory() -> int:
    return len(bytearray(2_000_000_000))


def falls_over() -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def fails() -> None:
    raise RuntimeError("secret words of a file")


def refuses() -> None:
    raise BadInput("It is empty.", field="file", remedy="Send another.")


class _Trap:
    def __reduce__(self) -> tuple[Any, ...]:
        return os.system, ("true",)


def answers_with_a_trap() -> object:
    return _Trap()


def counts(most: int, *, progress: Callable[[int], object]) -> str:
    for number in range(1, most + 1):
        progress(number)
    return "counted"
