"""Messages between the program and the process beside it: pickled, each with its length before it."""

from __future__ import annotations

import pickle
import struct
from typing import IO, Any

LENGTH = struct.Struct(">Q")


def send(stream: IO[bytes], message: Any) -> None:
    """Writes one message, its length before it."""
    written = pickle.dumps(message, protocol=5)
    stream.write(LENGTH.pack(len(written)))
    stream.write(written)
    stream.flush()


def received(stream: IO[bytes]) -> bytes:
    """One message as it was written. Raises EOFError where the other side has gone."""
    head = stream.read(LENGTH.size)
    if len(head) < LENGTH.size:
        raise EOFError
    (length,) = LENGTH.unpack(head)
    body = stream.read(length)
    if len(body) < length:
        raise EOFError
    return body
