"""The thread that backs up a shop once a day while it is served; its trouble never reaches the pages' work."""

from __future__ import annotations

import logging
from datetime import UTC, datetime

from kb.errors import KbError
from kb.service.operate import backups
from kb.service.shop.periodic import NowAndThen

log = logging.getLogger(__name__)


class _Stopped(Exception):
    """The program ends; a backup that is half made is dropped."""


class DailyBackups(NowAndThen):
    """Looks now and then whether a backup is due, and makes it."""

    name = "daily backups"
    first_look_s, between_looks_s = 20.0, 600.0  # not while the program starts; cheap when nothing is due

    def start(self) -> None:
        """Begins to look."""
        self._shop.upkeep.daily = True
        super().start()

    def stop(self) -> None:
        """Ends, and drops a backup that is half made."""
        super().stop()
        self._shop.upkeep.daily = False

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
        if self.ending.is_set():
            raise _Stopped
