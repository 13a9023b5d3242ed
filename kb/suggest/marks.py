"""When the counts of each section last changed, for whoever keeps something derived from them."""

from __future__ import annotations

import numpy as np

from kb.suggest.growing import Column


class Marks:
    """A clock that goes on with every case that comes or goes, and its reading for each section."""

    __slots__ = ("now", "of_section")

    def __init__(self) -> None:
        self.now = 0
        self.of_section = Column(np.int64)

    def note(self, section: int) -> None:
        self.now += 1
        self.of_section.reserve(section + 1)
        self.of_section.view[section] = self.now
