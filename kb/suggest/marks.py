"""When the counts of each section last changed, and by which cases, for whoever keeps something derived from them."""

from __future__ import annotations

import numpy as np

from kb.suggest.growable import Column

_REMEMBERED = 1_000


class Marks:
    """A clock that goes on with every case that comes or goes, and its reading for each section.

    `changes` are the latest of them, one for each step of the clock: in which ledger, which row, +1 or -1.
    """

    __slots__ = ("changes", "now", "of_section")

    def __init__(self) -> None:
        self.now = 0
        self.of_section = Column(np.int64)
        self.changes: list[tuple[object, int, int]] = []

    def since(self, then: int) -> list[tuple[object, int, int]] | None:
        """The changes after a reading of the clock, None where they are not remembered any more."""
        steps = self.now - then
        return self.changes[len(self.changes) - steps :] if steps <= len(self.changes) else None

    def forget(self) -> None:
        """For when rows get other numbers."""
        self.changes.clear()

    def note(self, section: int, ledger: object, row: int, sign: int) -> None:
        self.now += 1
        if len(self.changes) >= 2 * _REMEMBERED:
            del self.changes[:_REMEMBERED]
        self.changes.append((ledger, row, sign))
        self.of_section.reserve(section + 1)
        self.of_section.view[section] = self.now
