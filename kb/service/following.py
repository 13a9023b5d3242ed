"""Follows the change feed of a shared database in the background, so that answers need not wait for it."""

from __future__ import annotations

import threading
import time

from kb.service.shop import Shop

# The tables at hand are small, yet copied whole: not more often than this.
_AT_HAND_EVERY_S = 5.0


class Follower:
    """A thread that catches up whenever another process has written."""

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._changed = threading.Event()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="follower", daemon=True)

    def start(self) -> None:
        """Begins to follow; does nothing for a store in a file, which is looked at before every answer."""
        if self._shop.store.is_shared:
            self._shop.at_hand.refresh()
            self._shop.store.watch(self._changed.set, interval_s=self._shop.settings.database_poll_seconds)
            self._thread.start()

    def stop(self) -> None:
        """Ends the thread."""
        self._ended.set()
        self._changed.set()
        if self._thread.is_alive():
            self._thread.join(10)

    def _run(self) -> None:
        copied_at = 0.0
        while not self._ended.is_set():
            self._changed.wait()
            self._changed.clear()
            if self._ended.is_set() or self._shop.store.away is not None:
                continue
            self._shop.refresh()
            if time.monotonic() - copied_at >= _AT_HAND_EVERY_S:
                self._shop.at_hand.refresh()
                copied_at = time.monotonic()
