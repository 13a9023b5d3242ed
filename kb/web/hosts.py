"""Names and addresses of machines."""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """Whether a host name or address means this machine only."""
    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
