"""Commands that run the program for years: its service unit and its upgrade."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

from kb.config import Settings
from kb.service.operate import upgrades
from kb.web import process


def add_to(commands: Any, settings: Callable[[], Settings]) -> None:
    """Adds `kb unit` and `kb upgrade`; `settings` reads the settings when a command runs."""
    unit = commands.add_parser("unit", help="make the systemd user unit that keeps the program running")
    unit.add_argument("--host", default="127.0.0.1", help="address to listen on")
    unit.add_argument("--port", type=int, default=8765, help="port to listen on")
    unit.add_argument("--tls-cert", type=Path, metavar="FILE", help="certificate (PEM), to serve by HTTPS")
    unit.add_argument("--tls-key", type=Path, metavar="FILE", help="key of the certificate (PEM)")
    unit.add_argument("--show", action="store_true", help="only write it to standard output")
    unit.set_defaults(run=_unit)

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


def _unit(parsed: argparse.Namespace) -> int:
    options = ["--host", parsed.host, "--port", str(parsed.port)]
    for name in ("tls_cert", "tls_key"):
        if file := getattr(parsed, name):
            options += [f"--{name.replace('_', '-')}", str(file.resolve())]
    text = process.unit(options, os.environ)
    if parsed.show:
        print(text, end="")
        return 0
    file = process.unit_file(os.environ)
    process.install_unit(text, file)
    print(f"wrote {file}")
    print("start it now and with every sign-in:")
    print(f"  systemctl --user daemon-reload && systemctl --user enable --now {process.UNIT_NAME}")
    print("let it run while nobody is signed in:  loginctl enable-linger")
    print(f"read its log:  journalctl --user --unit {process.UNIT_NAME}")
    return 0


def _upgrade(settings: Settings, source: Path | None) -> int:
    done = upgrades.upgrade(settings, source, top=upgrades.checkout(Path(__file__).parents[1]))
    if done.backup:
        print(f"backed up to {done.backup}")
    print(f"upgraded; the new version's check: {done.checked}")
    print(f"where it runs as a service:  systemctl --user restart {process.UNIT_NAME}")
    return 0
