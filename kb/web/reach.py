"""Under which addresses other devices reach the program, and whether a page may change that."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from kb.config import Settings
from kb.errors import Conflict
from kb.web.hosts import in_address, is_loopback, own_names


@dataclass(frozen=True, slots=True)
class Reach:
    """How others get here now.

    `addresses` without a last slash, the one for a phone first. `trust_page` hands out the certificate by plain
    HTTP, "" where there is none. `authority` is the certificate of this machine's own authority (DER), None where
    the certificate is another's or there is no HTTPS. `notes` are sentences of what is not as it should be.
    """

    addresses: tuple[str, ...]
    trust_page: str = ""
    authority: bytes | None = None
    fingerprint: str = ""
    good_until: datetime | None = None
    notes: tuple[str, ...] = ()


class Network:
    """What a page knows of the network. This one leads nowhere and changes nothing; `why` says so in a sentence."""

    can_change = False

    def __init__(self, why: str = "This program answers on its own machine only.") -> None:
        self.why = why
        self.trouble = ""

    def reach(self) -> Reach | None:
        """How others get here, None where they do not."""
        return None

    def open(self) -> None:
        """Lets other devices in. Raises KbError where that cannot be."""
        raise Conflict(self.why, remedy="Whoever starts the program can change that.")

    def close(self) -> None:
        """Shuts them out again. Raises KbError where that cannot be."""
        raise Conflict(self.why, remedy="Whoever starts the program can change that.")


class ServedSo(Network):
    """Others reach the program as it was started."""

    def __init__(self, reached: Any, why: str) -> None:
        super().__init__(why)
        self._reached = reached

    def reach(self) -> Reach | None:
        found: Reach | None = self._reached()
        return found


def addresses_of(
    settings: Settings, host: str, port: int, scheme: str, cards: Iterable[str]
) -> tuple[str, ...]:
    """The addresses under which a listener is reached, the one that a phone can do most with first.

    `cards` are the addresses of the network cards. A number leads: not every phone finds a name of multicast DNS.
    """
    base = settings.base_url.rstrip("/")
    found = [base] if base.startswith(f"{scheme}://") else []
    if host in ("0.0.0.0", "::"):
        names = [one for one in cards if host == "::" or ":" not in one]
        names += [one for one in own_names(settings) if not is_loopback(one)]
    else:
        names = [host]
    found += [f"{scheme}://{in_address(one)}:{port}" for one in names]
    return tuple(dict.fromkeys(found))
