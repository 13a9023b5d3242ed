"""What every listener of the program has in common: its port, its protocol, and its certificate."""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import uvicorn

from kb import system
from kb.config import Settings
from kb.errors import BadInput, KbError, StoreTrouble
from kb.service import Shop
from kb.service.operate import certificates
from kb.service.operate.certificates import LocalAuthority, LocalCertificate
from kb.service.shop.periodic import NowAndThen
from kb.web.guard.addresses import Serving
from kb.web.guard.connections import MOST_AT_ONCE, protocol_for
from kb.web.hosts import own_names

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Tls:
    """The certificate a listener shows; `key` is None where it lies in the same file, `own` is that of this
    machine's own authority."""

    certificate: Path
    key: Path | None = None
    own: LocalCertificate | None = None


def given(certificate: Path, key: Path) -> Tls:
    """The certificate that somebody names. Raises BadInput where it is no certificate and its key."""
    try:
        certificates.prove(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise BadInput(
            f"The certificate {certificate} cannot be used with the key {key}: {error.strerror or error}.",
            field="tls-cert",
            remedy="Name two PEM files that belong together and that this user may read.",
        ) from error
    return Tls(certificate, key)


def own(settings: Settings, host: str) -> Tls:
    """The certificate of this machine's own authority, made or renewed where it must be. Raises StoreTrouble."""
    names = [*own_names(settings), *([] if host in ("0.0.0.0", "::") else [host])]
    made = LocalAuthority(settings.tls_folder).provide(names, system.own_addresses())
    return Tls(made.file, own=made)


def listen(host: str, port: int) -> socket.socket:
    """A socket that listens. Raises StoreTrouble for a port that is taken or that this user may not have."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Naming the protocol lets the event loop see TCP and send small answers at once; without it each
    # answer waits some 40 ms for the other side's acknowledgement.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    system.claim_port(listener)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise StoreTrouble(
            f"Port {port} on {host} cannot be used: {error.strerror}.",
            remedy="Stop the program that uses it, or choose another with --port.",
        ) from error
    listener.listen(128)
    return listener


def config_for(app: Any, serving: Serving, tls: Tls | None) -> uvicorn.Config:
    """How uvicorn serves an application."""
    return uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        http=protocol_for(serving),
        ws="none",
        # Nobody's word on who calls is taken but a proxy's that was named.
        proxy_headers=bool(serving.proxies),
        forwarded_allow_ips=list(serving.proxies),
        ssl_certfile=tls.certificate if tls else None,
        ssl_keyfile=tls.key if tls else None,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=10,
        limit_concurrency=MOST_AT_ONCE,
    )


class CertificateKeeper(NowAndThen):
    """Renews the own certificate of a listener while it runs: the network gives a machine another address, and a
    year passes."""

    name = "certificate keeper"
    first_look_s, between_looks_s = 300.0, 300.0

    def __init__(self, shop: Shop, host: str, tls: Tls, config: uvicorn.Config) -> None:
        super().__init__(shop)
        self._host, self._tls, self._config = host, tls, config
        self._said: tuple[str, ...] = tls.own.notes if tls.own else ()
        self.loop: asyncio.AbstractEventLoop | None = None

    @property
    def tls(self) -> Tls:
        """The certificate as it is now."""
        return self._tls

    def look(self) -> None:
        """Renews it where it must be."""
        try:
            now = own(self._shop.settings, self._host)
        except KbError as error:
            self._tell((f"{error.message} {error.remedy or ''}".rstrip(),))
            return
        before, self._tls = self._tls.own, now
        assert now.own is not None
        self._tell(now.own.notes)
        if before and (before.names, before.good_until) == (now.own.names, now.own.good_until):
            return
        context, file = self._config.ssl, now.certificate
        if context is not None and self.loop is not None and not self.loop.is_closed():
            # Between two handshakes, in the thread that makes them.
            self.loop.call_soon_threadsafe(context.load_cert_chain, file)

    def _tell(self, notes: tuple[str, ...]) -> None:
        for note in notes:
            if note not in self._said:
                log.warning("kb: %s", note)
        self._said = notes
