"""`kb serve` as processes of their own, and waiting for what another process does."""

from __future__ import annotations

import os
import re
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import commands
import httpx
from commands import STUCK_S


def bare_environment(**settings: str) -> dict[str, str]:
    """The environment without settings of the program but these."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("KB_")}
    return {**kept, **settings}


@contextmanager
def served(
    folder: Path, *arguments: str, address: str = "", **settings: str
) -> Iterator[tuple[str, commands.Process]]:
    """(address without the last slash, process) of a `kb serve` with a data folder; `settings` are further ones
    of `KB_…`. Raises AssertionError with what it says where it does not start."""
    environment = bare_environment(
        **{"KB_DATA": str(folder), "KB_DATABASE_URL": address, "KB_BACKUP_DAILY": "no"} | settings
    )
    process = commands.start(["serve", "--no-browser", "--port", "0", *arguments], environment)
    try:
        line = process.stdout.readline()
        assert "answers at" in line, (line, process.communicate()[1])
        yield line.split()[-1].rstrip("/"), process
    finally:
        process.terminate()
        process.communicate()


@contextmanager
def serving(folder: Path, address: str, **settings: str) -> Iterator[httpx.Client]:
    """A client of a `kb serve` process of its own with its own data folder."""
    with (
        served(folder, address=address, **settings) as (url, _),
        httpx.Client(base_url=url + "/", timeout=STUCK_S) as client,
    ):
        yield client


def free_port() -> int:
    """A port that is free and the next one with it, out of the range from which systems give ports by themselves, so
    that no other test gets one of them meanwhile."""
    for port in range(20_000 + os.getpid() % 5_000 * 2, 32_000, 2):
        with ExitStack() as held:
            try:
                for one in (port, port + 1):
                    held.enter_context(socket.create_server(("", one)))
            except OSError:
                continue
        return port
    raise AssertionError("no two ports are free")


def until(holds: Callable[[], Any]) -> None:
    """Waits until something holds that another process or thread brings about, and tells nobody of.

    It fails only where that hangs: how long it takes says how busy the machine is.
    """
    end = time.monotonic() + STUCK_S
    while not holds():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.02)


def figure(client: httpx.Client, name: str, **headers: str) -> float:
    """One of the figures that a server hands to a monitor."""
    found = re.search(rf"^{name} (\S+)$", client.get("metrics", headers=headers).text, re.MULTILINE)
    assert found, f"no figure {name}"
    return float(found[1])


def until_at_hand(client: httpx.Client, **headers: str) -> None:
    """Waits until a server keeps at hand, for a cut, all that was saved before, people and sessions too."""
    newest, copied = (
        figure(client, f"kb_{name}", **headers) for name in ("change_number", "at_hand_copies_total")
    )
    until(lambda: figure(client, "kb_at_hand_change", **headers) >= newest)
    # One that was under way may have begun before.
    until(lambda: figure(client, "kb_at_hand_copies_total", **headers) >= copied + 2)
