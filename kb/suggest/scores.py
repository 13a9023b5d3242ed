"""How good probabilities were: log loss, Brier score, calibration. Arrays in, numbers out.

Brier is the sum form over all outcomes (G. W. Brier, Monthly Weather Review 78 (1950) 1-3), so it runs
from 0 to 2; for a yes-or-no forecast the usual half of that. The three parts of a yes-or-no Brier score
follow A. H. Murphy, A new vector partition of the probability score, Journal of Applied Meteorology 12
(1973) 595-600.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

LEAST = 1e-15  # a probability below this is scored as this, so that one miss cannot be infinite


@dataclass(frozen=True, slots=True)
class Bin:
    """Forecasts from `low` up to `high`: how many, the mean said and the share that came true."""

    low: float
    high: float
    cases: int
    said: float
    came_true: float


@dataclass(frozen=True, slots=True)
class MurphyParts:
    """brier = reliability - resolution + uncertainty."""

    brier: float
    reliability: float
    resolution: float
    uncertainty: float


def log_loss(of_truth: ArrayLike) -> float:
    """Mean of -ln p over the probabilities (n,) that were given to what came true; 0 for no cases."""
    p = np.asarray(of_truth, dtype=np.float64)
    return float(-np.log(np.clip(p, LEAST, 1.0)).mean()) if p.size else 0.0


def yes_no_log_loss(said: ArrayLike, came_true: ArrayLike) -> float:
    """Log loss (nats) of forecasts (n,) of a yes against what happened (n,)."""
    p, y = np.asarray(said, dtype=np.float64), np.asarray(came_true, dtype=bool)
    return log_loss(np.where(y, p, 1.0 - p))


def yes_no_brier(said: ArrayLike, came_true: ArrayLike) -> float:
    """Mean squared difference of forecasts (n,) of a yes and what happened (n,)."""
    p, y = np.asarray(said, dtype=np.float64), np.asarray(came_true, dtype=np.float64)
    return float(((p - y) ** 2).mean()) if p.size else 0.0


def brier(probability: ArrayLike, truth: ArrayLike) -> float:
    """Sum-form Brier score of rows (n, k) that sum to 1, `truth` (n,) the place of what came true."""
    p = np.asarray(probability, dtype=np.float64)
    places = np.asarray(truth, dtype=np.int64)
    if not p.size:
        return 0.0
    of_truth = p[np.arange(len(p)), places]
    return float(((p**2).sum(axis=1) - 2.0 * of_truth + 1.0).mean())


def murphy_parts(said: ArrayLike, came_true: ArrayLike) -> MurphyParts:
    """The three parts of the yes-or-no Brier score, one group for each distinct forecast."""
    p, y = np.asarray(said, dtype=np.float64), np.asarray(came_true, dtype=np.float64)
    base = float(y.mean())
    _, group, size = np.unique(p, return_inverse=True, return_counts=True)
    hits = np.bincount(group, weights=y) / size
    forecast = np.bincount(group, weights=p) / size
    share = size / len(p)
    return MurphyParts(
        yes_no_brier(p, y),
        float((share * (forecast - hits) ** 2).sum()),
        float((share * (hits - base) ** 2).sum()),
        base * (1.0 - base),
    )


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
