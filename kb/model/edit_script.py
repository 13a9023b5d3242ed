"""The shortest way from one list of words to another, within a bound of work.

Myers, "An O(ND) Difference Algorithm and Its Variations", Algorithmica 1 (1986), 251-266: the greedy algorithm
of section 4, after what both have in front and behind is set aside (paper from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

MOST_STEPS = 100_000
"""Comparisons and places on diagonals; some 50 ms."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """`old_from:old_to` of the older list became `new_from:new_to` of the newer one; `same` where they are equal."""

    same: bool
    old_from: int
    old_to: int
    new_from: int
    new_to: int


def stretches(old: Sequence[str], new: Sequence[str], most_steps: int = MOST_STEPS) -> list[Stretch]:
    """The two lists as stretches that are the same and stretches that were replaced, in order.

    What would take more than `most_steps` to tell apart is one stretch that was replaced; what both have in
    front of it and behind it is found all the same.
    """
    shorter = min(len(old), len(new))
    front = next((place for place in range(shorter) if old[place] != new[place]), shorter)
    behind = next(
        (count for count in range(shorter - front) if old[-1 - count] != new[-1 - count]), shorter - front
    )
    inner_old, inner_new = old[front : len(old) - behind], new[front : len(new) - behind]
    # Places (in old, in new) at which the way turns; between two of them it runs straight or along a diagonal.
    way = _way(inner_old, inner_new, most_steps) or [(0, 0), (len(inner_old), len(inner_new))]
    turns = [
        (0, 0),
        *((front + at_old, front + at_new) for at_old, at_new in way),
        (len(old), len(new)),
    ]
    found: list[Stretch] = []
    for (old_from, new_from), (old_to, new_to) in pairwise(turns):
        if old_from == old_to and new_from == new_to:
            continue
        same = old[old_from:old_to] == new[new_from:new_to]
        if found and found[-1].same == same:
            last = found.pop()
            old_from, new_from = last.old_from, last.new_from
        found.append(Stretch(same, old_from, old_to, new_from, new_to))
    return found


def _way(old: Sequence[str], new: Sequence[str], most_steps: int) -> list[tuple[int, int]] | None:
    """The turns of a shortest way, None where finding it takes too many steps."""
    furthest = {1: 0}
    earlier: list[dict[int, int]] = []
    steps = 0
    for edits in range(len(old) + len(new) + 1):
        earlier.append({key: furthest[key] for key in range(-edits - 1, edits + 2) if key in furthest})
        for diagonal in range(-edits, edits + 1, 2):
            down = diagonal == -edits or (
                diagonal != edits and furthest.get(diagonal - 1, -1) < furthest.get(diagonal + 1, -1)
            )
            at_old = furthest[diagonal + 1] if down else furthest[diagonal - 1] + 1
            at_new = at_old - diagonal
            begun = at_old
            while at_old < len(old) and at_new < len(new) and old[at_old] == new[at_new]:
                at_old, at_new = at_old + 1, at_new + 1
            furthest[diagonal] = at_old
            steps += 2 + at_old - begun
            if at_old >= len(old) and at_new >= len(new):
                return _back(len(old), len(new), earlier)
            if steps > most_steps:
                return None
    return None


def _back(at_old: int, at_new: int, earlier: list[dict[int, int]]) -> list[tuple[int, int]]:
    """The turns of the way that ended here, from what was reached with each number of edits."""
    turns = [(at_old, at_new)]
    for edits in range(len(earlier) - 1, 0, -1):
        furthest = earlier[edits]
        diagonal = at_old - at_new
        down = diagonal == -edits or (
            diagonal != edits and furthest.get(diagonal - 1, -1) < furthest.get(diagonal + 1, -1)
        )
        from_old = furthest[diagonal + 1] if down else furthest[diagonal - 1]
        from_new = from_old - (diagonal + 1 if down else diagonal - 1)
        turns += [(from_old, from_new + 1) if down else (from_old + 1, from_new), (from_old, from_new)]
        at_old, at_new = from_old, from_new
    return [(0, 0), *reversed(turns)]
