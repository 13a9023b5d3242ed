"""A handheld meter, or whatever stands between, that sends lines over a serial port by itself (`lines.py`)."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from typing import Any, Protocol

from kb.errors import InstrumentTrouble
from kb.instruments.addresses import serial_port
from kb.instruments.lines import LONGEST, read_line
from kb.instruments.responses import Measured
from kb.instruments.visa import trouble


class Port(Protocol):
    """What is used of a serial port."""

    def read_until(self, expected: bytes = ..., size: int | None = ...) -> bytes:
        """Bytes up to the end that is expected, fewer where time ran out."""

    def close(self) -> None:
        """Lets go of the port."""


def open_port(name: str, baud: int, patience_s: float) -> Port:
    """A serial port, for this program alone. Raises BadInput for no port, InstrumentTrouble where it cannot be had."""
    port = serial_port(name)
    try:
        serial: Any = importlib.import_module("serial")
    except ImportError as error:
        raise trouble() or InstrumentTrouble(
            "What reads serial ports is not installed here.", remedy="Install pyserial."
        ) from error
    try:
        made: Port = serial.Serial(port, baud, timeout=patience_s, exclusive=True)
    except (OSError, ValueError) as error:
        raise InstrumentTrouble(
            f"The port {port} cannot be opened.",
            remedy="See that it is plugged in, that no other program has it, and that this account may use it.",
        ) from error
    return made


def readings(port: Port) -> Iterator[tuple[str, Measured] | InstrumentTrouble | None]:
    """What the meter sends, for ever: readings, the trouble with a line that is none, None where nothing came in time.

    The first piece is left out, since it may be the end of a line that began before. Raises InstrumentTrouble where
    the port fails.
    """
    begun, waiting = False, b""
    while True:
        try:
            waiting += port.read_until(b"\n", LONGEST + 2)
        except OSError as error:
            raise InstrumentTrouble(
                "The serial port is gone: the meter was unplugged.", remedy="Plug it in and start again."
            ) from error
        if not waiting:
            yield None
            continue
        if not waiting.endswith((b"\n", b"\r")) and len(waiting) <= LONGEST:
            yield None  # half a line; the rest may follow
            continue
        # A meter may end its lines with CR alone.
        pieces, waiting = [piece for piece in waiting.replace(b"\r", b"\n").split(b"\n") if piece], b""
        for piece in pieces if begun else pieces[1:]:
            try:
                yield read_line(piece)
            except InstrumentTrouble as trouble_found:
                yield trouble_found
        begun = True
