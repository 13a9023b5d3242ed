"""What a good board measures: the normal value at a point, its spread, and where the next good board will read.

Location and spread are Huber's proposal 2 (P. J. Huber, Robust Statistics, 1981, chapter 6), so that one board that
was off does not widen the rest. A handful of boards says little of a spread, so points of one quantity on one family
lend theirs to one another: relative variances lean on a common one with weights from the data (G. K. Smyth, Linear
models and empirical Bayes methods, Statistical Applications in Genetics and Molecular Biology 3 (2004) article 3).
The interval for one more board is Student's, location +/- t spread sqrt(1 + 1/n) (G. J. Hahn and W. Q. Meeker,
Statistical Intervals, 1991; its factors are computed here, not remembered).
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kb.suggest.intervals import beta_quantile

Floats = NDArray[np.float64]

FEWEST_BOARDS = 5  # before that a normal value is shown and judges nothing
CONFIDENCE = 0.95
# No spread is taken for less than this share of the value: meters differ by as much. Common practice, no
# published source.
LEAST_RELATIVE_SPREAD = 0.002
_CLIP = 1.5
_FEWEST_SHARING = 3
_STEADY = (
    0.25  # what varies by more of its own value (a rail that is off) neither lends a spread nor leans on one
)
_MOST_LENT = 50.0  # boards: however alike the spreads are, a point's own boards keep a say
_NORMAL_MAD = 1.482602218505602  # 1 / the quantile of 3/4 of the normal distribution
_TOLERANCE = 1e-9


class Place(NamedTuple):
    """Where and how something is measured: rail or test point, quantity, supply state, load."""

    where: str
    quantity: str
    supply: str
    load: str


@dataclass(frozen=True, slots=True)
class Normal:
    """What good boards measure at a place, in the unit of its quantity.

    `boards` of them; `low` and `high` enclose the next good board with probability `CONFIDENCE`, both None where
    fewer than two boards, or no spread at all, are known. `own_spread` is that of this place's boards alone.
    """

    place: Place
    boards: int
    location: float
    spread: float
    own_spread: float
    low: float | None
    high: float | None

    @property
    def judges(self) -> bool:
        """Whether enough boards stand behind it to judge another by."""
        return self.boards >= FEWEST_BOARDS and self.low is not None

    def off(self, value: float) -> float | None:
        """How far a value is from the normal one, in spreads; None where no spread is known."""
        return (value - self.location) / self.spread if self.spread > 0.0 else None

    def holds(self, value: float) -> bool:
        """Whether the value lies where the next good board would, bounds included."""
        return self.low is not None and self.high is not None and self.low <= value <= self.high


def t_quantile(probability: float, freedom: float) -> float:
    """Quantile of Student's t for 0 < probability < 1 and freedom > 0: freedom / (freedom + t²) is Beta distributed."""
    if not 0.0 < probability < 1.0 or not freedom > 0.0:
        raise ValueError("needs a probability between 0 and 1 and degrees of freedom above 0")
    tail = min(probability, 1.0 - probability)
    x = beta_quantile(2.0 * tail, 0.5 * freedom, 0.5)
    size = math.sqrt(freedom * (1.0 - x) / x) if x > 0.0 else math.inf
    return math.copysign(size, probability - 0.5)


@lru_cache(maxsize=4_096)
def prediction_factor(boards: int, freedom: float, confidence: float = CONFIDENCE) -> float:
    """By how many spreads the interval for one more board reaches to each side of the location."""
    return t_quantile(0.5 + 0.5 * confidence, freedom) * math.sqrt(1.0 + 1.0 / boards)


def robust(values: ArrayLike) -> tuple[float, float]:
    """(location, spread) of the values (n,) by Huber's proposal 2, clipped at 1.5 spreads.

    Spread is 0 for one value, and where too many are equal for it to be known. Raises ValueError for none.
    """
    found = np.sort(np.asarray(values, dtype=np.float64))
    count = len(found)
    if not count:
        raise ValueError("no value is given")
    middle = 0.5 * float(found[(count - 1) // 2] + found[count // 2])
    if count == 1:
        return middle, 0.0
    found = found - middle
    away = np.sort(np.abs(found))
    # The median deviation is 0 as soon as half of the boards read the same, the mean one only where all do.
    spread = 0.5 * float(away[(count - 1) // 2] + away[count // 2]) * _NORMAL_MAD
    spread = spread or float(away.mean()) * math.sqrt(math.pi / 2.0)
    least = max(abs(middle), float(away[-1])) * 1e-9
    expected = _expected_square(_CLIP) * (count - 1)
    clipped = _Clipped(found)
    location = 0.0
    for _ in range(500):
        if spread <= least:
            return middle, 0.0
        moved = location + clipped.mean(location, _CLIP * spread)
        wider = math.sqrt(clipped.square(moved, _CLIP * spread) / expected)
        still = abs(moved - location) <= _TOLERANCE * spread and abs(wider - spread) <= _TOLERANCE * spread
        location, spread = moved, wider
        if still:
            break
    return middle + location, spread


class _Clipped:
    """Sums of sorted values (n,) clipped to either side of a centre, by running sums in place of a pass each."""

    def __init__(self, values: Floats) -> None:
        self._values = values.tolist()
        self._sums = [0.0, *np.cumsum(values).tolist()]
        self._squares = [0.0, *np.cumsum(values * values).tolist()]

    def mean(self, centre: float, reach: float) -> float:
        """Mean of the differences to the centre, each at most `reach` to either side."""
        first, last, outside = self._inside(centre, reach)
        inside = self._sums[last] - self._sums[first] - centre * (last - first)
        return (inside + reach * (outside - 2 * first)) / len(self._values)

    def square(self, centre: float, reach: float) -> float:
        """Sum of the squares of the same differences."""
        first, last, outside = self._inside(centre, reach)
        inside = (
            self._squares[last]
            - self._squares[first]
            - 2.0 * centre * (self._sums[last] - self._sums[first])
            + centre * centre * (last - first)
        )
        return max(0.0, inside) + reach * reach * outside

    def _inside(self, centre: float, reach: float) -> tuple[int, int, int]:
        """(first and last place within, how many lie outside)."""
        first = bisect_left(self._values, centre - reach)
        last = bisect_right(self._values, centre + reach)
        return first, last, first + len(self._values) - last


def _expected_square(clip: float) -> float:
    """E min(z², clip²) of a standard normal z."""
    inside = math.erf(clip / math.sqrt(2.0))
    density = math.exp(-0.5 * clip * clip) / math.sqrt(2.0 * math.pi)
    return inside - 2.0 * clip * density + clip * clip * (1.0 - inside)


def shared_variance(variances: ArrayLike, freedoms: ArrayLike) -> tuple[float, float]:
    """(common variance, degrees of freedom it is worth) of sample variances (n,) with their degrees of freedom (n,).

    Moments of the logarithms, after Smyth 2004 section 6.2; infinite where the variances differ no more than
    chance makes them. Raises ValueError for fewer than two, or one that is not above 0.
    """
    logs, halves = (
        np.log(np.asarray(variances, dtype=np.float64)),
        0.5 * np.asarray(freedoms, dtype=np.float64),
    )
    if logs.size < 2 or not np.isfinite(logs).all() or not (halves > 0.0).all():
        raise ValueError("needs two or more variances and degrees of freedom, all above 0")
    centred = logs - np.array([digamma(half) - math.log(half) for half in halves.tolist()])
    mean = float(centred.mean())
    more = float(centred.var(ddof=1)) - float(np.mean([trigamma(half) for half in halves.tolist()]))
    if more <= 0.0:
        return math.exp(mean), math.inf
    half = trigamma_inverse(more)
    return math.exp(mean + digamma(half) - math.log(half)), 2.0 * half


def digamma(x: float) -> float:
    """Derivative of log gamma for x > 0: recurrence up to 10, then Abramowitz and Stegun 6.3.18."""
    below = 0.0
    while x < 10.0:
        below -= 1.0 / x
        x += 1.0
    inverse = 1.0 / (x * x)
    tail = inverse * (
        1 / 12 - inverse * (1 / 120 - inverse * (1 / 252 - inverse * (1 / 240 - inverse / 132)))
    )
    return below + math.log(x) - 0.5 / x - tail


def trigamma(x: float) -> float:
    """Second derivative of log gamma for x > 0: recurrence up to 10, then Abramowitz and Stegun 6.4.12."""
    below = 0.0
    while x < 10.0:
        below += 1.0 / (x * x)
        x += 1.0
    inverse = 1.0 / (x * x)
    tail = inverse * (1 / 6 - inverse * (1 / 30 - inverse * (1 / 42 - inverse * (1 / 30 - inverse * 5 / 66))))
    return below + 1.0 / x + 0.5 * inverse + tail / x


def trigamma_inverse(y: float) -> float:
    """The x > 0 with trigamma(x) = y > 0, halving a bracket of logarithms."""
    low, high = -50.0, 50.0
    for _ in range(120):
        middle = 0.5 * (low + high)
        if trigamma(math.exp(middle)) > y:
            low = middle
        else:
            high = middle
    return math.exp(0.5 * (low + high))


def normals(measured: Mapping[Place, ArrayLike]) -> dict[Place, Normal]:
    """The normal value of every place from one value for each good board (each list one or more).

    Places of one quantity lend one another their relative spread where three or more have two boards.
    """
    return leaned({place: alone(values) for place, values in measured.items()})


def alone(values: ArrayLike) -> tuple[int, float, float]:
    """(boards, location, spread) of one place by itself."""
    return (np.size(values), *robust(values))


def leaned(
    found: Mapping[Place, tuple[int, float, float]], wanted: Iterable[Place] | None = None
) -> dict[Place, Normal]:
    """Normals of some places (all where None) whose spreads lean on those of all that `alone` found."""
    chosen = list(found if wanted is None else wanted)
    lent = {
        quantity: _shared(entry for place, entry in found.items() if place.quantity == quantity)
        for quantity in {place.quantity for place in chosen}
    }
    return {place: _normal(place, *found[place], *lent[place.quantity]) for place in chosen}


def _floored(location: float, spread: float) -> float:
    return max(spread, LEAST_RELATIVE_SPREAD * abs(location))


def _steady(location: float, spread: float) -> bool:
    return location != 0.0 and spread <= _STEADY * abs(location)


def _shared(entries: Iterable[tuple[int, float, float]]) -> tuple[float, float]:
    """(relative variance, degrees of freedom) that places lend one another; (0, 0) where too few have any."""
    usable = [
        ((_floored(location, spread) / location) ** 2, boards - 1)
        for boards, location, spread in entries
        if boards >= 2 and _steady(location, spread)
    ]
    if len(usable) < _FEWEST_SHARING:
        return 0.0, 0.0
    variance, freedom = shared_variance(*zip(*usable, strict=True))
    return variance, min(freedom, _MOST_LENT)


def _normal(
    place: Place, boards: int, location: float, spread: float, relative: float, lent: float
) -> Normal:
    own = boards - 1
    lent = lent if _steady(location, spread) else 0.0
    freedom = own + lent
    if freedom <= 0.0:
        return Normal(place, boards, location, 0.0, spread, None, None)
    mine = _floored(location, spread) ** 2
    wide = math.sqrt((own * mine + lent * relative * location * location) / freedom)
    if boards < 2 or wide <= 0.0:
        return Normal(place, boards, location, wide, spread, None, None)
    reach = prediction_factor(boards, freedom) * wide
    return Normal(place, boards, location, wide, spread, location - reach, location + reach)


@dataclass(frozen=True, slots=True)
class Beside:
    """A reading beside what good boards measure there; `normal` None where none was measured.

    `off` in spreads where the normal judges, else None; `unlike` where the reading lies outside its interval.
    """

    place: Place
    value: float
    normal: Normal | None

    @property
    def off(self) -> float | None:
        return self.normal.off(self.value) if self.normal and self.normal.judges else None

    @property
    def times(self) -> float | None:
        """The reading as a multiple of the normal value, None where either is not above 0."""
        if self.normal is None or self.value <= 0.0 or self.normal.location <= 0.0:
            return None
        return self.value / self.normal.location

    @property
    def unlike(self) -> bool:
        return bool(self.normal and self.normal.judges and not self.normal.holds(self.value))


def beside(readings: Sequence[tuple[Place, float]], known: Mapping[Place, Normal]) -> tuple[Beside, ...]:
    """Readings beside the normals: the one that is off by most spreads first, what cannot be judged last.

    Of what too few boards were measured for, the one that is the largest multiple or fraction comes first.
    """
    found = [Beside(place, value, known.get(place)) for place, value in readings]

    def rank(one: Beside) -> tuple[int, float]:
        if one.off is not None:
            return 0, -abs(one.off)
        if one.normal is None:
            return 2, 0.0
        return 1, -abs(math.log(one.times)) if one.times else 0.0

    return tuple(sorted(found, key=rank))
