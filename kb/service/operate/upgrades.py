"""A newer version of the program in place of this one, with a proved backup first."""

from __future__ import annotations

import locale
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from kb.config import Settings
from kb.errors import BadInput, KbError, NotFound
from kb.service.operate import backup_files
from kb.store.engine.sqlite_files import free_place


@dataclass(frozen=True, slots=True)
class Ran:
    """What a command answered: its exit status and the last lines it wrote."""

    status: int
    said: str


Runner = Callable[[Sequence[str]], Ran]


class Failed(KbError):
    """A step of the upgrade did not go through."""


@dataclass(frozen=True, slots=True)
class Upgraded:
    """The backup that was made first (None where there was no store yet) and what the new program's check said."""

    backup: Path | None
    checked: str


def run_command(command: Sequence[str]) -> Ran:
    """Runs a command without a shell and without standard input."""
    done = subprocess.run(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding=locale.getpreferredencoding(False),
        errors="replace",
        check=False,
    )
    return Ran(done.returncode, "\n".join(done.stdout.strip().splitlines()[-15:]))


def checkout(package: Path) -> Path | None:
    """The git checkout that the program runs from, None where it was installed from a wheel."""
    top = package.parent
    return top if (top / ".git").exists() and (top / "pyproject.toml").is_file() else None


def upgrade(
    settings: Settings, source: Path | None, *, top: Path | None, run: Runner = run_command
) -> Upgraded:
    """Backs the store up, installs the program from `source` and lets it bring the store up to date.

    `source` is a wheel or a folder with the program; without one the checkout `top` is brought up to its
    branch's newest commit and installed. Nothing is installed where the backup fails, and the store is not
    touched where installing fails.

    Raises BadInput where there is nothing to install from, and Failed naming the way back otherwise.
    """
    if source is None and top is None:
        raise BadInput(
            "This program was not installed from a checkout, so it does not know where newer versions are.",
            field="source",
            remedy="Name the file of the newer version: kb upgrade FILE.whl.",
        )
    if source is not None and not source.exists():
        raise BadInput(f"{source} is not there.", field="source", remedy="Name a wheel or a folder.")
    target = free_place(settings.backups, lambda moment: f"before-upgrade-{moment}.zip")
    backup: Path | None = target
    try:
        settings.backups.mkdir(parents=True, exist_ok=True, mode=0o700)
        backup_files.back_up(settings, target)
    except NotFound:
        backup = None
    if source is None:
        assert top is not None
        _must(run(["git", "-C", str(top), "pull", "--ff-only", "--quiet"]), "fetch the newer version")
    wanted = ["--editable", str(top)] if source is None else ["--force-reinstall", "--no-deps", str(source)]
    _must(run([sys.executable, "-m", "pip", "install", "--quiet", *wanted]), "install the newer version")
    if source is not None:
        # Forced above so that a build of the same number counts as newer; what it needs is added without force.
        _must(run([sys.executable, "-m", "pip", "install", "--quiet", str(source)]), "install what it needs")
    checked = run([sys.executable, "-m", "kb", "check"])
    if checked.status:
        way_back = (
            f"Install the earlier version again and run kb restore {backup}."
            if backup
            else "Install the earlier version again."
        )
        raise Failed(f"The newer version cannot use the store: {checked.said}", remedy=way_back)
    return Upgraded(backup, checked.said)


def _must(ran: Ran, what: str) -> None:
    if ran.status:
        raise Failed(
            f"It was not possible to {what}, and the store was not touched. {ran.said}",
            remedy="Mend what it says and run kb upgrade again.",
        )
