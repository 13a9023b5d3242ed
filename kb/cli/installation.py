"""Commands that run the program for years: what starts it with a sign-in, and its upgrade."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kb.cli import autostart
from kb.config import Settings
from kb.errors import BadInput
from kb.service import Shop
from kb.service.operate import upgrades

if TYPE_CHECKING:
    from kb.web.listening import Tls

OpenShop = Callable[[], AbstractContextManager[Shop]]


def port(text: str) -> int:
    """The port that an option names. Raises argparse.ArgumentTypeError."""
    if not (text.isascii() and text.isdigit() and int(text) <= 65535):
        raise argparse.ArgumentTypeError("a port is a whole number from 0 to 65535")
    return int(text)


def add_certificate_options(parser: argparse.ArgumentParser) -> None:
    """The options of a command that serves by HTTPS, or writes how."""
    parser.add_argument(
        "--tls",
        choices=["auto"],
        help="serve by HTTPS with a certificate that this machine makes and renews for itself; each phone and "
        "computer has to trust it once",
    )
    parser.add_argument("--tls-cert", type=Path, metavar="FILE", help="certificate (PEM), to serve by HTTPS")
    parser.add_argument("--tls-key", type=Path, metavar="FILE", help="key of the certificate (PEM)")


def certificate(parsed: argparse.Namespace, settings: Settings) -> Tls | None:
    """The certificate that the options name. Raises BadInput for one without its key or that cannot be used."""
    # They take a moment that other commands need not wait for.
    from kb.web import listening

    if parsed.tls and (parsed.tls_cert or parsed.tls_key):
        raise BadInput(
            "--tls auto makes a certificate, and another is named.", remedy="Name either, not both."
        )
    if parsed.tls:
        return listening.own(settings, parsed.host)
    if bool(parsed.tls_cert) != bool(parsed.tls_key):
        raise BadInput("A certificate needs its key.", remedy="Name both --tls-cert and --tls-key.")
    return listening.given(parsed.tls_cert.resolve(), parsed.tls_key.resolve()) if parsed.tls_cert else None


def add_to(commands: Any, settings: Callable[[], Settings], open_shop: OpenShop) -> None:
    """Adds `kb unit` and `kb upgrade`; settings and shop are read when a command runs."""
    unit = commands.add_parser(
        "unit",
        help="make what starts the program with every sign-in",
    )
    unit.add_argument("--host", default="127.0.0.1", help="address to listen on")
    unit.add_argument("--port", type=port, default=8765, help="port to listen on")
    add_certificate_options(unit)
    unit.add_argument("--show", action="store_true", help="only write it to standard output")
    unit.set_defaults(run=lambda parsed: _unit(parsed, settings(), open_shop))

    upgrade = commands.add_parser(
        "upgrade", help="back up, install a newer version and bring the store up to it"
    )
    upgrade.add_argument(
        "source",
        metavar="SOURCE",
        nargs="?",
        type=Path,
        help="a wheel or a folder with the newer version; the checkout in use where none is named",
    )
    upgrade.set_defaults(run=lambda parsed: _upgrade(settings(), parsed.source))


def _unit(parsed: argparse.Namespace, settings: Settings, open_shop: OpenShop) -> int:
    tls = certificate(parsed, settings)
    _would_serve(parsed.host, tls, settings, open_shop)
    options = ["--host", parsed.host, "--port", str(parsed.port)]
    if tls and tls.own:
        options += ["--tls", "auto"]
    elif tls:
        options += ["--tls-cert", str(tls.certificate), "--tls-key", str(tls.key)]
    start = autostart.autostart(options, _address(parsed.host, parsed.port, bool(tls)), os.environ)
    if parsed.show:
        for one in start.files:
            print(one.text, end="")
        return 0
    autostart.install(start)
    for one in start.files:
        print(f"wrote {one.file}")
    for line in start.told:
        print(line)
    return 0


def _address(host: str, port: int, tls: bool) -> str:
    """Where a browser of this machine finds what listens there."""
    from kb.web.hosts import in_address  # which takes a moment that other commands need not wait for

    name = in_address({"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host))
    return f"{'https' if tls else 'http'}://{name}:{port}/"


def _would_serve(host: str, tls: Tls | None, settings: Settings, open_shop: OpenShop) -> None:
    """Says now what `kb serve` would refuse each time the unit starts it, where only a log tells. Raises KbError."""
    from kb.web import hosts
    from kb.web.guard import addresses

    if not hosts.is_loopback(host) or settings.sign_in == "always" or settings.proxy:
        with open_shop() as shop:
            addresses.plan(shop, host, tls=bool(tls))


def _upgrade(settings: Settings, source: Path | None) -> int:
    done = upgrades.upgrade(settings, source, top=upgrades.checkout(Path(__file__).parents[1]))
    if done.backup:
        print(f"backed up to {done.backup}")
    print(f"upgraded; the new version's check: {done.checked}")
    print(autostart.restart_words())
    return 0
