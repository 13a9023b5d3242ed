"""Binomial intervals against published tables, SciPy and statsmodels."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from suggest_values import published

from kb.suggest.intervals import beta_cdf, beta_quantile, jeffreys

VALUES = published("binomial_intervals")


@pytest.mark.parametrize(("k", "n", "low", "high"), VALUES["jeffreys"]["computed"])
def test_jeffreys_is_the_beta_interval_with_closed_ends(k: int, n: int, low: float, high: float) -> None:
    expected = (0.0 if k == 0 else low, 1.0 if k == n else high)
    assert jeffreys(k, n) == pytest.approx(expected, abs=VALUES["jeffreys"]["tolerance"])


@pytest.mark.parametrize(("k", "n", "low", "high"), VALUES["jeffreys"]["printed"]["rows"])
def test_jeffreys_gives_the_printed_intervals_for_seven(k: int, n: int, low: float, high: float) -> None:
    assert jeffreys(k, n) == pytest.approx((low, high), abs=VALUES["jeffreys"]["printed"]["tolerance"])


def test_jeffreys_equals_statsmodels_everywhere_between_the_ends() -> None:
    from statsmodels.stats.proportion import proportion_confint

    for n in (1, 2, 5, 17, 60, 400, 5_000):
        for k in sorted({1, n // 3, n // 2, n - 1} - {0, n}):
            assert jeffreys(k, n) == pytest.approx(proportion_confint(k, n, method="jeffreys"), abs=1e-9)


def test_the_beta_distribution_equals_scipy() -> None:
    from scipy import stats

    shapes = (0.01, 0.5, 1.0, 1.5, 3.0, 20.5, 300.0, 9_000.5)
    for a, b in itertools.product(shapes, shapes):
        for x in (1e-9, 0.003, 0.1, 0.31, 0.5, 0.77, 0.95, 0.9999):
            assert beta_cdf(x, a, b) == pytest.approx(stats.beta.cdf(x, a, b), abs=1e-10)


def test_the_beta_quantile_equals_scipy() -> None:
    from scipy import stats

    shapes = (0.5, 1.0, 1.5, 3.0, 20.5, 300.0, 9_000.5)
    for a, b in itertools.product(shapes, shapes):
        for p in (1e-6, 0.025, 0.05, 0.5, 0.975, 1 - 1e-6):
            assert beta_quantile(p, a, b) == pytest.approx(stats.beta.ppf(p, a, b), abs=1e-9, rel=1e-9)


def test_jeffreys_covers_the_truth_about_as_often_as_it_says() -> None:
    from scipy import stats

    n = 20
    rates = np.linspace(0.02, 0.98, 193)
    ends = [jeffreys(k, n) for k in range(n + 1)]
    cover = [
        sum(stats.binom.pmf(k, n, p) for k, (low, high) in enumerate(ends) if low <= p <= high) for p in rates
    ]
    assert float(np.mean(cover)) == pytest.approx(0.95, abs=0.01)
