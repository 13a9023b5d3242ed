"""What was chosen on a store for each question: weights of the back-off, exponents, sub-patterns.

Everything is kept under the names of features and faults, so that it also fits a ledger that counted the same
cases in another order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kb.suggest.evidence_lines import FeatureKey
from kb.suggest.facts_of_case import Fault

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Patterns:
    """Up to Z sub-patterns of each fault: soft counts of the cases they were learned from.

    `counts` (answers, K, Z) counts how often a sub-pattern gave an answer, the answers in the order of
    `kb.suggest.patterns.answers_of`; `sizes` (K, Z) the cases of each sub-pattern; `kinds` says of which kinds
    of answers they are made. `weight` is the exponent v. `folds` holds for every fold the log tables (answers,
    K, Z) and log shares (K, Z) that were learned without it, so that a case can be judged by what did not
    know it.
    """

    counts: NDArray[np.float32]
    sizes: Floats
    kinds: frozenset[int]
    weight: float
    folds: tuple[tuple[NDArray[np.float32], Floats], ...]


@dataclass(frozen=True, eq=False, slots=True)
class Fitted:
    """For each of the features (F,) in `features` (what a symptom was found to be, a rail's condition) and its
    mention, which rails do not have (0 there): weights of the back-off and exponents. `defaults` are the exponents by
    kind of answer, for features that were not noted yet.

    `patterns` is None where sub-patterns did not help on cases they had not seen.
    """

    features: tuple[FeatureKey, ...]
    faults: tuple[Fault, ...]
    k_fault: Floats
    k_section: Floats
    mention_k_fault: Floats
    mention_k_section: Floats
    exponents: Floats  # (kinds of answers, F)
    defaults: tuple[float, ...]
    strength: float
    patterns: Patterns | None = None
    value_exponent: float = 0.0  # of what a reading's value says within its condition

    @property
    def pattern_weight(self) -> float:
        """The exponent v of the sub-patterns, 0 where there are none."""
        return self.patterns.weight if self.patterns is not None else 0.0
