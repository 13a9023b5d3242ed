"""What is counted for one fault, over all boards or within one family."""

from __future__ import annotations

from array import array
from bisect import bisect_left, insort
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

_ROW_BITS = 32
_ROW_MASK = (1 << _ROW_BITS) - 1


class Tally:
    """Whole numbers only, so that adding and then taking away restores them exactly.

    `cases`           cases that are evidence for the fault
    `tried`, `cured`  cases in which this fix was tried with a known result, and in which it cured
    `own_tries`       tries, with a known result, of this fix on boards that it was the fix for
    `fixed`           boards that it was the fix for, whether it lasted or not
    `cost_sum`, `cost_known`, `minutes_sum`, `minutes_known`
                      over single tries (see `rows` for the steps)
    `parts`, `failures`  name number to cases in which such a part, or failure, was cured
    `rows`            the cases that are evidence, oldest first, as closing day and row in one number
    """

    __slots__ = (
        "cases",
        "cost_known",
        "cost_sum",
        "cured",
        "failures",
        "fixed",
        "minutes_known",
        "minutes_sum",
        "own_tries",
        "parts",
        "rows",
        "tried",
    )

    NUMBERS = (
        "cases",
        "tried",
        "cured",
        "own_tries",
        "fixed",
        "cost_sum",
        "cost_known",
        "minutes_sum",
        "minutes_known",
    )

    def __init__(self) -> None:
        self.cases = self.tried = self.cured = self.own_tries = self.fixed = 0
        self.cost_sum = self.cost_known = self.minutes_sum = self.minutes_known = 0
        self.parts: dict[int, int] = {}
        self.failures: dict[int, int] = {}
        self.rows = array("q")

    @property
    def empty(self) -> bool:
        return not (
            self.cases
            or self.tried
            or self.own_tries
            or self.cost_known
            or self.minutes_known
            or self.parts
            or self.failures
        )

    def enter_row(self, closed: int, row: int) -> None:
        insort(self.rows, row_number(closed, row))

    def remove_row(self, closed: int, row: int) -> None:
        del self.rows[bisect_left(self.rows, row_number(closed, row))]

    def move_rows(self, moved: NDArray[Any]) -> None:
        """Follow a renumbering of rows that keeps their order; `moved` maps old to new."""
        numbers = np.frombuffer(self.rows, np.int64)
        self.rows = array("q", (numbers & ~_ROW_MASK | moved[numbers & _ROW_MASK]).tobytes())

    def enter_effort(self, cost: int, minutes: int, sign: int) -> None:
        """Add or take away one try's cost and time, each in its steps, -1 where unknown."""
        if cost >= 0:
            self.cost_sum += sign * cost
            self.cost_known += sign
        if minutes >= 0:
            self.minutes_sum += sign * minutes
            self.minutes_known += sign

    def newest_rows(self) -> Iterator[int]:
        """Row numbers, the case closed last first."""
        return (number & _ROW_MASK for number in reversed(self.rows))


def row_number(closed: int, row: int) -> int:
    """One number that sorts by closing day, then by row."""
    return (closed << _ROW_BITS) | row


def count(names: dict[int, int], name: int, step: int) -> None:
    """Add `step` to a count and drop it at zero."""
    left = names.get(name, 0) + step
    if left:
        names[name] = left
    else:
        names.pop(name, None)
