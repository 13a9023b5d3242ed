"""Lines to instruments through a VISA library; all that knows of pyvisa, which is an extra."""

from __future__ import annotations

import importlib
import logging
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from kb.errors import InstrumentTrouble
from kb.instruments.addresses import Address, read_address, where
from kb.instruments.responses import LONGEST
from kb.instruments.session import Gone, Silent

log = logging.getLogger(__name__)
OPEN_S = 3.0
_DRAIN_S, _MOST_DRAINED = 0.05, 20
_MISSING = "What reads instruments is not installed here."
_REMEDY = "Install the program with its extra: pip install 'kb-boards[meter]'."
# A VISA library's own tables are not made for several threads that open at once.
_OPENING = threading.Lock()


@dataclass(frozen=True, slots=True)
class Found:
    """An address at which something is plugged in, and what the system calls it."""

    address: str
    words: str


def trouble() -> InstrumentTrouble | None:
    """Why no instrument can be read on this machine; None where the extra is installed."""
    try:
        importlib.import_module("pyvisa")
        importlib.import_module("pyvisa_py")
    except ImportError:
        return InstrumentTrouble(_MISSING, remedy=_REMEDY)
    return None


def _manager(library: str) -> Any:
    if missing := trouble():
        raise missing
    pyvisa = importlib.import_module("pyvisa")
    try:
        return pyvisa.ResourceManager(library)
    except (OSError, ValueError) as error:
        raise InstrumentTrouble(
            f"The VISA library “{library}” cannot be used.",
            remedy="Set KB_VISA_LIBRARY to @py or leave it out.",
        ) from error


def look_up(host: str) -> list[str]:
    """The numbers of a host. Raises OSError."""
    return [str(entry[4][0]) for entry in socket.getaddrinfo(host, None, socket.AF_INET, socket.SOCK_STREAM)]


def find(library: str) -> list[Found]:
    """What is plugged into this machine by USB or serial line. Nothing is sent to any of it.

    Instruments on a network are not looked for: asking everybody there would be more than reading a meter.
    Raises InstrumentTrouble where the extra is missing.
    """
    if library != "@py":
        return [Found(address, "") for address in _manager(library).list_resources("?*")]
    if missing := trouble():
        raise missing
    return [*_usb(), *_serial()]


def _usb() -> list[Found]:
    try:
        usb = importlib.import_module("pyvisa_py.usb")
        return [Found(str(address), "") for address in usb.USBSession.list_resources()]
    except Exception as error:  # without pyusb or libusb, or where the system lets nobody look
        log.info("instruments on USB cannot be listed: %s", type(error).__name__)
        return []


def _serial() -> list[Found]:
    try:
        ports = importlib.import_module("serial.tools.list_ports").comports()
    except ImportError:
        return []
    return [
        Found(f"ASRL{port.device}::INSTR", " ".join(str(port.description or "").split())[:80])
        for port in ports
        if port.description not in (None, "n/a")
    ]


class VisaLink:
    """A line through a VISA resource."""

    def __init__(self, resource: Any) -> None:
        self._resource = resource

    def send(self, text: str) -> None:
        """Sends one line. Raises Silent, Gone."""
        self._guarded(lambda: self._resource.write(text))

    def receive(self, patience_s: float) -> bytes:
        """One line with its end, of bounded length. Raises Silent, Gone."""

        def read() -> bytes:
            self._resource.timeout = max(1, round(patience_s * 1000))
            return bytes(self._resource.read_bytes(LONGEST + 1, break_on_termchar=True))

        return self._guarded(read)

    def empty(self) -> None:
        """Throws away what waits: by the interface's own clear where it has one, and by reading. Raises Gone."""
        try:
            self._resource.clear()
        except Exception as error:  # serial lines and some libraries have no clear
            log.debug("no clear of %s: %s", type(self._resource).__name__, type(error).__name__)
        for _ in range(_MOST_DRAINED):
            try:
                self.receive(_DRAIN_S)
            except Silent:
                return

    def close(self) -> None:
        """Lets go of the line; never raises."""
        try:
            with _OPENING:
                self._resource.close()
        except Exception as error:
            log.debug("closing an instrument: %s", type(error).__name__)

    @staticmethod
    def _guarded(work: Callable[[], Any]) -> Any:
        """What any of the libraries below raises becomes Silent or Gone: each interface has errors of its own."""
        try:
            return work()
        except Exception as error:
            # VI_ERROR_TMO of the VISA specification.
            code = getattr(error, "error_code", None)
            if code is not None and int(code) == -1073807339:
                raise Silent from error
            log.info("an instrument's line failed: %s", type(error).__name__)
            raise Gone from error


def open_link(library: str, text: str, baud: int, *, hosts: Callable[[str], list[str]] = look_up) -> VisaLink:
    """A line to the instrument at an address, looked at again before anything is opened.

    Raises InstrumentTrouble, Gone, and BadInput for an address that is none.
    """
    address = read_address(text)
    manager = _manager(library)
    name = address.at(where(address.host, hosts)) if address.host else address.text
    options: dict[str, Any] = {
        "read_termination": "\n",
        "write_termination": "\n",
        "timeout": round(OPEN_S * 1000),
    }
    try:
        with _OPENING:
            resource = manager.open_resource(name, open_timeout=round(OPEN_S * 1000), **options)
    except Exception as error:
        raise _not_opened(error, address) from error
    if int(resource.session) == 0:  # VI_NULL: some libraries open nothing and say nothing
        raise Gone
    if address.interface == "serial line":
        resource.baud_rate = baud
    return VisaLink(resource)


def _not_opened(error: Exception, address: Address) -> Exception:
    log.info("an instrument on %s cannot be opened: %s", address.interface, type(error).__name__)
    if isinstance(error, PermissionError) or "ermission" in str(error) or "ccess denied" in str(error):
        return InstrumentTrouble(
            "This account may not use the port that the instrument is plugged into.",
            remedy="On Linux add it to the group dialout (serial) or plugdev (USB) and sign in again.",
        )
    if isinstance(error, ValueError) and "install" in str(error):
        return InstrumentTrouble(
            f"What reads instruments on {address.interface} is missing here.",
            remedy="Install pyusb and libusb 1.0 for USB, pyserial for serial lines.",
        )
    return Gone()
