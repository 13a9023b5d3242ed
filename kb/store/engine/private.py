"""Files that only the account may read which runs the program: customers' names stand in them.

Systems without such modes (Windows) keep their own protection of the user's folders; there nothing is done.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterable
from pathlib import Path

from kb import system

log = logging.getLogger(__name__)
_OTHERS = 0o077


def made(file: Path) -> None:
    """Makes an empty file where there is none.

    SQLite would make a database that anybody may read; its write-ahead log takes the mode of the database.
    """
    if not file.exists():
        os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))


def mend(paths: Iterable[Path]) -> None:
    """Takes from others what an earlier program, a copy or a person left open to them, and says so in the log."""
    if system.KIND == "windows":
        return
    for path in paths:
        try:
            found = path.stat().st_mode & 0o777
            if not found & _OTHERS:
                continue
            path.chmod(found & ~_OTHERS)
            log.warning(
                "kb: %s was open to other accounts of this machine (%03o) and is so no more", path, found
            )
        except FileNotFoundError:
            continue
        except OSError as error:
            log.warning(
                "kb: other accounts of this machine may read %s, and that cannot be changed: %s. "
                "Let the account that runs the program own it.",
                path,
                error.strerror,
            )
