"""The smallest set of parts that would have covered most repairs, and what each further part adds.

A repair is covered where every part it took is in the set. Where each took one part, the parts needed most often are
the smallest set. Otherwise it is a covering problem that is hard in general: greedy, by repairs covered for each part
that is still missing, then without what turned out unneeded, and searched exhaustively where few parts are in question.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Generic, TypeVar

Part = TypeVar("Part", bound=tuple[str, ...])

SHARE = 0.8
_MOST_LOOKS = 2_000_000  # at one repair each: some tenths of a second


@dataclass(frozen=True, slots=True)
class KitPart(Generic[Part]):
    """One part: `needed` in so many repairs; `adds` those that are covered with it and were not before; `covered`
    all that are covered with the parts so far."""

    part: Part
    needed: int
    adds: int
    covered: int


@dataclass(frozen=True, slots=True)
class Kit(Generic[Part]):
    """The first `size` of the parts cover the share that was asked for, of `repairs` in all; the others follow by
    what they add. `smallest` says that no smaller set covers as much."""

    parts: tuple[KitPart[Part], ...]
    size: int
    repairs: int
    smallest: bool

    @property
    def covered(self) -> int:
        """How many repairs the kit covers."""
        return self.parts[self.size - 1].covered if self.size else 0


def kit(repairs: Mapping[frozenset[Part], int], share: float = SHARE, most_further: int = 20) -> Kit[Part]:
    """The kit for repairs, each the set of parts it took and how often that set was taken.

    Equals are settled by name. Raises ValueError for a share that is not above 0 and at most 1, and for a repair
    that took nothing.
    """
    if not 0.0 < share <= 1.0:
        raise ValueError(f"the share of repairs must be above 0 and at most 1, not {share}")
    if frozenset() in repairs:
        raise ValueError("a repair that took no part cannot be covered")
    cover = _Cover(repairs)
    target = math.ceil(share * cover.total - 1e-9)
    chosen, smallest = cover.least(target)
    steps = list(cover.greedy(0, cover.total, within=chosen))
    size = len(steps)
    steps += cover.greedy(chosen, cover.total, most=most_further)
    return Kit(tuple(cover.told(steps)), size, cover.total, smallest)


class _Cover(Generic[Part]):
    """Parts as bits, in the order of their names; repairs as sets of bits with how often each was taken."""

    def __init__(self, repairs: Mapping[frozenset[Part], int]) -> None:
        self.parts = sorted({part for taken in repairs for part in taken})
        bit = {part: 1 << place for place, part in enumerate(self.parts)}
        self.needs = {
            sum(bit[part] for part in taken): count for taken, count in repairs.items() if count > 0
        }
        self.total = sum(self.needs.values())

    def covered(self, chosen: int) -> int:
        return sum(count for need, count in self.needs.items() if not need & ~chosen)

    def least(self, target: int) -> tuple[int, bool]:
        """(parts that cover the target, whether no fewer do)."""
        chosen = 0
        for place in self.greedy(0, target):
            chosen |= 1 << place
        for place in sorted(_bits(chosen), key=lambda place: (self._needed(place), -place)):
            if self.covered(chosen & ~(1 << place)) >= target:
                chosen &= ~(1 << place)
        if all(need.bit_count() == 1 for need in self.needs):
            return chosen, True
        return self._search(chosen, target)

    def _search(self, chosen: int, target: int) -> tuple[int, bool]:
        size, looks = chosen.bit_count(), 0
        for fewer in range(1, size + 1):
            looks += math.comb(len(self.parts), fewer) * len(self.needs)
            if looks > _MOST_LOOKS:
                return chosen, fewer == size
            sets = (
                sum(1 << place for place in places) for places in combinations(range(len(self.parts)), fewer)
            )
            best = max(sets, key=self.covered)  # the first of equals, which is that of the first names
            if self.covered(best) >= target:
                return best, True
        return chosen, True

    def greedy(self, start: int, target: int, *, within: int = -1, most: int | None = None) -> Iterator[int]:
        """Places of the parts to add one after another until so many repairs are covered."""
        chosen, given = start, 0
        while most is None or given < most:
            missing: dict[int, int] = {}
            for need, count in self.needs.items():
                if (left := need & ~chosen) and not left & ~within:
                    missing[left] = missing.get(left, 0) + count
            if not missing or self.covered(chosen) >= target:
                return
            gains = {
                left: count
                if left.bit_count() == 1
                else sum(other for need, other in missing.items() if not need & ~left)
                for left, count in missing.items()
            }
            best = min(gains, key=lambda left: (-gains[left] / left.bit_count(), -gains[left], _bits(left)))
            for place in _bits(best):
                chosen |= 1 << place
                given += 1
                yield place

    def _needed(self, place: int) -> int:
        return sum(count for need, count in self.needs.items() if need >> place & 1)

    def told(self, places: Sequence[int]) -> Iterator[KitPart[Part]]:
        chosen = before = 0
        for place in places:
            chosen |= 1 << place
            covered = self.covered(chosen)
            yield KitPart(self.parts[place], self._needed(place), covered - before, covered)
            before = covered


def _bits(chosen: int) -> list[int]:
    return [place for place in range(chosen.bit_length()) if chosen >> place & 1]
