"""How good a ranking is: nDCG with linear gain, and the reciprocal rank of the first good answer.

K. Järvelin and J. Kekäläinen, "Cumulated gain-based evaluation of IR techniques", ACM Transactions on
Information Systems 20 (2002), with the discount 1/log2(rank + 1) from the first place on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import log2


def dcg(grades: Sequence[float], depth: int | None = None) -> float:
    """Discounted cumulated gain of `grades` in ranked order, to `depth` places."""
    return sum(grade / log2(place + 1) for place, grade in enumerate(grades[:depth], start=1))


def ndcg(grades: Sequence[float], judged: Iterable[float], depth: int | None = None) -> float:
    """`dcg` over that of the best order of all grades that were `judged`; 0 where none is above 0."""
    ideal = dcg(sorted(judged, reverse=True), depth)
    return dcg(grades, depth) / ideal if ideal else 0.0


def reciprocal_rank(grades: Sequence[float], least: float = 1.0) -> float:
    """One over the place of the first grade of at least `least`, 0 where there is none."""
    return next((1.0 / place for place, grade in enumerate(grades, start=1) if grade >= least), 0.0)
