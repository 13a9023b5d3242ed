"""Addresses of instruments: which kinds are allowed, and where on a network an instrument may be.

Whoever names an address lets the program speak to what is there. So only the few forms are taken that bench
instruments have, a serial port must be one, and on a network only hosts of one's own networks are spoken to.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal, NoReturn

from kb.errors import BadInput, InstrumentTrouble

LONGEST = 200
EXAMPLES = (
    "USB0::0x1234::0x5678::SN001::INSTR, ASRL/dev/ttyUSB0::INSTR, ASRLCOM3::INSTR, TCPIP0::192.168.1.40::INSTR or "
    "TCPIP0::192.168.1.40::5025::SOCKET"
)
_USB = re.compile(
    r"USB[0-9]?::0x[0-9A-F]{4}::0x[0-9A-F]{4}::[0-9A-Z_.\-]{1,64}(?:::[0-9])?::INSTR", re.IGNORECASE
)
_PORT = re.compile(
    r"COM[0-9]{1,3}|[0-9]{1,3}|/dev/(?:tty[A-Za-z0-9._\-]{1,60}|cu\.[A-Za-z0-9._\-]{1,60}"
    r"|pts/[0-9]{1,5}|serial/by-(?:id|path)/[A-Za-z0-9._:\-]{1,120})"
)
_LAN = re.compile(
    r"TCPIP[0-9]?::([A-Za-z0-9.\-]{1,100})(?:::(?:inst[0-9]{1,2}|hislip[0-9]{1,2}|([0-9]{1,5})))?::(INSTR|SOCKET)",
    re.IGNORECASE,
)
_NAME = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9\-]{0,62})(?:\.[A-Za-z0-9](?:[A-Za-z0-9\-]{0,62}))*\.?")
# Services of a machine lie below; instruments answer above (5025 mostly), and through port 111 with INSTR.
_LEAST_PORT = 1024

Interface = Literal["USB", "serial line", "LAN"]


@dataclass(frozen=True, slots=True)
class Address:
    """An address that was looked at: `text` as VISA takes it, its `host` on a network or `port` of a serial line."""

    text: str
    interface: Interface
    host: str = ""
    port: str = ""

    def at(self, host: str) -> str:
        """The same address with the host as a number."""
        return self.text.replace(f"::{self.host}::", f"::{host}::", 1) if self.host else self.text


def _refuse(why: str, remedy: str = f"Write it as the instrument shows it: {EXAMPLES}.") -> NoReturn:
    raise BadInput(why, field="address", remedy=remedy)


def read_address(text: str) -> Address:
    """The address of an instrument. Raises BadInput for any other form, and for hosts outside one's own networks."""
    typed = text.strip()
    if len(typed) > LONGEST or not typed.isascii() or not typed.isprintable():
        _refuse("This is no address of an instrument.")
    if _USB.fullmatch(typed):
        return Address(typed, "USB")
    if typed[:4].upper() == "ASRL" and typed.upper().endswith("::INSTR"):
        port = typed[4:-7]
        serial_port(port)
        return Address(typed, "serial line", port=port)
    found = _LAN.fullmatch(typed)
    if found is None:
        _refuse("This is no address of an instrument.")
    host, port, kind = found[1], found[2], found[3].upper()
    if (kind == "SOCKET") != (port is not None):
        _refuse("A SOCKET has a port, and an INSTR has none.")
    if port is not None and not _LEAST_PORT <= int(port) <= 65535:
        _refuse(
            f"Port {port} belongs to a service and to no instrument.",
            "Instruments answer at 5025 or another port from 1024 on.",
        )
    refuse_outside(host)
    return Address(typed, "LAN", host=host)


def serial_port(text: str) -> str:
    """The name of a serial port, such as /dev/ttyUSB0 or COM3. Raises BadInput for any other file."""
    if not _PORT.fullmatch(text.strip()) or ".." in text:
        _refuse("This is no serial port.", "Name it as the system does, such as /dev/ttyUSB0 or COM3.")
    return text.strip()


def _is_ours(address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> bool:
    # Instruments that found no address server give themselves a link-local one.
    return (address.is_private or address.is_link_local) and not (
        address.is_multicast
        or address.is_unspecified
        or address.is_reserved
        or str(address) == "169.254.169.254"
    )


def refuse_outside(host: str) -> None:
    """Raises BadInput for a host that can be no instrument of one's own: on the internet, or no name at all."""
    try:
        number = ipaddress.ip_address(host)
    except ValueError:
        # A number in a form that only some programs read would slip past the look at numbers.
        if not _NAME.fullmatch(host) or re.fullmatch(r"[0-9.]+|0[xX].*", host):
            _refuse("This is no name of a host.")
        return
    if not _is_ours(number):
        _refuse(
            f"{host} is not on a network of your own.", "Only instruments of one's own networks are read."
        )


def where(host: str, look_up: Callable[[str], Iterable[str]]) -> str:
    """The number under which a host is spoken to, looked at once and used as it was found.

    Raises:
        InstrumentTrouble: where the name is not known or leads outside one's own networks.
    """
    try:
        found = list(look_up(host))
    except OSError:
        found = []
    if not found:
        raise InstrumentTrouble(
            f"Nobody on this network is called {host}.", remedy="Use the number that the instrument shows."
        )
    if not all(_is_ours(ipaddress.ip_address(one)) for one in found):
        raise InstrumentTrouble(
            f"{host} is not on a network of your own.", remedy="Use the number that the instrument shows."
        )
    return found[0]
