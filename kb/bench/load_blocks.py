"""The pieces a load plan is built from: some equal loads in series, some such strings in parallel."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kb.bench.loads import Load, amps_at, cold_amps_at

# Wiring more kinds of strings than this to one rail ends in mistakes (common practice).
MAX_ELEMENTS = 3
MAX_SERIES = 12
MAX_PARALLEL = 24
_MOST_BLOCKS = 300
_EXHAUSTIVE_TRIPLES = 60_000
# Combinations times loads times rails that are looked at: some eight rails from twenty loads without leaving any out.
_MOST_WORK = 60_000 * 20 * 8
_LEAST_TRIPLES, _LEAST_BLOCKS = 2_000, 60
_EPS = 1e-9


@dataclass(frozen=True, slots=True)
class Block:
    """`parallel` strings of `series` equal loads across `volts`: currents in amperes, power in watts.

    `strained` counts lamps burning above the derated power but within their own rating.
    """

    load: int
    series: int
    parallel: int
    amps: float
    watts: float
    cold_low_a: float
    cold_high_a: float
    strained: int

    @property
    def units(self) -> int:
        """How many single loads it takes."""
        return self.series * self.parallel


@dataclass(frozen=True, slots=True)
class Candidates:
    """Combinations for one rail, one row each: block numbers (−1 for none), usage per load, hot amperes.

    `electronic_a` is the current an electronic load is set to in that row (0 where there is none);
    `cold_a` the greatest switch-on current;
    `complete` says that no combination worth having was left out.
    """

    rows: NDArray[np.int64]
    usage: NDArray[np.int16]
    amps: NDArray[np.float64]
    electronic: NDArray[np.int64]
    electronic_a: NDArray[np.float64]
    strained: NDArray[np.int64]
    cold_a: NDArray[np.float64]
    complete: bool


def only(found: Candidates, keep: NDArray[np.bool_]) -> Candidates:
    """The rows of `found` for which `keep` is true."""
    names = ("rows", "usage", "amps", "electronic", "electronic_a", "strained", "cold_a")
    return Candidates(**{name: getattr(found, name)[keep] for name in names}, complete=found.complete)


def most_rows(loads: int, rails: int) -> int:
    """How many combinations of so many loads are looked at for each of so many rails."""
    return max(_LEAST_TRIPLES, min(_EXHAUSTIVE_TRIPLES, _MOST_WORK // max(loads * rails, 1)))


def usable_blocks(
    loads: Sequence[Load], volts: float, enough_a: float, derating: float, most: int = _EXHAUSTIVE_TRIPLES
) -> tuple[list[Block], bool]:
    """Every block of resistors or lamps that may stand across `volts`, up to 12 in series and 24 side by side.

    Strings are added side by side until they draw `enough_a`: more would only add wiring. Of a very large
    shelf only the strongest loads are used, which reach the target with the least wiring; the second value
    says whether that was unnecessary.

    Resistors stay under `derating` of their watts. A lamp is made to burn at its rating, so it may, but
    counts as strained beyond the derating; its voltage stays within its rating either way.
    """
    blocks: list[Block] = []
    for index, load in enumerate(loads):
        rated_w = load.rated_w
        if load.kind == "electronic" or rated_w is None:
            continue
        for series in range(1, min(load.count, MAX_SERIES) + 1):
            each_v = volts / series
            each_a = amps_at(load, each_v)
            each_w = each_v * each_a
            limit_w = rated_w if load.kind == "lamp" else rated_w * derating
            if each_v > load.rated_v + _EPS or each_w > limit_w + _EPS or each_a <= 0:
                continue
            over = each_w > rated_w * derating + _EPS
            cold_low, cold_high = cold_amps_at(load, each_v)
            for parallel in range(1, min(load.count // series, MAX_PARALLEL) + 1):
                amps = each_a * parallel
                strained = series * parallel if over else 0
                blocks.append(
                    Block(
                        index,
                        series,
                        parallel,
                        amps,
                        amps * volts,
                        cold_low * parallel,
                        cold_high * parallel,
                        strained,
                    )
                )
                if amps >= enough_a:
                    break
    # As many as make no more pairs than there are combinations to be looked at.
    most_blocks = max(_LEAST_BLOCKS, min(_MOST_BLOCKS, int((2 * most) ** 0.5)))
    if len(blocks) <= most_blocks:
        return blocks, True
    return sorted(blocks, key=lambda block: -block.amps / block.units)[:most_blocks], False


def electronic_limit(load: Load, volts: float, derating: float) -> float:
    """The most an electronic load may be set to at `volts`, in amperes, its watts derated."""
    if load.kind != "electronic" or load.rated_w is None:
        return 0.0
    return min(amps_at(load, volts), load.rated_w * derating / volts)


def combinations(
    loads: Sequence[Load],
    blocks: Sequence[Block],
    volts: float,
    target_a: float,
    enough_a: float,
    derating: float,
    most: int = _EXHAUSTIVE_TRIPLES,
    wanted: Collection[int] = (),
) -> Candidates:
    """Combinations of up to three elements for one rail, some `most` of them.

    A combination that has reached `enough_a` (the lower edge of the target) is not extended: more loads
    would only add wiring. One electronic load may make up what is missing. Blocks of the loads `wanted`, which
    come first, are extended whatever they draw, so that all of these can be used together.
    """
    count = len(blocks)
    amps = np.array([block.amps for block in blocks], dtype=float)
    reached = np.array([0.0 if block.load in wanted else block.amps for block in blocks], dtype=float)
    units = _unit_usage(blocks, len(loads))
    limits = np.array([load.count for load in loads], dtype=np.int16)
    keys = np.array([block.load * (MAX_SERIES + 1) + block.series for block in blocks], dtype=np.int64)

    singles = np.arange(count).reshape(-1, 1)
    pairs = _extended(singles, reached, units, limits, keys, enough_a)
    complete = len(pairs) * max(count, 1) <= most
    growing = pairs
    if not complete:
        fewest_first = np.argsort(units[pairs].sum(axis=(1, 2)), kind="stable")
        growing = pairs[fewest_first[: most // count]]
    triples = _extended(growing, reached, units, limits, keys, enough_a)

    empty = np.full((1, MAX_ELEMENTS), -1, dtype=np.int64)
    rows = np.vstack([empty, *(_padded(found) for found in (singles, pairs, triples))])
    # −1, for none, is the place of the last: one that takes nothing and draws nothing.
    strains = np.array([*(block.strained for block in blocks), 0], dtype=np.int64)
    colds = np.array([*(block.cold_high_a for block in blocks), 0.0])
    base = Candidates(
        rows=rows,
        usage=np.pad(units, ((0, 1), (0, 0)))[rows].sum(axis=1, dtype=np.int16),
        amps=np.append(amps, 0.0)[rows].sum(axis=1),
        electronic=np.full(len(rows), -1, dtype=np.int64),
        electronic_a=np.zeros(len(rows)),
        strained=strains[rows].sum(axis=1),
        cold_a=colds[rows].sum(axis=1),
        complete=complete,
    )
    return _topped_up(base, loads, volts, target_a, enough_a, derating, most)


def _unit_usage(blocks: Sequence[Block], loads: int) -> NDArray[np.int16]:
    usage = np.zeros((len(blocks), loads), dtype=np.int16)
    for row, block in enumerate(blocks):
        usage[row, block.load] = block.units
    return usage


def _padded(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.pad(rows, ((0, 0), (0, MAX_ELEMENTS - rows.shape[1])), constant_values=-1)


def _extended(
    rows: NDArray[np.int64],
    amps: NDArray[np.float64],
    units: NDArray[np.int16],
    limits: NDArray[np.int16],
    keys: NDArray[np.int64],
    enough_a: float,
) -> NDArray[np.int64]:
    """Each row that still draws less than `enough_a`, with one later block of another string added."""
    width = rows.shape[1] + 1
    if not len(rows):
        return np.empty((0, width), dtype=np.int64)
    short = rows[amps[rows].sum(axis=1) < enough_a]
    count = len(amps)
    left = np.repeat(short, count, axis=0)
    added = np.tile(np.arange(count), len(short))
    later = added > left[:, -1]
    later &= (keys[left] != keys[added][:, None]).all(axis=1)
    grown = np.column_stack([left[later], added[later]])
    fits = (units[grown].sum(axis=1) <= limits).all(axis=1) if len(grown) else np.zeros(0, dtype=bool)
    return grown[fits].reshape(-1, width)


def _topped_up(
    base: Candidates,
    loads: Sequence[Load],
    volts: float,
    target_a: float,
    enough_a: float,
    derating: float,
    most: int,
) -> Candidates:
    """The combinations as they are, and again with each electronic load drawing what is missing."""
    parts = [base]
    complete = base.complete
    each = max(most // max(sum(load.kind == "electronic" for load in loads), 1), 1)
    free = np.flatnonzero((base.rows >= 0).sum(axis=1) < MAX_ELEMENTS)
    for index, load in enumerate(loads):
        limit = electronic_limit(load, volts, derating)
        short = free[base.amps[free] < min(enough_a, target_a)]
        if limit <= 0 or not len(short):
            continue
        complete = complete and len(short) <= each
        short = short[:each]
        drawn = np.minimum(target_a - base.amps[short], limit)
        usage = base.usage[short].copy()
        usage[:, index] += 1
        parts.append(
            Candidates(
                rows=base.rows[short],
                usage=usage,
                amps=base.amps[short] + drawn,
                electronic=np.full(len(short), index, dtype=np.int64),
                electronic_a=drawn,
                strained=base.strained[short],
                cold_a=base.cold_a[short] + drawn,
                complete=base.complete,
            )
        )
    names = ("rows", "usage", "amps", "electronic", "electronic_a", "strained", "cold_a")
    joined = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
    return Candidates(**joined, complete=complete)
