"""The program as a service of the machine: told to systemd when ready, and the unit that starts it."""

from __future__ import annotations

import ctypes
import gc
import os
import socket
import sys
from collections.abc import Mapping
from pathlib import Path

UNIT_NAME = "kb-boards.service"
_M_ARENA_MAX = -8  # from malloc.h
_TURN_S = 0.0005
# What decides where the records are; everything else belongs in the settings file.
_PLACES = ("KB_DATA", "KB_DATABASE_URL", "KB_CONFIG")


def tell_supervisor(state: str) -> bool:
    """Sends `READY=1` or `STOPPING=1` to the supervisor that asked for it; False where none did.

    The protocol is that of sd_notify(3): a datagram to the socket that NOTIFY_SOCKET names, where a leading
    @ stands for the abstract namespace.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return False
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
        try:
            sender.connect("\0" + address[1:] if address.startswith("@") else address)
            sender.sendall(state.encode())
        except OSError:
            return False  # a supervisor that has gone must not take the server with it
    return True


def keep_memory_small() -> bool:
    """Lets all threads share two heaps; False where the C library cannot be asked.

    The GNU C library would give up to eight heaps for each core to threads, and what is free in one is of no
    use to the others. See mallopt(3); it counts for heaps that are made after this call.
    """
    try:
        return bool(ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 2))
    except (OSError, AttributeError):
        return False


def share_often() -> None:
    """Lets threads take turns ten times as often as Python does by itself.

    A page asks the database some fifty times and each time lets go of the interpreter; beside a thread that computes
    it waited 5 ms each time until it had it back.
    """
    sys.setswitchinterval(_TURN_S)


def give_back_memory() -> bool:
    """Gives the system back what is free after large work, see malloc_trim(3); False where none was."""
    try:
        return bool(ctypes.CDLL(None).malloc_trim(0))
    except (OSError, AttributeError):
        return False


def settle_memory() -> None:
    """Sets aside what a server keeps to its end, and gives back what its start has left free.

    Python looks for unused objects that refer to each other when a quarter more have come than it knows. It
    neither counts nor visits what is set aside (gc.freeze), so it looks sooner and takes less time, and what
    piles up between two looks no longer grows with the store. What is replaced later is freed all the same
    with its last reference, unless it refers to itself.
    """
    gc.collect()
    gc.freeze()
    give_back_memory()


def _quoted(text: str) -> str:
    """One word of a unit file, as systemd.syntax(7) and systemd.service(5) read it: %, $ and quotes escaped."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{escaped}"'


def unit(options: list[str], environment: Mapping[str, str]) -> str:
    """Text of a systemd user unit that serves with these options of `kb serve`.

    The places of the records that `environment` names are written into it, since a service does not see what
    a terminal has set.
    """
    command = [sys.executable, "-m", "kb", "serve", "--no-browser", *options]
    places = [
        f"Environment={_quoted(f'{name}={environment[name]}')}" for name in _PLACES if environment.get(name)
    ]
    lines = [
        "[Unit]",
        "Description=Board fault book",
        "",
        "[Service]",
        "Type=notify",
        # A dollar sign would name a variable in a command line, but not in an assignment.
        "ExecStart=" + " ".join(_quoted(word).replace("$", "$$") for word in command),
        "Environment=PYTHONUNBUFFERED=1",
        *places,
        "WorkingDirectory=~",
        "Restart=on-failure",
        "RestartSec=5",
        # Long enough to end a write and to keep the counts; nothing acknowledged depends on it.
        "TimeoutStartSec=600",
        "TimeoutStopSec=60",
        "UMask=0077",
        "NoNewPrivileges=yes",
        "",
        "[Install]",
        "WantedBy=default.target",
        "",
    ]
    return "\n".join(lines)


def unit_file(environment: Mapping[str, str]) -> Path:
    """Where systemd looks for a user's own units."""
    configured = environment.get("XDG_CONFIG_HOME", "")
    base = Path(configured) if configured.startswith("/") else Path.home() / ".config"
    return base / "systemd" / "user" / UNIT_NAME


def install_unit(text: str, file: Path) -> None:
    """Puts the unit in its place, readable for its owner only since it may name a database's password."""
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(file.name + ".part")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as target:
        target.write(text)
    os.replace(part, file)
