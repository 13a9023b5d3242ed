"""`kb meter`: reads an instrument of this computer, and shows its readings or sends them to the server."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from kb.config import Settings
from kb.errors import BadInput, InstrumentTrouble
from kb.instruments import handheld, lines, queries, visa
from kb.instruments.registry import BAUDS, read_name
from kb.instruments.responses import Measured
from kb.instruments.sending import Sender, poster
from kb.instruments.session import Gone, Session

TOKEN = "METER_TOKEN"
_SERIAL_S = 2.0
Reading = tuple[str, Measured]

_EPILOG = f"""
A handheld meter that is read with --serial sends one line for each reading: {lines.DESCRIPTION}. \
ASCII only, no spaces. A line of any other form is no reading, and is shown.

The token is made under Account on the server and may work; it stands in the environment ({TOKEN}) or in a file \
(--token-file), never in the command. Where the server is away the readings wait here and are sent in order when it \
is back, each once.
"""


def add_to(commands: Any, settings: Callable[[], Settings]) -> None:
    """Adds the command to the parser's commands."""
    meter = commands.add_parser(
        "meter",
        help="read an instrument of this computer, and send its readings to the server",
        epilog=_EPILOG,
    )
    meter.add_argument(
        "address", metavar="ADDRESS", nargs="?", help="address of an instrument that speaks SCPI"
    )
    meter.add_argument("--list", action="store_true", help="list what is plugged in, and end")
    meter.add_argument("--serial", metavar="PORT", default="", help="read a handheld meter that sends lines")
    meter.add_argument("--baud", type=int, choices=BAUDS, default=9600, help="speed of a serial line")
    meter.add_argument("--kind", choices=tuple(queries.KINDS), default="meter", help="what the instrument is")
    meter.add_argument(
        "--quantity", choices=queries.quantities("meter"), default="dc_v", help="what it is asked for"
    )
    meter.add_argument(
        "--as-set",
        action="store_true",
        help="leave a meter as it is set at its front instead of asking it for a quantity",
    )
    meter.add_argument(
        "--every", type=float, default=1.0, metavar="SECONDS", help="how often it is asked (0.2 to 3600)"
    )
    meter.add_argument("--count", type=int, default=0, metavar="N", help="end after so many readings")
    meter.add_argument(
        "--server", metavar="URL", default="", help="send the readings there, such as https://bench.lan:8765"
    )
    meter.add_argument("--name", default="", help="name under which the server shows the instrument")
    meter.add_argument("--token-file", type=Path, metavar="FILE", help="file that holds the token")
    meter.add_argument(
        "--ca", type=Path, metavar="FILE", help="certificate that the server's own is proved with (PEM)"
    )
    meter.set_defaults(run=lambda parsed: _run(parsed, settings()))


def _run(parsed: argparse.Namespace, settings: Settings) -> int:
    if parsed.list:
        return _list(settings.visa_library)
    if bool(parsed.address) == bool(parsed.serial):
        raise BadInput(
            "It is not said what to read.",
            remedy="Name an ADDRESS, or a port with --serial; --list shows both.",
        )
    if not 0.2 <= parsed.every <= 3600:
        raise BadInput("--every takes 0.2 to 3600 seconds.")
    sender = _sender(parsed)
    source = _handheld(parsed) if parsed.serial else _asked(parsed, settings.visa_library)
    return read_out(source, sender, count=parsed.count)


def _list(library: str) -> int:
    found = visa.find(library)
    for one in found:
        print(f"{one.address}{'  ' + one.words if one.words else ''}")
    if not found:
        print("Nothing is plugged in by USB or serial line that this account can see.", file=sys.stderr)
    return 0


def _sender(parsed: argparse.Namespace) -> Sender | None:
    if not parsed.server:
        return None
    try:
        token = (
            parsed.token_file.read_text(encoding="ascii") if parsed.token_file else os.environ.get(TOKEN, "")
        )
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(
            f"{parsed.token_file} cannot be read.", remedy="Name the file that holds the token."
        ) from error
    token = token.strip()
    if not token or not token.isascii() or not token.isprintable():
        raise BadInput(
            "There is no token.",
            remedy=f"Make one under Account that may work, and put it into {TOKEN} or a --token-file.",
        )
    return Sender(read_name(parsed.name), poster(parsed.server, token, parsed.ca), time.monotonic)


def _handheld(parsed: argparse.Namespace) -> Iterator[Reading | InstrumentTrouble | None]:
    port = handheld.open_port(parsed.serial, parsed.baud, _SERIAL_S)
    try:
        yield from handheld.readings(port)
    finally:
        port.close()


def _asked(parsed: argparse.Namespace, library: str) -> Iterator[Reading | InstrumentTrouble | None]:
    """Asks again and again; a line that failed is opened again, so that a meter may be unplugged meanwhile."""
    session: Session | None = None
    due = time.monotonic()
    try:
        while True:
            try:
                if session is None:
                    session = _opened(parsed, library)
                yield parsed.quantity, session.read(parsed.quantity)
            except InstrumentTrouble as error:
                if session is not None:
                    session.close()
                session = None
                yield error
            due = max(due + parsed.every, time.monotonic())
            time.sleep(max(0.0, due - time.monotonic()))
    finally:
        if session is not None:
            session.close()


def _opened(parsed: argparse.Namespace, library: str) -> Session:
    try:
        link = visa.open_link(library, parsed.address, parsed.baud)
    except Gone as error:
        raise InstrumentTrouble(
            "The instrument cannot be reached.", remedy="See that it is on, plugged in and at this address."
        ) from error
    return Session(link, parsed.kind, "as set" if parsed.as_set else "measure")


def read_out(
    source: Iterator[Reading | InstrumentTrouble | None],
    sender: Sender | None,
    *,
    count: int = 0,
    wait: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> int:
    """Shows each reading as a row of a log, or sends it; returns the exit status once `count` are through.

    Raises InstrumentTrouble where the server refuses for good.
    """
    say = partial(print, file=sys.stderr, flush=True)
    try:
        return _read_out(source, sender, count, wait, clock, say)
    except KeyboardInterrupt:
        if sender is not None and sender.waiting:
            say(f"kb: {sender.waiting} readings were not sent.")
        raise


def _read_out(
    source: Iterator[Reading | InstrumentTrouble | None],
    sender: Sender | None,
    count: int,
    wait: Callable[[float], None],
    clock: Callable[[], float],
    say: Callable[[str], None],
) -> int:
    begun, taken, told, next_try = clock(), 0, "", 0.0
    for one in source:
        if isinstance(one, InstrumentTrouble):
            if one.message != told:
                say(f"kb: {one.message} {one.remedy or ''}".rstrip())
                told = one.message
        elif one is not None:
            told = ""
            taken += 1
            quantity, measured = one
            if sender is None:
                value = measured.value
                shown = f"{value.normalize():f}" if value is not None else "no reading"
                print(f"{clock() - begun:.2f};{shown}", flush=True)
            else:
                sender.add(quantity, measured)
        if sender is not None and clock() >= next_try:
            next_try = _sent(sender, say, clock)
        if count and taken >= count:
            break
    while sender is not None and sender.waiting:
        why = sender.send()
        if why:
            say(f"kb: {why}; {sender.waiting} readings wait here.")
            wait(sender.pause_s)
    return 0


def _sent(sender: Sender, say: Callable[[str], None], clock: Callable[[], float]) -> float:
    """Sends what waits; when to try again."""
    why = sender.send()
    if not why:
        return 0.0
    lost = f", {sender.given_up} were given up" if sender.given_up else ""
    say(f"kb: {why}; {sender.waiting} readings wait here{lost}.")
    return clock() + sender.pause_s
