"""A clock that goes on evenly while the program runs, whatever is done to the clock of the machine."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable

from kb import system

log = logging.getLogger(__name__)
# What time servers correct while a machine runs; more is somebody's hand, or a battery that is empty.
_CORRECTED_S = 120.0


class SteadyClock:
    """Seconds since 1970, as the machine's clock had them when the program began and evenly from there.

    Small corrections are followed. After a jump of more than two minutes limits of time (sessions, waits between
    attempts) go on as if there had been none, until the program is started again.
    """

    def __init__(
        self, wall: Callable[[], float] = time.time, steady: Callable[[], float] = system.since_boot
    ) -> None:
        self._wall, self._steady = wall, steady
        self._base = wall() - steady()
        self._told = False

    def __call__(self) -> float:
        wall, even = self._wall(), self._base + self._steady()
        if abs(wall - even) <= _CORRECTED_S:
            self._base += wall - even
            self._told = False
            return wall
        if not self._told:
            self._told = True
            log.warning(
                "the clock of this machine was set by %+.0f s; limits of time go on evenly", wall - even
            )
        return even
