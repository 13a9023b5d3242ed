"""The kit of parts, against brute force over all sets of parts."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from kb.suggest.kit import Kit, kit

Repairs = dict[frozenset[tuple[str]], int]


def named(repairs: dict[str, int]) -> Repairs:
    """{"C9 Q1": 3} as three repairs that took both."""
    return {frozenset((part,) for part in names.split()): count for names, count in repairs.items()}


def names(found: Kit[tuple[str]], size: int | None = None) -> list[str]:
    return [one.part[0] for one in found.parts[: found.size if size is None else size]]


def covered(repairs: Repairs, chosen: set[tuple[str]]) -> int:
    return sum(count for taken, count in repairs.items() if taken <= chosen)


def smallest(repairs: Repairs, share: float) -> int:
    """Size of the smallest covering set, by trying all of them."""
    parts = sorted({part for taken in repairs for part in taken})
    target = share * sum(repairs.values()) - 1e-9
    return next(
        size
        for size in range(len(parts) + 1)
        if any(covered(repairs, set(one)) >= target for one in combinations(parts, size))
    )


@pytest.mark.parametrize("seed", range(40))
def test_no_smaller_set_of_parts_covers_as_much(seed: int) -> None:
    rng = np.random.default_rng(seed)
    parts = [(f"P{number}",) for number in range(9)]
    repairs: Repairs = {}
    for _ in range(int(rng.integers(3, 16))):
        taken = rng.choice(9, size=int(rng.choice([1, 1, 2, 3])), replace=False)
        repairs[frozenset(parts[place] for place in taken)] = int(rng.integers(1, 9))
    share = float(rng.choice([0.5, 0.8, 1.0]))
    found = kit(repairs, share)
    assert found.smallest
    assert found.size == smallest(repairs, share)
    assert found.covered == covered(repairs, {one.part for one in found.parts[: found.size]})
    assert found.covered >= share * sum(repairs.values()) - 1e-9


def test_where_each_repair_took_one_part_the_parts_needed_most_are_the_kit() -> None:
    found = kit(named({"C9": 10, "Q1": 6, "F1": 3, "U1": 1}))
    assert names(found) == ["C9", "Q1"]
    assert [(one.adds, one.covered) for one in found.parts] == [(10, 10), (6, 16), (3, 19), (1, 20)]
    assert (found.repairs, found.covered, found.smallest) == (20, 16, True)


def test_a_repair_is_covered_only_with_every_part_that_it_took() -> None:
    found = kit(named({"Q1 F1 R5": 6, "C9": 3, "D2": 1}))
    assert set(names(found)) == {"Q1", "F1", "R5", "C9"}
    adds = {one.part[0]: one.adds for one in found.parts}
    assert sorted(adds[name] for name in ("Q1", "F1", "R5")) == [0, 0, 6]
    assert {one.part[0]: one.needed for one in found.parts}["F1"] == 6


def test_greedy_alone_would_take_one_part_too_many_here() -> None:
    repairs = named({"A": 5, "B C": 8, "B D": 7, "C D": 7})
    assert kit(repairs, 0.8).size == smallest(repairs, 0.8) == 3


def test_a_large_store_is_covered_too_and_says_that_it_was_not_searched() -> None:
    rng = np.random.default_rng(1)
    repairs: Repairs = {}
    for _ in range(400):
        taken = rng.choice(120, size=int(rng.choice([1, 2])), replace=False)
        key = frozenset((f"P{place:03}",) for place in taken)
        repairs[key] = repairs.get(key, 0) + 1
    found = kit(repairs, 0.8)
    assert not found.smallest
    assert found.covered >= 320
    assert len(found.parts) <= found.size + 21
    assert covered(repairs, {one.part for one in found.parts[: found.size]}) == found.covered


def test_nothing_repaired_needs_no_kit_and_what_cannot_be_is_refused() -> None:
    empty = kit({})
    assert (empty.parts, empty.size, empty.repairs, empty.covered) == ((), 0, 0, 0)
    with pytest.raises(ValueError, match="share"):
        kit(named({"C9": 1}), 0.0)
    with pytest.raises(ValueError, match="no part"):
        kit({frozenset(): 1})
