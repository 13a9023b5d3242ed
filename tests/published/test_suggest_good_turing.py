"""The share of what was never seen, against published examples and exact expectations."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from suggest_values import published

from kb.suggest.unseen import cautious_missing_mass

VALUES = published("good_turing")


def test_the_fishing_example_has_the_published_missing_mass() -> None:
    fish = VALUES["fish"]
    times = Counter(fish["counts"])
    total = sum(fish["counts"])
    # Ours leans on even odds by one case: at most half a case away from the published N1 / N.
    found = cautious_missing_mass(total, times[1])
    assert found == pytest.approx(fish["missing_mass"], abs=0.5 / (total + 1) + fish["tolerance"])
    assert found != pytest.approx(fish["missing_mass"], abs=fish["tolerance"] / 10)


def test_the_estimate_has_the_exact_expectation() -> None:
    exact = VALUES["equally_likely"]
    causes, cases = exact["causes"], exact["cases"]
    assert (1 - 1 / causes) ** cases == pytest.approx(exact["missing"], abs=exact["tolerance"])
    rng = np.random.default_rng(3)
    shares = []
    for _ in range(4_000):
        times = np.bincount(rng.integers(0, causes, cases), minlength=causes)
        shares.append(cautious_missing_mass(cases, int((times == 1).sum())))
    error = float(np.std(shares)) / math.sqrt(len(shares))
    expected = (cases * exact["singles_share"] + 0.5) / (cases + 1)
    assert float(np.mean(shares)) == pytest.approx(expected, abs=4 * error)
