"""Other devices of the network, let in from a page while the program runs.

The listener of this machine stays as it is: nobody signs in there, and nobody else is answered. Beside it a second
one serves the network, by HTTPS with a certificate of this machine's own authority, and there everybody signs in. It
opens and closes without a restart; what was chosen is kept in the data folder and counts at the next start as well.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import secrets
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import uvicorn

from kb import system
from kb.errors import BadInput, Conflict, KbError, StoreTrouble
from kb.service import Shop
from kb.web.guard import addresses
from kb.web.guard.addresses import Serving
from kb.web.listening import CertificateKeeper, Tls, config_for, listen, own
from kb.web.reach import Network, Reach, addresses_of
from kb.web.trust_page import TrustPage

log = logging.getLogger(__name__)
HOST = "0.0.0.0"
_START_S = 60.0
MakeApp = Callable[[Serving], Any]


class _Beside(uvicorn.Server):
    """A server beside another, which alone hears the signals of the process."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Leaves them to the other."""
        yield


@dataclass(slots=True)
class _Open:
    """What runs while others are let in."""

    server: _Beside
    task: asyncio.Task[None]
    keeper: CertificateKeeper
    port: int
    trust: TrustPage
    trust_port: int


def told_of(shop: Shop, host: str, port: int, tls: Tls | None, trust_port: int) -> Reach:
    """How others get to a listener."""
    cards = system.own_addresses()
    made = tls.own if tls else None
    addresses = addresses_of(shop.settings, host, port, "https" if tls else "http", cards)
    at = addresses_of(shop.settings.model_copy(update={"base_url": ""}), host, trust_port, "http", cards)
    notes = list(made.notes) if made else []
    if made and made.left_out:
        notes.append(
            f"The authority was made when this machine had other names and may not vouch for "
            f"{', '.join(made.left_out)}. The rest works; for a new authority delete the folder "
            f"{shop.settings.tls_folder} and start the program again."
        )
    return Reach(
        addresses or (f"{'https' if tls else 'http'}://localhost:{port}",),
        f"{at[0]}/" if trust_port and at else "",
        made.authority if made else None,
        made.fingerprint if made else "",
        made.good_until if made else None,
        tuple(notes),
    )


def trust_listener(host: str, port: int) -> socket.socket | None:
    """Where the certificate is handed out by plain HTTP: one port further. None where that is taken."""
    try:
        return listen(host, port + 1 if port else 0)
    except (StoreTrouble, OverflowError) as error:
        log.warning("kb: the certificate is not handed out by plain HTTP: %s", error)
        return None


class BesideThisMachine(Network):
    """Opens and closes the listener for the network; the pages call it from threads of their own."""

    can_change = True

    def __init__(self, shop: Shop, make_app: MakeApp, default_port: int) -> None:
        super().__init__("")
        self._shop, self._make_app = shop, make_app
        self._loop: asyncio.AbstractEventLoop | None = None
        self._now: _Open | None = None
        self._lock = threading.Lock()
        self._default_port = default_port

    @property
    def port(self) -> int:
        """The port for the network: the one that was chosen, or the one after that of this machine."""
        found = self._chosen().get("port")
        return found if isinstance(found, int) and 0 < found < 65_535 else self._default_port

    def reach(self) -> Reach | None:
        """How others get here, None while they are not let in."""
        now = self._now
        if now is None:
            return None
        return told_of(self._shop, HOST, now.port, now.keeper.tls, now.trust_port)

    def open(self, port: int | None = None) -> None:
        """Lets others in, from now on and at each start. Raises KbError."""
        with self._lock:
            if self._now is not None:
                raise Conflict("Other devices are let in already.", remedy="Scan the code below.")
            chosen = self.port if port is None else port
            self._begin(chosen)
            self.trouble = ""
            self._keep(True, chosen)

    def close(self) -> None:
        """Shuts others out, from now on and at each start. Raises StoreTrouble where that cannot be kept."""
        with self._lock:
            self._keep(False, self.port)
            if self._now is not None and self._loop is not None:
                asyncio.run_coroutine_threadsafe(self.stop(), self._loop)

    async def start(self) -> None:
        """Takes the running loop for its own, and lets others in where that was chosen before."""
        self._loop = asyncio.get_running_loop()
        if self._chosen().get("open") is True:
            await self._loop.run_in_executor(None, self._open_again)

    async def stop(self) -> None:
        """Ends the listener; what is being answered is answered."""
        now, self._now = self._now, None
        if now is None:
            return
        now.keeper.ending.set()
        await now.trust.stop()
        now.server.should_exit = True
        await now.task

    def _open_again(self) -> None:
        try:
            with self._lock:
                self._begin(self.port)
        except KbError as error:
            self.trouble = f"{error.message} {error.remedy or ''}".rstrip()
            log.warning("kb: other devices are not let in: %s", self.trouble)

    def _begin(self, port: int) -> None:
        if self._loop is None:
            raise StoreTrouble("The program is not ready yet.", remedy="Try again in a moment.")
        plan = addresses.plan(self._shop, HOST, tls=True, own_certificate=True)
        tls = own(self._shop.settings, HOST)
        try:
            listener = listen(HOST, port)
        except StoreTrouble as error:
            error.remedy = "Stop the program that uses it, or write another port."
            raise
        asyncio.run_coroutine_threadsafe(self._serve(plan, tls, listener), self._loop).result(_START_S)

    async def _serve(self, plan: Serving, tls: Tls, listener: socket.socket) -> None:
        config = config_for(self._make_app(plan), plan, tls)
        server = _Beside(config)
        port = int(listener.getsockname()[1])
        task = asyncio.create_task(server.serve(sockets=[listener]))
        while not server.started:
            if task.done():
                listener.close()
                await task
                raise StoreTrouble("The listener for the network ended at once.", remedy="See the log.")
            await asyncio.sleep(0.01)
        keeper = CertificateKeeper(self._shop, HOST, tls, config)
        keeper.loop = asyncio.get_running_loop()
        keeper.start()
        trust = TrustPage(self.reach, self._shop.settings.shop_name)
        other = trust_listener(HOST, port)
        if other is not None:
            await trust.start(other)
        trust_port = int(other.getsockname()[1]) if other else 0
        self._now = _Open(server, task, keeper, port, trust, trust_port)

    # -- what was chosen

    def _chosen(self) -> dict[str, Any]:
        with suppress(OSError, ValueError):
            found = json.loads(self._shop.settings.network_file.read_text(encoding="utf-8"))
            return found if isinstance(found, dict) else {}
        return {}

    def _keep(self, is_open: bool, port: int) -> None:
        file = self._shop.settings.network_file
        part = file.with_name(f"{file.name}.{secrets.token_hex(4)}")
        try:
            with open(part, "w", encoding="utf-8", newline="\n") as target:
                json.dump({"open": is_open, "port": port}, target)
            try:
                system.put_in_place(part, file)
            finally:
                part.unlink(missing_ok=True)
        except OSError as error:
            now = "are let in until the program stops" if is_open else "are let in as before"
            raise StoreTrouble(
                f"Other devices {now}: the choice cannot be kept, {os.strerror(error.errno or 0).lower()}.",
                remedy="Give this user the right to write to the data folder.",
            ) from error


def port_of(text: str) -> int:
    """A port as it was typed. Raises BadInput."""
    typed = text.strip()
    if not (typed.isascii() and typed.isdigit() and len(typed) <= 5 and 1024 <= int(typed) <= 65_534):
        raise BadInput(
            f"“{typed[:20]}” is no port for this.",
            field="port",
            remedy="Write a whole number from 1024 to 65534, or leave it as it was.",
        )
    return int(typed)
