"""How the program is reached: by whom, under which names, over which connection. Decided once, at the start."""

from __future__ import annotations

import ipaddress
import secrets
import socket
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from kb.config import Settings
from kb.errors import BadInput
from kb.service import Shop
from kb.service.accounts import people
from kb.web.guard import local_accounts
from kb.web.guard.cookies import signing_key
from kb.web.guard.one_browser import OneTimeKey
from kb.web.hosts import is_loopback

HOW_TO_BEGIN = "Make one with: kb person add NAME --level administer"


@dataclass(frozen=True, slots=True)
class Serving:
    """What the application must know about how it is reached.

    Without `sign_in` it answers under the names of this machine only and takes everybody for its owner, with
    `one_time` every browser that was let in by that key.
    `origins` are those of its own pages beside the one that a request names itself. `proxies` are the
    addresses whose word on the caller is taken.
    """

    sign_in: bool = False
    hosts: frozenset[str] = frozenset()
    origins: frozenset[str] = frozenset()
    tls: bool = False
    proxies: tuple[str, ...] = ()
    one_time: OneTimeKey | None = None
    key: str = field(default_factory=lambda: secrets.token_urlsafe(48), repr=False)


def plan(shop: Shop, host: str, *, demo: bool = False, tls: bool = False) -> Serving:
    """How to serve on an address. Raises BadInput where that would let anybody in."""
    settings = shop.settings
    if demo:
        if not is_loopback(host):
            raise BadInput(
                "The demo answers on this machine only.", field="host", remedy="Use --host 127.0.0.1."
            )
        return Serving(tls=tls)
    proxies = _proxies(settings)
    sign_in = not is_loopback(host) or settings.sign_in == "always" or bool(proxies)
    if not sign_in:
        if settings.sign_in == "key":
            return Serving(tls=tls, one_time=OneTimeKey(), key=signing_key(settings.sign_in_key_file))
        return Serving(tls=tls)
    if not people.can_be_administered(shop):
        why = "others can reach it" if not is_loopback(host) else "people must sign in"
        raise BadInput(
            f"On {host} {why}, and there is no account that administers yet.", remedy=f"{HOW_TO_BEGIN}."
        )
    base = urlsplit(settings.base_url)
    if proxies and not base.hostname:
        raise BadInput(
            "KB_PROXY is set and KB_BASE_URL is not.",
            field="KB_BASE_URL",
            remedy="Set it to the address under which the proxy is reached (https://bench.lan).",
        )
    return Serving(
        sign_in=True,
        hosts=_hosts(settings, host, base.hostname),
        origins=frozenset({f"{base.scheme}://{base.netloc}".lower()} if base.hostname else ()),
        tls=tls or (bool(proxies) and base.scheme == "https"),
        proxies=proxies,
        key=signing_key(settings.sign_in_key_file),
    )


def notes(serving: Serving) -> list[str]:
    """What the start says beside the address, of whom it keeps out on its own machine."""
    if serving.one_time:
        return ["Only the browser that opens this address first is let in, from then on for good."]
    if serving.sign_in or local_accounts.can_be_known() or not local_accounts.has_several_accounts():
        return []
    return ["Other accounts of this machine can open it too. KB_SIGN_IN=key lets in your browser only."]


def _proxies(settings: Settings) -> tuple[str, ...]:
    found = tuple(part.strip() for part in settings.proxy.split(",") if part.strip())
    for part in found:
        try:
            ipaddress.ip_address(part)
        except ValueError as error:
            raise BadInput(
                f"KB_PROXY: {part} is no address.",
                field="KB_PROXY",
                remedy="Write the proxy's IP address (127.0.0.1).",
            ) from error
    return found


def _hosts(settings: Settings, host: str, base: str | None) -> frozenset[str]:
    machine = socket.gethostname().lower()
    named = [part.strip().lower() for part in settings.hosts.split(",")]
    return frozenset(
        name for name in (host.lower(), (base or "").lower(), machine, f"{machine}.local", *named) if name
    )
