"""How the program is reached: by whom, under which names, over which connection. Decided once, at the start."""

from __future__ import annotations

import ipaddress
import logging
import secrets
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from kb.config import Settings
from kb.errors import BadInput, StoreTrouble
from kb.service import Shop
from kb.service.accounts import people
from kb.web.guard import local_accounts
from kb.web.guard.cookies import signing_key
from kb.web.guard.one_browser import OneTimeKey
from kb.web.hosts import is_loopback, own_names

log = logging.getLogger(__name__)
HOW_TO_BEGIN = "Make one with: kb person add NAME --level administer"


@dataclass(frozen=True, slots=True)
class Serving:
    """What the application must know about how it is reached.

    Without `sign_in` it answers under the names of this machine only and takes everybody for its owner, with
    `one_time` every browser that was let in by that key.
    Where the certificate is one of this machine's own making (`own_certificate`), browsers are not told to
    insist on HTTPS: they would leave nobody a way back whose phone does not trust it.
    `origins` are those of its own pages beside the one that a request names itself. `proxies` are the
    addresses whose word on the caller is taken.
    """

    sign_in: bool = False
    hosts: frozenset[str] = frozenset()
    origins: frozenset[str] = frozenset()
    tls: bool = False
    own_certificate: bool = False
    proxies: tuple[str, ...] = ()
    one_time: OneTimeKey | None = None
    key: str = field(default_factory=lambda: secrets.token_urlsafe(48), repr=False)


def plan(
    shop: Shop, host: str, *, demo: bool = False, tls: bool = False, own_certificate: bool = False
) -> Serving:
    """How to serve on an address. Raises BadInput where that would let anybody in."""
    settings = shop.settings
    if demo:
        if not is_loopback(host):
            raise BadInput(
                "The demo answers on this machine only.", field="host", remedy="Use --host 127.0.0.1."
            )
        return Serving(tls=tls, own_certificate=own_certificate)
    proxies = _proxies(settings)
    sign_in = not is_loopback(host) or settings.sign_in == "always" or bool(proxies)
    if not sign_in:
        if settings.sign_in == "key":
            key = signing_key(settings.sign_in_key_file)
            return Serving(tls=tls, own_certificate=own_certificate, one_time=OneTimeKey(), key=key)
        return _without_sign_in(settings, tls, own_certificate)
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
        hosts=frozenset({host.lower(), *own_names(settings)}),
        origins=frozenset({f"{base.scheme}://{base.netloc}".lower()} if base.hostname else ()),
        tls=tls or (bool(proxies) and base.scheme == "https"),
        own_certificate=own_certificate,
        proxies=proxies,
        key=signing_key(settings.sign_in_key_file),
    )


def _without_sign_in(settings: Settings, tls: bool, own_certificate: bool) -> Serving:
    """The key is lasting here too, since what browsers keep on their devices is sealed with what is made of it."""
    try:
        key = signing_key(settings.sign_in_key_file)
        return Serving(tls=tls, own_certificate=own_certificate, key=key)
    except StoreTrouble as error:
        log.warning("what browsers keep is lost to them when the program stops: %s", error.message)
        return Serving(tls=tls, own_certificate=own_certificate)


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
