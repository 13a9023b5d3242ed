"""How many of a part boards on the bench are likely to need, and how many are enough.

One cause a board is assumed, as in the ranking: a board needs a part with the sum of its causes' probabilities, each
times the share of that cause's repairs that took the part. Boards need it independently of one another, so the number
needed has the distribution of a sum of unlike yes-or-no events (Poisson binomial), which is worked out exactly.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

SHARE = 0.8  # of the times it should be enough: a mark of our own, as for the kit, no published source


def chances_of_parts(causes: Iterable[tuple[float, Mapping[str, int]]]) -> dict[str, float]:
    """How likely a board needs each part, from (probability of a cause, parts with how often each was it).

    A cause without a part on record is left out. Raises ValueError for a probability outside 0 to 1.
    """
    found: dict[str, float] = {}
    for probability, parts in causes:
        if not 0.0 <= probability <= 1.0:
            raise ValueError(f"a probability must be from 0 to 1, not {probability}")
        total = sum(parts.values())
        for part, count in parts.items():
            if count > 0:
                found[part] = found.get(part, 0.0) + probability * count / total
    return {part: min(1.0, chance) for part, chance in found.items()}


def number_needed(chances: ArrayLike) -> NDArray[np.float64]:
    """Probabilities (n + 1,) that 0, 1, … n of the boards need the part, from the chance of each (n,)."""
    found = np.asarray(chances, dtype=np.float64)
    if found.size and not ((found >= 0.0) & (found <= 1.0)).all():
        raise ValueError("chances must be from 0 to 1")
    distribution = np.ones(1)
    for chance in found.tolist():
        distribution = np.convolve(distribution, (1.0 - chance, chance))
    return distribution


def enough(chances: Sequence[float], share: float = SHARE) -> int:
    """The least number of the part that is enough for this share of the times.

    Raises ValueError for a share that is not above 0 and below 1.
    """
    if not 0.0 < share < 1.0:
        raise ValueError(f"the share must be above 0 and below 1, not {share}")
    return int(np.searchsorted(np.cumsum(number_needed(chances)), share - 1e-12))
