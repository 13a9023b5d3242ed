"""Choose one combination per rail so that no load is used twice: branch and bound over the rails."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kb.bench.load_blocks import Candidates

_RANKED = 10_000
_KEPT = 2000
_KEPT_WITHOUT_EACH_LOAD = 40
_MOST_NODES = 3000
# Loads of candidates compared with what is left, over all nodes: some half a second.
_MOST_COMPARED = 600_000_000
_PPM = 1_000_000
# Wide enough that the sum of one part over all rails never reaches the next part.
_PART = 10**12


@dataclass(frozen=True, slots=True)
class RailChoices:
    """The candidates of one rail in order of cost; `costs` are additive over rails."""

    index: NDArray[np.int64]
    usage: NDArray[np.int16]
    watts: NDArray[np.float64]
    costs: list[int]
    complete: bool


def choices(
    found: Candidates,
    volts: float,
    target_a: float,
    within: float,
    most_a: float,
    start_a: float,
    keep_all: bool,
) -> RailChoices:
    """Rank the candidates of one rail.

    The cost is, in this order: target missed, how far beyond `within` (a fraction), lamps burning above
    the derated power plus one for cold filaments that draw over `start_a`, number of loads to wire, distance
    from the target. Candidates over `most_a` amperes are left out. `keep_all` keeps candidates that use the
    same loads but differ in watts.
    """
    error = np.abs(found.amps - target_a) / target_a
    excess = np.maximum(0.0, error - within)
    excess[excess < 1e-9] = 0.0
    excess_ppm = np.minimum(np.ceil(excess * _PPM), _PART / 100).astype(np.int64)
    error_ppm = np.minimum(np.rint(error * _PPM), _PART / 100).astype(np.int64)
    units = found.usage.sum(axis=1, dtype=np.int64)
    has_filaments = found.cold_a > found.amps * 1.01
    strained = found.strained + (has_filaments & (found.cold_a > start_a))
    order = np.lexsort((error_ppm, units, strained, excess_ppm))
    order = order[(found.amps[order] <= most_a + 1e-9) | (units[order] == 0)]
    ranked = len(order)
    if ranked > _RANKED:
        order = np.append(order[:_RANKED], np.flatnonzero(units == 0)[:1])
    if not keep_all:
        # By their bytes: NumPy sorts rows, which takes a hundred times as long on a long shelf.
        first: dict[bytes, int] = {}
        for place, row in enumerate(found.usage[order]):
            first.setdefault(row.tobytes(), place)
        order = order[list(first.values())]
    kept = _kept(found.usage[order])
    index = order[kept]
    costs = [
        (((int(ppm > 0) * _PART + int(ppm)) * _PART + int(strain)) * _PART + int(unit)) * _PART + int(err)
        for ppm, strain, unit, err in zip(
            excess_ppm[index], strained[index], units[index], error_ppm[index], strict=True
        )
    ]
    complete = found.complete and ranked <= _RANKED and len(kept) == len(order)
    return RailChoices(index, found.usage[index], found.amps[index] * volts, costs, complete)


def _kept(usage: NDArray[np.int16]) -> NDArray[np.int64]:
    """The cheapest rows, and for every load the cheapest that leave it to another rail, and the empty one."""
    kept = set(range(min(len(usage), _KEPT)))
    if len(usage) > _KEPT:
        for load in range(usage.shape[1]):
            kept.update(np.flatnonzero(usage[:, load] == 0)[:_KEPT_WITHOUT_EACH_LOAD].tolist())
        kept.update(np.flatnonzero(usage.sum(axis=1) == 0).tolist())
    return np.array(sorted(kept), dtype=np.int64)


@dataclass(slots=True)
class _Search:
    rails: Sequence[RailChoices]
    label_w: float | None
    best_cost: int | None = None
    best: tuple[int, ...] = ()
    nodes: int = 0
    compared: int = 0

    @property
    def is_over(self) -> bool:
        """Whether the work there may be is done; an answer is found all the same."""
        spent = self.nodes > _MOST_NODES or self.compared > _MOST_COMPARED
        return spent and self.best_cost is not None

    def descend(self, chosen: tuple[int, ...], left: NDArray[np.int16], cost: int, used_w: float) -> None:
        if len(chosen) == len(self.rails):
            self.best_cost, self.best = cost, chosen
            return
        self.nodes += 1
        if self.is_over:
            return
        feasible = [self._feasible(rail, left, used_w) for rail in self.rails[len(chosen) :]]
        rest = sum(
            rail.costs[rows[0]]
            for rail, rows in zip(self.rails[len(chosen) + 1 :], feasible[1:], strict=True)
        )
        rail = self.rails[len(chosen)]
        for row in feasible[0]:
            bound = cost + rail.costs[row] + rest
            if self.best_cost is not None and (bound >= self.best_cost or self.is_over):
                return
            self.descend(
                (*chosen, int(row)), left - rail.usage[row], cost + rail.costs[row], used_w + rail.watts[row]
            )

    def _feasible(self, rail: RailChoices, left: NDArray[np.int16], used_w: float) -> NDArray[np.int64]:
        self.compared += rail.usage.size
        fits = (rail.usage <= left).all(axis=1)
        if self.label_w is not None:
            fits &= rail.watts + used_w <= self.label_w + 1e-9
        return np.flatnonzero(fits)


def choose(
    rails: Sequence[RailChoices], counts: Sequence[int], label_w: float | None
) -> tuple[list[int], bool]:
    """One candidate row per rail with the least total cost, and whether that is proved to be the least.

    Every rail has an empty candidate, so there is always an answer. `counts` holds the number of each
    load; `label_w` bounds the total power in watts.
    """
    narrowest_first = sorted(range(len(rails)), key=lambda rail: (len(rails[rail].costs), rail))
    search = _Search([rails[rail] for rail in narrowest_first], label_w)
    search.descend((), np.array(counts, dtype=np.int16), 0, 0.0)
    picked = [0] * len(rails)
    for rail, row in zip(narrowest_first, search.best, strict=True):
        picked[rail] = int(rails[rail].index[row])
    proved = not search.is_over and all(rail.complete for rail in rails)
    return picked, proved


@dataclass(frozen=True, slots=True)
class Wishes:
    """What a person wants of a plan: `first` names the rails that matter most, in order; `pinned` gives for a rail
    the loads that go on it and on no other; `without` names loads that stay on the shelf."""

    first: tuple[str, ...] = ()
    pinned: Mapping[str, frozenset[str]] = field(default_factory=dict)
    without: frozenset[str] = frozenset()


def shared_bases(bases: Sequence[str], counts: Sequence[int]) -> tuple[NDArray[np.int16], list[int]]:
    """(one column for each lamp base with 1 for its filaments, how many lamps of each base there are).

    Two filaments of one lamp meet at its base, so they cannot be used at different potentials: each lamp is used
    with one of them at a time.
    """
    names = sorted({base for base in bases if base})
    columns = np.array([[base == name for name in names] for base in bases], dtype=np.int16)
    lamps = [min(count for base, count in zip(bases, counts, strict=True) if base == name) for name in names]
    return columns.reshape(len(bases), len(names)), lamps


def choose_first(
    rails: Sequence[RailChoices],
    counts: Sequence[int],
    label_w: float | None,
    first: Sequence[int],
) -> tuple[list[int], bool]:
    """As `choose`, but the rails numbered in `first` get the best there is, one after the other, before the rest."""
    left = np.array(counts, dtype=np.int16)
    watts_left, picked, proved = label_w, [0] * len(rails), True
    rest = [number for number in range(len(rails)) if number not in first]
    for group in [*([number] for number in first), rest]:
        if not group:
            continue
        chosen, sure = choose([rails[number] for number in group], left.tolist(), watts_left)
        proved = proved and sure
        for number, index in zip(group, chosen, strict=True):
            picked[number] = index
            row = int(np.flatnonzero(rails[number].index == index)[0])
            left = left - rails[number].usage[row]
            if watts_left is not None:
                watts_left -= float(rails[number].watts[row])
    return picked, proved
