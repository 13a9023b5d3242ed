"""The one-time address that lets one browser in for good, on a machine whose other accounts shall stay outside."""

from __future__ import annotations

import hmac
import os
import secrets
import threading
from html import escape
from pathlib import Path

FILE = "open-in-browser.html"


class OneTimeKey:
    """A key that opens once while the program runs."""

    def __init__(self) -> None:
        self.secret = secrets.token_urlsafe(32)
        self._used = False
        self._lock = threading.Lock()

    def is_it(self, given: str) -> bool:
        """Whether it is the key, used or not."""
        return hmac.compare_digest(given.encode(), self.secret.encode())

    def opens(self, given: str) -> bool:
        """Whether it opens now; of two that come at once, one is second."""
        with self._lock:
            first, self._used = not self._used, self._used or self.is_it(given)
            return first and self._used


def page_leading_to(address: str, folder: Path) -> Path:
    """A page on the disk, for its owner alone, that leads to the one-time address.

    The command line of a browser can be read by every account of the machine; this file cannot.
    """
    file = folder / FILE
    file.unlink(missing_ok=True)
    handle = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as page:
        page.write(
            f'<!doctype html><meta charset="utf-8"><title>Board fault book</title>'
            f'<meta http-equiv="refresh" content="0; url={escape(address)}">'
            f'<p><a href="{escape(address)}">Open the board fault book</a>'
        )
    return file
