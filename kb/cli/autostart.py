"""What starts the program with every sign-in: a systemd unit, a launch agent, or an entry of the Startup folder.

systemd.unit(5), launchd.plist(5) and the shell folders of Windows say what such files hold and where they lie.
"""

from __future__ import annotations

import os
import plistlib
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from kb import system

NAME = "kb-boards"
_TITLE = "Board fault book"
# What decides where the records are; everything else belongs in the settings file.
_PLACES = ("KB_DATA", "KB_DATABASE_URL", "KB_CONFIG")


@dataclass(frozen=True, slots=True)
class StartFile:
    """A file to write, and the line ends that its system wants."""

    file: Path
    text: str
    newline: str = "\n"


@dataclass(frozen=True, slots=True)
class Autostart:
    """The files that start the program, what to do with them, and how it is started again after an upgrade."""

    files: tuple[StartFile, ...]
    told: tuple[str, ...]


def autostart(options: list[str], address: str, environment: Mapping[str, str]) -> Autostart:
    """What starts `kb serve` with these options on this system; `address` is where a browser finds it.

    The places of the records that `environment` names are written into it, since what is started with a
    sign-in does not see what a terminal has set.
    """
    command = [sys.executable, "-m", "kb", "serve", "--no-browser", *options]
    places = {name: environment[name] for name in _PLACES if environment.get(name)}
    make = {"windows": _startup_folder, "macos": _launch_agent}.get(system.KIND, _systemd)
    return make(command, places, address, environment)


def restart_words() -> str:
    """How the running program is started again after an upgrade."""
    return {
        "windows": "where it runs: close its window and start it again from the Startup folder",
        "macos": f"where it runs as a launch agent:  launchctl kickstart -k gui/$(id -u)/{NAME}",
    }.get(system.KIND, f"where it runs as a service:  systemctl --user restart {NAME}.service")


def install(start: Autostart) -> None:
    """Puts the files in their places, readable for their owner only since they may name a database's password."""
    for one in start.files:
        one.file.parent.mkdir(parents=True, exist_ok=True)
        part = one.file.with_name(one.file.name + ".part")
        descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8", newline=one.newline) as target:
            target.write(one.text)
        system.replace(part, one.file)


def _systemd(
    command: list[str], places: dict[str, str], _address: str, environment: Mapping[str, str]
) -> Autostart:
    lines = [
        "[Unit]",
        f"Description={_TITLE}",
        "",
        "[Service]",
        "Type=notify",
        # A dollar sign would name a variable in a command line, but not in an assignment.
        "ExecStart=" + " ".join(_quoted(word).replace("$", "$$") for word in command),
        "Environment=PYTHONUNBUFFERED=1",
        *(f"Environment={_quoted(f'{name}={value}')}" for name, value in places.items()),
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
    configured = environment.get("XDG_CONFIG_HOME", "")
    base = Path(configured) if configured.startswith("/") else Path.home() / ".config"
    unit = f"{NAME}.service"
    return Autostart(
        (StartFile(base / "systemd" / "user" / unit, "\n".join(lines)),),
        (
            "start it now and with every sign-in:",
            f"  systemctl --user daemon-reload && systemctl --user enable --now {unit}",
            "let it run while nobody is signed in:  loginctl enable-linger",
            f"read its log:  journalctl --user --unit {unit}",
        ),
    )


def _quoted(text: str) -> str:
    """One word of a unit file, as systemd.syntax(7) and systemd.service(5) read it: %, $ and quotes escaped."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return f'"{escaped}"'


def _launch_agent(
    command: list[str], places: dict[str, str], _address: str, _environment: Mapping[str, str]
) -> Autostart:
    log = str(Path.home() / "Library" / "Logs" / f"{NAME}.log")
    agent = {
        "Label": NAME,
        "ProgramArguments": command,
        "EnvironmentVariables": {"PYTHONUNBUFFERED": "1", **places},
        "WorkingDirectory": str(Path.home()),
        "RunAtLoad": True,
        "KeepAlive": {"SuccessfulExit": False},
        "ExitTimeOut": 60,
        "Umask": 0o077,
        "StandardOutPath": log,
        "StandardErrorPath": log,
    }
    file = Path.home() / "Library" / "LaunchAgents" / f"{NAME}.plist"
    return Autostart(
        (StartFile(file, plistlib.dumps(agent, sort_keys=False).decode()),),
        (
            "it starts with every sign-in; start it now:",
            f'  launchctl bootstrap gui/$(id -u) "{file}"',
            f"stop it:  launchctl bootout gui/$(id -u)/{NAME}",
            f"its log:  {log}",
        ),
    )


def _startup_folder(
    command: list[str], places: dict[str, str], address: str, environment: Mapping[str, str]
) -> Autostart:
    roaming = environment.get("APPDATA") or str(Path.home() / "AppData" / "Roaming")
    programs = Path(roaming) / "Microsoft" / "Windows" / "Start Menu" / "Programs"
    # A per cent sign would name a variable; a path on Windows holds no quotation mark.
    sets = [f'set "{name}={value.replace("%", "%%")}"' for name, value in places.items()]
    words = " ".join(f'"{word.replace("%", "%%")}"' for word in command)
    lines = ["@echo off", "chcp 65001 >nul", *sets, f'start "{_TITLE}" /min {words}', ""]
    starting = StartFile(programs / "Startup" / f"{NAME}.cmd", "\n".join(lines), "\r\n")
    opening = StartFile(
        programs / f"{_TITLE}.url", "\n".join(["[InternetShortcut]", f"URL={address}", ""]), "\r\n"
    )
    return Autostart(
        (starting, opening),
        (
            "it starts with every sign-in, in a window of its own that is made small; start it now:",
            f'  "{starting.file}"',
            "stop it: close that window; take it out: delete that file",
            f"the Start menu opens {address} by the name {_TITLE}",
        ),
    )
