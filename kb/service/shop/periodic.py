"""A thread beside the pages' work that looks now and then whether something is due."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod

from kb.service.shop.shop import Shop


class NowAndThen(ABC):
    """Calls `look` some time after the start, and then again and again until it is stopped."""

    name: str
    first_look_s: float
    between_looks_s: float

    def __init__(self, shop: Shop, *, first_look_s: float | None = None) -> None:
        self._shop = shop
        self._first_s = self.first_look_s if first_look_s is None else first_look_s
        self.ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name=self.name)

    @abstractmethod
    def look(self) -> None:
        """Does what is due. What goes wrong is told to the log and never raised."""

    def start(self) -> None:
        """Begins to look."""
        self._thread.start()

    def stop(self) -> None:
        """Ends, as soon as a look that is under way does; that one can see it by `ending`."""
        self.ending.set()
        self._thread.join()

    def _run(self) -> None:
        wait_s = self._first_s
        while not self.ending.wait(wait_s):
            self.look()
            wait_s = self.between_looks_s
