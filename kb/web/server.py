"""Runs the application on this machine and says where it answers."""

from __future__ import annotations

import asyncio
import gc
import socket
import ssl
import sys
import webbrowser
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import uvicorn

from kb import system
from kb.errors import BadInput, StoreTrouble
from kb.service import Shop, sheets
from kb.service.accounts import passwords
from kb.service.accounts.uses import UseKeeper
from kb.service.diagnose import case_texts
from kb.service.history.bin import BinKeeper
from kb.service.operate.daily import DailyBackups
from kb.service.shop.cut_off.follower import Follower
from kb.service.shop.periodic import NowAndThen
from kb.web import logs
from kb.web.app import create_app
from kb.web.guard import addresses
from kb.web.guard.connections import MOST_AT_ONCE, protocol_for
from kb.web.guard.one_browser import page_leading_to
from kb.web.hosts import is_loopback
from kb.web.request_log import current_request

_TURN_S = 0.0005
"""How long a thread keeps the interpreter from others, a tenth of what Python allows by itself.

A page asks the database some fifty times and each time lets go of the interpreter; beside a thread that computes it
waited 5 ms each time until it had it back.
"""


class _Server(uvicorn.Server):
    """Says its address once it answers."""

    address = ""
    notes: Sequence[str] = ()
    page: Path | None = None
    opens_browser = False
    warm: Callable[[], None] = staticmethod(lambda: None)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            print("\n".join([f"Board fault book answers at {self.address}", *self.notes]), flush=True)
            system.tell_supervisor("READY=1")
            # The first suggestion would otherwise wait while the weights are chosen.
            asyncio.get_running_loop().run_in_executor(None, self.warm)
            if self.opens_browser:
                # The browser's own start may take seconds; the server must not wait for it.
                asyncio.get_running_loop().run_in_executor(
                    None, webbrowser.open, self.page.as_uri() if self.page else self.address
                )

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        system.tell_supervisor("STOPPING=1")
        await super().shutdown(sockets)


def share_often() -> None:
    """Lets threads take turns more often than Python does by itself, for a page gives its turn up some fifty times."""
    sys.setswitchinterval(_TURN_S)


def run(
    shop: Shop,
    host: str,
    port: int,
    *,
    browser: bool,
    demo: bool = False,
    tls: tuple[Path, Path] | None = None,
) -> None:
    """Serves until stopped; `tls` names the files of a certificate and its key.

    Raises BadInput where anybody could get in or the certificate cannot be used, and StoreTrouble for a
    taken port.
    """
    if tls:
        prove_certificate(*tls)
    plan = addresses.plan(shop, host, demo=demo, tls=bool(tls))
    listener = _listen(host, port)
    shown = f"[{host}]" if ":" in host else host
    config = uvicorn.Config(
        create_app(shop, demo=demo, serving=plan),
        log_config=None,
        access_log=False,
        server_header=False,
        http=protocol_for(plan),
        ws="none",
        # Nobody's word on who calls is taken but a proxy's that was named.
        proxy_headers=bool(plan.proxies),
        forwarded_allow_ips=list(plan.proxies),
        ssl_certfile=tls[0] if tls else None,
        ssl_keyfile=tls[1] if tls else None,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=10,
        limit_concurrency=MOST_AT_ONCE,
    )
    server = _Server(config)
    server.address = f"{'https' if tls else 'http'}://{shown}:{listener.getsockname()[1]}/"
    server.notes = addresses.notes(plan)
    if plan.one_time:
        server.address += f"open/{plan.one_time.secret}"
        server.page = page_leading_to(server.address, shop.settings.data) if browser else None
    server.opens_browser = browser
    system.keep_memory_small()
    share_often()
    server.warm = partial(_warm, shop)
    logs.set_up(shop.settings.log_format, shop.settings.log_level, current_request)
    if plan.sign_in:
        passwords.warm_up()
    _warn(shop, plan, host)
    shop.refresh()
    follower = Follower(shop)
    follower.start()
    sheets.clean(shop)
    threads = _keepers(shop, demo)
    with listener:
        for thread in threads:
            thread.start()
        try:
            server.run(sockets=[listener])
        finally:
            for thread in threads:
                thread.stop()
            follower.stop()
            if server.page:
                server.page.unlink(missing_ok=True)


def _warn(shop: Shop, plan: addresses.Serving, host: str) -> None:
    """Says on standard error what whoever starts the program has to know."""
    if plan.sign_in and not plan.tls and not is_loopback(host):
        print(
            "kb: passwords cross the network as they are typed. Use --tls-cert and --tls-key, or a proxy.",
            file=sys.stderr,
        )
    if trouble := shop.store.read_only:
        print(f"kb: {trouble.message} {trouble.remedy}", file=sys.stderr)


def _keepers(shop: Shop, demo: bool) -> list[NowAndThen]:
    threads: list[NowAndThen] = [MemoryKeeper(shop)]
    if shop.store.read_only:
        return threads
    threads.append(UseKeeper(shop))
    if not demo:
        threads.append(BinKeeper(shop))
        if shop.settings.backup_daily:
            threads.append(DailyBackups(shop))
    return threads


def _warm(shop: Shop) -> None:
    """Chooses the weights and reads the word lists ahead of the first question.

    Opening index and counts left much memory free.
    """
    shop.derived.warm()
    case_texts.warm(shop)
    settle_memory()


def settle_memory() -> None:
    """Sets aside what a server keeps to its end, and gives back what its start has left free.

    Python looks for unused objects that refer to each other when a quarter more have come than it knows. It
    neither counts nor visits what is set aside (gc.freeze), so it looks sooner and takes less time, and what
    piles up between two looks no longer grows with the store. What is replaced later is freed all the same
    with its last reference, unless it refers to itself.
    """
    gc.collect()
    gc.freeze()
    system.give_back_memory()


class MemoryKeeper(NowAndThen):
    """Gives back to the system what answers, merges and an index read again have left free."""

    name = "memory keeper"
    first_look_s, between_looks_s = 60.0, 20.0  # it takes some milliseconds

    def look(self) -> None:
        """Gives it back."""
        system.give_back_memory()


def prove_certificate(certificate: Path, key: Path) -> None:
    """Raises BadInput where they are no certificate and its key."""
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise BadInput(
            f"The certificate {certificate} cannot be used with the key {key}: {error.strerror or error}.",
            field="tls-cert",
            remedy="Name two PEM files that belong together and that this user may read.",
        ) from error


def _listen(host: str, port: int) -> socket.socket:
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
