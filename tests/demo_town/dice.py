"""Repeatable chance for the demo.

Only `random.Random.random` is used: Python promises the same sequence for the same seed for this one
method in every version, but not for `choice`, `shuffle` or `gauss`. No logarithm or sine is taken
either, so that the bytes do not hang on a machine's mathematics library.
"""

from __future__ import annotations

import random
import uuid
from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate
from typing import Generic, TypeVar

T = TypeVar("T")


class Weighted(Generic[T]):
    """Items with their weights, ready to be drawn from in the logarithm of their number."""

    __slots__ = ("items", "sums")

    def __init__(self, items: Sequence[T], weights: Sequence[float]) -> None:
        self.items = tuple(items)
        self.sums = tuple(accumulate(weights))

    def at(self, place: float) -> T:
        """The item at this place (0 to 1) along the summed weights."""
        return self.items[min(bisect_right(self.sums, place * self.sums[-1]), len(self.sums) - 1)]


class Dice:
    """A seeded source of chance."""

    __slots__ = ("unit",)

    def __init__(self, seed: int) -> None:
        self.unit = random.Random(seed).random

    def chance(self, probability: float) -> bool:
        """True with this probability (0 to 1)."""
        return self.unit() < probability

    def between(self, low: float, high: float) -> float:
        """Evenly between two numbers."""
        return low + (high - low) * self.unit()

    def whole(self, low: int, high: int) -> int:
        """A whole number, both ends included."""
        return low + int((high - low + 1) * self.unit())

    def pick(self, items: Sequence[T]) -> T:
        """One of the items, all equally likely."""
        return items[int(len(items) * self.unit())]

    def draw(self, weighted: Weighted[T]) -> T:
        """One of the items, by weight."""
        return weighted.at(self.unit())

    def bell(self) -> float:
        """About normal: mean 0, standard deviation 1, never beyond 3.5 (sum of four even draws)."""
        unit = self.unit
        return (unit() + unit() + unit() + unit() - 2.0) * 1.7320508075688772

    def uid(self) -> str:
        """A random identifier in the usual form of a UUID, version 4."""
        number = 0
        for _ in range(4):
            number = number << 32 | int(self.unit() * 4294967296.0)
        return str(uuid.UUID(int=number, version=4))
