"""The interval for "cured k of n" after Jeffreys, and the Beta distribution that it needs.

Jeffreys is the interval this product shows. Its rule at the ends, after Brown, Cai and DasGupta,
Interval Estimation for a Binomial Proportion, Statistical Science 16 (2001) 101-133: nothing cured has
the lower end 0, everything cured the upper end 1; the other end stays the two-sided quantile of
Beta(k + 1/2, n - k + 1/2), so 0 of 20 is (0, 0.1166). Nothing tried is (0, 1).
"""

from __future__ import annotations

import math
from functools import lru_cache

_ROUNDING = 4e-16


def beta_cdf(x: float, a: float, b: float) -> float:
    """Regularised incomplete beta function I_x(a, b) for a, b > 0.

    Continued fraction of the incomplete beta function (Abramowitz and Stegun 26.5.8), evaluated by
    the modified Lentz method; absolute error below 1e-10 for a + b up to some ten thousand.
    """
    if not (a > 0.0 and b > 0.0):
        raise ValueError(f"both shapes of a Beta distribution must be above zero, not {a} and {b}")
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    if x < (a + 1.0) / (a + b + 2.0):
        return math.exp(log_front) * _continued_fraction(x, a, b) / a
    return 1.0 - math.exp(log_front) * _continued_fraction(1.0 - x, b, a) / b


def _continued_fraction(x: float, a: float, b: float) -> float:
    """The continued fraction factor of I_x(a, b); converges fast for x below the mean.

    There no partial denominator comes near 0 (looked at for shapes from 0.1 to 30,000), which Lentz's method would
    have to step around.
    """
    c = 1.0
    d = 1.0 / (1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, 100_000):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0)),
        ):
            d = 1.0 / (1.0 + numerator * d)
            c = 1.0 + numerator / c
            step = c * d
            value *= step
        if abs(step - 1.0) < _ROUNDING:
            break
    return value


def beta_quantile(probability: float, a: float, b: float) -> float:
    """The x with I_x(a, b) = probability, for 0 <= probability <= 1 and a, b > 0.

    Newton steps inside a bracket that is halved whenever a step leaves it, so it always ends.
    """
    if not 0.0 <= probability <= 1.0:
        raise ValueError(f"a probability must be from 0 to 1, not {probability}")
    if probability in (0.0, 1.0):
        return probability
    log_scale = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b)
    low, high = 0.0, 1.0
    x = a / (a + b)
    for _ in range(200):
        miss = beta_cdf(x, a, b) - probability
        if miss > 0.0:
            high = x
        else:
            low = x
        log_density = log_scale + (a - 1.0) * math.log(x) + (b - 1.0) * math.log1p(-x)
        moved = x - miss / math.exp(log_density) if log_density > -600.0 else low
        if not low < moved < high:
            moved = 0.5 * (low + high)
        if abs(moved - x) <= 1e-15 * min(x, 1.0 - x) + 1e-300 or moved in (0.0, 1.0):
            return moved
        x = moved
    return x


@lru_cache(maxsize=65_536)
def jeffreys(cured: int, tried: int, confidence: float = 0.95) -> tuple[float, float]:
    """Jeffreys interval (low, high) for cured of tried, with closed ends at 0 and n (see above).

    Raises ValueError unless 0 <= cured <= tried and 0 < confidence < 1.
    """
    _check(cured, tried, confidence)
    if tried == 0:
        return (0.0, 1.0)
    tail = 0.5 * (1.0 - confidence)
    a, b = cured + 0.5, tried - cured + 0.5
    low = 0.0 if cured == 0 else beta_quantile(tail, a, b)
    high = 1.0 if cured == tried else beta_quantile(1.0 - tail, a, b)
    return (low, high)


def _check(cured: int, tried: int, confidence: float) -> None:
    if not 0 <= cured <= tried:
        raise ValueError(f"cured must be from 0 to the number tried, not {cured} of {tried}")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must be between 0 and 1, not {confidence}")
