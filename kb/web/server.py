"""Runs the application on this machine and says where it answers."""

from __future__ import annotations

import asyncio
import gc
import socket
import sys
import webbrowser
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from kb import system
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
from kb.web.guard.one_browser import page_leading_to
from kb.web.hosts import in_address, is_loopback
from kb.web.listening import CertificateKeeper, Tls, config_for, listen
from kb.web.network import BesideThisMachine, told_of, trust_listener
from kb.web.reach import Network, Reach, ServedSo
from kb.web.request_log import current_request
from kb.web.trust_page import TrustPage

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
    network: Network
    trust: tuple[TrustPage, socket.socket] | None = None
    certificate: CertificateKeeper | None = None
    warm: Callable[[], None] = staticmethod(lambda: None)

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            if self.certificate:
                self.certificate.loop = asyncio.get_running_loop()
            if self.trust:
                await self.trust[0].start(self.trust[1])
            print("\n".join([f"Board fault book answers at {self.address}", *self.notes]), flush=True)
            system.tell_supervisor("READY=1")
            if isinstance(self.network, BesideThisMachine):
                await self.network.start()
            # The first suggestion would otherwise wait while the weights are chosen.
            asyncio.get_running_loop().run_in_executor(None, self.warm)
            if self.opens_browser:
                # The browser's own start may take seconds; the server must not wait for it.
                asyncio.get_running_loop().run_in_executor(
                    None, webbrowser.open, self.page.as_uri() if self.page else self.address
                )

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        system.tell_supervisor("STOPPING=1")
        if isinstance(self.network, BesideThisMachine):
            await self.network.stop()
        if self.trust:
            await self.trust[0].stop()
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
    tls: Tls | None = None,
) -> None:
    """Serves until stopped, with the certificate of `tls`.

    Raises BadInput where anybody could get in, and StoreTrouble for a taken port.
    """
    plan = addresses.plan(shop, host, demo=demo, tls=bool(tls), own_certificate=bool(tls and tls.own))
    listener = listen(host, port)
    port = int(listener.getsockname()[1])
    app = create_app(shop, demo=demo, serving=plan)
    server = _Server(config_for(app, plan, tls))
    server.address = f"{'https' if tls else 'http'}://{in_address(host)}:{port}/"
    server.notes = addresses.notes(plan)
    keeper = CertificateKeeper(shop, host, tls, server.config) if tls and tls.own else None
    server.certificate = keeper
    app.state.network = server.network = _network(server, shop, host, port, plan, tls, demo)
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
    threads = _keepers(shop, demo) + ([keeper] if keeper else [])
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


def _network(
    server: _Server, shop: Shop, host: str, port: int, plan: addresses.Serving, tls: Tls | None, demo: bool
) -> Network:
    """How others get here, by how the program was started."""
    if demo:
        return Network("The demo answers on its own machine only.")
    if plan.proxies:
        base = shop.settings.base_url.rstrip("/")
        return ServedSo(lambda: Reach((base,)), "A proxy leads others here, as KB_PROXY and KB_BASE_URL say.")
    if is_loopback(host):

        def beside(other: addresses.Serving) -> FastAPI:
            made = create_app(shop, serving=other)
            made.state.network = network
            return made

        network = BesideThisMachine(shop, beside, min(port + 1, 65_534))
        return network
    trust_port = 0
    if tls and tls.own and (other := trust_listener(host, port)):
        trust_port = int(other.getsockname()[1])
        page = TrustPage(lambda: app_network.reach(), shop.settings.shop_name)
        server.trust = (page, other)

    def reached() -> Reach:
        now = server.certificate.tls if server.certificate else tls
        return told_of(shop, host, port, now, trust_port)

    app_network = ServedSo(reached, f"The program was started for the network (--host {host}).")
    server.notes = [*server.notes, *_how_to_trust(app_network.reach())]
    return app_network


def _how_to_trust(reach: Reach | None) -> list[str]:
    """What the start says of an authority that phones and computers have to trust once."""
    if reach is None or reach.authority is None:
        return []
    lines = [
        *reach.notes,
        "Each phone and computer trusts this machine's own authority once; the page Connect a phone shows how.",
        f"The fingerprint of its certificate (SHA-256): {reach.fingerprint}",
    ]
    return lines + ([f"It is handed out at {reach.trust_page}"] if reach.trust_page else [])


def _warn(shop: Shop, plan: addresses.Serving, host: str) -> None:
    """Says on standard error what whoever starts the program has to know."""
    if plan.sign_in and not plan.tls and not is_loopback(host):
        print(
            "kb: passwords cross the network as they are typed. Use --tls auto, --tls-cert and --tls-key, or a proxy.",
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
