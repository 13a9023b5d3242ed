"""The thread that backs up a shop once a day while it is served; its trouble never reaches the pages' work."""

from __future__ import annotations

import logging
import threading
from datetime import UTC, datetime

from kb.errors import KbError
from kb.service import backups
from kb.service.shop import Shop

log = logging.getLogger(__name__)
# The first look waits until the start is over; later ones are cheap when nothing is due.
_FIRST_LOOK_S, _BETWEEN_LOOKS_S = 20.0, 600.0


class _Stopped(Exception):
    """The program ends; a backup that is half made is dropped."""


class DailyBackups:
    """Looks now and then whether a backup is due, and makes it."""

    def __init__(self, shop: Shop, *, first_look_s: float = _FIRST_LOOK_S) -> None:
        self._shop = shop
        self._first_look_s = first_look_s
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="daily backups")

    def start(self) -> None:
        """Begins to look."""
        self._shop.upkeep.daily = True
        self._thread.start()

    def stop(self) -> None:
        """Ends, and drops a backup that is half made."""
        self._end.set()
        self._thread.join()
        self._shop.upkeep.daily = False

    def _run(self) -> None:
        wait = self._first_look_s
        while not self._end.wait(wait):
            self.look()
            wait = _BETWEEN_LOOKS_S

    def look(self) -> None:
        """Makes the backup where it is due. What goes wrong is kept for the pages and told to the log."""
        upkeep = self._shop.upkeep
        try:
            backups.daily_if_due(self._shop, datetime.now(UTC), self._go_on)
            upkeep.trouble = upkeep.remedy = ""
        except _Stopped:
            pass
        except KbError as error:
            upkeep.trouble, upkeep.remedy = error.message, error.remedy or ""
            log.error("the daily backup failed: %s %s", upkeep.trouble, upkeep.remedy)
        except Exception:
            log.exception("the daily backup failed")
            upkeep.trouble = "The daily backup failed for a reason that the log tells."
            upkeep.remedy = "Make one by hand, and look into the log."

    def _go_on(self, _done: int, _total: int) -> None:
        if self._end.is_set():
            raise _Stopped
