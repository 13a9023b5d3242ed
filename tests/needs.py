#!/usr/bin/env python3
"""What the tests need of the machine beyond Python's packages, and where it is.

    python3 tests/needs.py

prints the Debian packages that are missing, nothing where none is. The standard library is enough for that, so
that it can be asked before anything is installed.
"""

from __future__ import annotations

import ctypes
import importlib.util
import os
import shutil
from collections.abc import Sequence
from pathlib import Path

OLDEST_POSTGRESQL = 13
_POSTGRESQL = Path("/usr/lib/postgresql")
# Distributions differ in the name; the first that is there is taken. Without the windows it never shows, Chromium
# draws the same pages with half the processor time.
_BROWSERS = (
    "chromium-headless-shell",
    "chromium",
    "chromium-browser",
    "chromium-freeworld",
    "google-chrome-stable",
    "google-chrome",
    "chrome",
)
# Ubuntu's chromium is a snap, whose folder is not on every account's path.
_BESIDE_THE_PATH = (Path("/snap/bin"), Path("/usr/lib/chromium"), Path("/usr/lib/chromium-browser"))
_RELEASE = Path("/etc/os-release")


def postgresql_folders(root: Path = _POSTGRESQL) -> list[Path]:
    """The programs of every PostgreSQL that is new enough, as Debian and Ubuntu lay them down, newest first."""
    versions = {int(path.name): path / "bin" for path in root.glob("*") if path.name.isdigit()}
    return [
        versions[number]
        for number in sorted(versions, reverse=True)
        if number >= OLDEST_POSTGRESQL
        and all((versions[number] / program).exists() for program in ("postgres", "initdb"))
    ]


def postgresql(name: str) -> str | None:
    """The path of one of PostgreSQL's programs, None where it is not installed.

    One on the path counts as well: other systems install a single version.
    """
    for folder in postgresql_folders():
        if (folder / name).exists():
            return str(folder / name)
    return shutil.which(name)


def browser(beside: Sequence[Path] = _BESIDE_THE_PATH) -> str | None:
    """The path of Chromium by any of its names, None where it is not installed."""
    places = os.pathsep.join([os.environ.get("PATH", os.defpath), *map(str, beside)])
    return next((found for name in _BROWSERS if (found := shutil.which(name, path=places))), None)


def browser_package(release: Path = _RELEASE) -> str:
    """What Chromium's package is called: Ubuntu, and what is made of it, has it by another name than Debian."""
    try:
        lines = release.read_text(encoding="utf-8").splitlines()
    except OSError:
        lines = []
    said = dict(line.partition("=")[::2] for line in lines)
    kinds = " ".join(said.get(name, "").strip("\"'") for name in ("ID", "ID_LIKE")).split()
    return "chromium-browser" if "ubuntu" in kinds else "chromium"


def _has_library(name: str) -> bool:
    """Whether the loader finds it; where there is no such loader, nothing of Debian's is asked for."""
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def missing() -> list[str]:
    """The Debian packages to install before all tests can run."""
    needs = {
        "python3-venv": importlib.util.find_spec("ensurepip") is not None,
        "postgresql": postgresql("postgres") is not None and postgresql("initdb") is not None,
        browser_package(): browser() is not None,
        # The driver of the browser tests is linked with it, and no other package asks for it.
        "libatomic1": _has_library("libatomic.so.1"),
        # Pages are looked at in letters of a known width.
        "fonts-liberation": any(Path("/usr/share/fonts").glob("**/LiberationSans-Regular*")),
        # It speaks the readings that the recogniser is tested with.
        "espeak-ng": shutil.which("espeak-ng") is not None,
        "systemd": shutil.which("systemd-analyze") is not None,
    }
    return [package for package, is_there in needs.items() if not is_there]


def sentence(packages: list[str]) -> str:
    """What to do about missing packages, in one line."""
    return (
        f"The tests need what is not installed here: {', '.join(packages)}. "
        f"Install it (sudo apt install {' '.join(packages)}) and run them again."
    )


if __name__ == "__main__":
    print(" ".join(missing()))
