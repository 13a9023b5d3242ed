"""The process that opens what was sent: calls in on standard input, answers out on standard output.

It holds no records and no keys, and whatever goes wrong in it ends with it. Run as `python -m kb.apart.worker`.
"""

from __future__ import annotations

import contextlib
import importlib
import math
import os
import pickle
import signal
import sys
import time
from typing import Any, BinaryIO

from kb.apart.framing import received, send
from kb.errors import BadInput

try:
    import resource
except ImportError:  # not on Windows, where the time limit of the other side has to do
    resource = None  # type: ignore[assignment]


def _limit(memory_bytes: int) -> None:
    if resource is None:
        return
    with contextlib.suppress(ValueError, OSError):  # a lower limit of the system's own stays
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))


def _allow_seconds(seconds: float) -> None:
    """Processor time for the call that follows; SIGXCPU ends the process when it is used up."""
    if resource is None:
        return
    hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
    with contextlib.suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(time.process_time() + seconds), hard))


def _answer(call: tuple[str, str, tuple[Any, ...], bool, float], out: BinaryIO) -> tuple[Any, ...]:
    module, name, given, reports, seconds = call
    _allow_seconds(seconds)
    more = {"progress": lambda count: send(out, ("progress", count))} if reports else {}
    try:
        return "done", getattr(importlib.import_module(module), name)(*given, **more)
    except BadInput as error:
        return "refused", error.message, error.field, error.remedy
    except MemoryError:
        return ("memory",)
    except OSError as error:
        return "system", error.errno, error.strerror
    except Exception as error:
        return "broken", f"{type(error).__name__} in {module}.{name}"


def main() -> None:
    """Answers calls until the other side has gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the other side decides when to end
    calls = sys.stdin.buffer
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # nothing that prints may spoil an answer
    _limit(int(sys.argv[1]))
    with contextlib.suppress(AttributeError, OSError):
        os.nice(5)  # pages are answered first
    while True:
        try:
            body = received(calls)
        except EOFError:
            return
        send(out, _answer(pickle.loads(body), out))


if __name__ == "__main__":
    main()
