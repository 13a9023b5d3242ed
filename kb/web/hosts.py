"""Names and addresses of machines."""

from __future__ import annotations

import ipaddress
import socket
from urllib.parse import urlsplit

from kb.config import Settings


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def in_address(host: str) -> str:
    """A host as it stands in an address: numbers of IPv6 in brackets."""
    return f"[{host}]" if ":" in host else host


def own_names(settings: Settings) -> tuple[str, ...]:
    """The names under which this machine is known: its own, the one of multicast DNS, and those that settings give."""
    machine = socket.gethostname().lower()
    local = () if "." in machine else (f"{machine}.local",)
    base = (urlsplit(settings.base_url).hostname or "").lower()
    named = [part.strip().lower() for part in settings.hosts.split(",")]
    return tuple(dict.fromkeys(name for name in (machine, *local, base, *named) if name))
