"""How good probabilities were: log loss, Brier score, calibration. Arrays in, numbers out.

Brier is the sum form over all outcomes (G. W. Brier, Monthly Weather Review 78 (1950) 1-3), so it runs
from 0 to 2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

LEAST = 1e-15  # a probability below this is scored as this, so that one miss cannot be infinite


@dataclass(frozen=True, slots=True)
class Bin:
    """Forecasts from `low` up to `high`: how many, the mean said and the share that came true."""

    low: float
    high: float
    cases: int
    said: float
    came_true: float


def log_loss(of_truth: ArrayLike) -> float:
    """Mean of -ln p over the probabilities (n,) that were given to what came true; 0 for no cases."""
    p = np.asarray(of_truth, dtype=np.float64)
    return float(-np.log(np.clip(p, LEAST, 1.0)).mean()) if p.size else 0.0


def brier_of_each(probability: ArrayLike, of_truth: ArrayLike) -> NDArray[np.float64]:
    """Sum-form Brier score of each row (n, k) of probabilities, `of_truth` (n,) that of what came true."""
    p, q = np.asarray(probability, dtype=np.float64), np.asarray(of_truth, dtype=np.float64)
    return (p**2).sum(axis=1) - 2.0 * q + 1.0


def reliability_bins(said: ArrayLike, came_true: ArrayLike, count: int = 10) -> tuple[Bin, ...]:
    """Equal-width bins; a forecast on an edge belongs to the bin above it, 1 to the last. Empty ones stay."""
    p, y = np.asarray(said, dtype=np.float64), np.asarray(came_true, dtype=np.float64)
    # A forecast such as 0.3 times ten bins may fall a rounding error short of its edge.
    which = np.clip(np.floor(p * count + 1e-9).astype(np.int64), 0, count - 1)
    size = np.bincount(which, minlength=count)
    said_sum = np.bincount(which, weights=p, minlength=count)
    true_sum = np.bincount(which, weights=y, minlength=count)
    return tuple(
        Bin(
            place / count,
            (place + 1) / count,
            int(size[place]),
            float(said_sum[place] / size[place]) if size[place] else 0.0,
            float(true_sum[place] / size[place]) if size[place] else 0.0,
        )
        for place in range(count)
    )


def calibration_error(said: ArrayLike, came_true: ArrayLike, count: int = 10) -> float:
    """Expected calibration error: mean over cases of |mean said - share that came true| of their bin."""
    bins = reliability_bins(said, came_true, count)
    cases = sum(one.cases for one in bins)
    return sum(one.cases * abs(one.said - one.came_true) for one in bins) / cases if cases else 0.0
