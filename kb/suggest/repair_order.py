"""In which order to try fixes, what that costs on average, and when repair stops paying.

One fault, independent fixes: trying in descending order of (probability that the fix cures) over cost
has the least expected cost (J. B. Kadane and H. A. Simon, Optimal strategies for a class of constrained
sequential problems, Annals of Statistics 5 (1977) 237-255; J. Kalagnanam and M. Henrion, A comparison of
decision analysis and expert rules for sequential diagnosis, 1990; D. Heckerman, J. S. Breese and
K. Rommelse, Decision-theoretic troubleshooting, Communications of the ACM 38 (1995) 49-57).
Where one fix cures several faults this order may not be the best; single faults are assumed here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def cheapest_first(cures: ArrayLike, cost: ArrayLike) -> NDArray[np.int64]:
    """Order (n,) of the fixes by chance of cure over cost, highest first; equals stay as they are.

    `cures` (n,) probability that doing this fix cures the board, `cost` (n,) of doing it. A fix that
    costs nothing comes first if it can cure at all. Differences in the last digits count as equal.
    """
    cures, cost = np.asarray(cures, dtype=np.float64), np.asarray(cost, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        worth = np.where(cost > 0.0, cures / cost, np.where(cures > 0.0, np.inf, 0.0))
    paid = worth[np.isfinite(worth)]
    scale = float(paid.max()) if paid.size and paid.max() > 0.0 else 1.0
    return np.argsort(-np.round(worth / scale, 12), kind="stable")


def expected_cost_of(cures: ArrayLike, cost: ArrayLike, if_not_cured: float = 0.0) -> float:
    """Expected cost of following fixes in the given order until one cures.

    Each is paid for when all before it failed; `if_not_cured` is paid when all fail.
    """
    return float(expected_cost_of_prefixes(cures, cost, if_not_cured)[-1])


def expected_cost_of_prefixes(cures: ArrayLike, cost: ArrayLike, if_not_cured: float = 0.0) -> Floats:
    """Expected cost (n + 1,) of giving up after the first 0, 1, .. n fixes in the given order."""
    cures, cost = np.asarray(cures, dtype=np.float64), np.asarray(cost, dtype=np.float64)
    left = np.concatenate(([1.0], 1.0 - np.cumsum(cures)))
    paid = np.concatenate(([0.0], np.cumsum(cost * left[:-1])))
    return paid + if_not_cured * left


@dataclass(frozen=True, slots=True)
class StopPoint:
    """How many fixes of the list to try before replacing the board, and what that costs on average."""

    tries: int
    expected_cost: float
    chance_of_cure: float
    prefixes: tuple[float, ...]


def best_stop(cures: ArrayLike, cost: ArrayLike, replacement_price: float) -> StopPoint:
    """The best number of fixes to try, in the given order, against replacing the board.

    All prefixes are compared: a fix that does not pay by itself can open the way to one that does, so
    stopping at the first that does not pay is wrong. Raises ValueError for a negative price.
    """
    if not replacement_price >= 0.0:
        raise ValueError(f"a replacement price must be zero or more, not {replacement_price}")
    prefixes = expected_cost_of_prefixes(cures, cost, replacement_price)
    tries = int(np.argmin(prefixes))
    return StopPoint(
        tries,
        float(prefixes[tries]),
        float(np.asarray(cures, dtype=np.float64)[:tries].sum()),
        tuple(prefixes.tolist()),
    )
