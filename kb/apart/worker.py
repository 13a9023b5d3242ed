"""The process that opens what was sent: calls in on standard input, answers out on standard output.

It holds no records and no keys, and whatever goes wrong in it ends with it. Run as `python -m kb.apart.worker`.
"""

from __future__ import annotations

import importlib
import os
import pickle
import sys
from typing import Any, BinaryIO

from kb import system
from kb.apart.framing import received, send
from kb.errors import BadInput


def _answer(call: tuple[str, str, tuple[Any, ...], bool, float], out: BinaryIO) -> tuple[Any, ...]:
    module, name, given, reports, seconds = call
    system.allow_processor_time(seconds)
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
    system.ignore_interrupts()  # the other side decides when to end
    calls = sys.stdin.buffer
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # nothing that prints may spoil an answer
    system.limit_memory(int(sys.argv[1]))
    system.work_behind_others()  # pages are answered first
    while True:
        try:
            body = received(calls)
        except EOFError:
            return
        send(out, _answer(pickle.loads(body), out))


if __name__ == "__main__":
    main()
