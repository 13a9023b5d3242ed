"""Follows the change feed of a shared database in the background, so that answers need not wait for it."""

from __future__ import annotations

import threading
import time

from kb.service.shop.shop import Shop

# The tables at hand are small, yet copied whole: not more often than this. Where the feed tells of no
# change only people and sessions are, which are not in it, and the rest no more often than the second.
AT_HAND_EVERY_S = 1.0
_UNCHANGED_EVERY_S = 5.0


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
        copied_at, people_at, copied = 0.0, 0.0, None
        pause: float | None = None
        while not self._ended.is_set():
            woken = self._changed.wait(pause)
            self._changed.clear()
            pause = None
            if self._ended.is_set() or self._shop.store.away is not None:
                continue  # coming back wakes it again
            if woken:
                self._shop.refresh()
            seen, now = self._shop.derived.seen(), time.monotonic()
            if now - people_at < AT_HAND_EVERY_S:
                # Copied at the end of the pause, not with whatever changes next.
                pause = AT_HAND_EVERY_S - (now - people_at)
            elif seen != copied or now - copied_at >= _UNCHANGED_EVERY_S:
                self._shop.at_hand.refresh(seen["index"])
                copied = seen
                copied_at = people_at = time.monotonic()
            else:
                self._shop.at_hand.refresh_people()
                people_at = time.monotonic()
