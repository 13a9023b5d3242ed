"""What it costs to cure a board, as a distribution, and whether that is worth it against a replacement.

Fixes are tried in the order of a list until one cures the board or the list is given up. One cause at a time is
assumed, as in the ranking: try k cures with P_k q_k (the chance of the cause, times that its fix cures), and what
was paid by then is the sum of the tries up to and with k. So the distribution is exact and has as many points as
there are tries; its mean is the expected cost of Kadane and Simon (`kb.suggest.repair_order`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from kb.suggest.ranking import Cause, Ranking, reordered
from kb.suggest.repair_order import best_stop

Advice = Literal["repair", "offer", "decline", "find out more"]

NINE_OF_TEN = 0.9
MOST_TRIES = 10  # a list that is longer before it cures what it can is a board of which too little is known
_DRAWN = 6
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class CostToCure:
    """Distribution of what a board costs until it is cured or given up.

    `costs` (n,) are the amounts at which a board may be cured, ascending and each once; `chances` (n,) how likely
    it is cured at just that amount; `given_up_cost` is what all tries together cost and `given_up_chance` how
    likely none of them cures.
    """

    costs: tuple[float, ...]
    chances: tuple[float, ...]
    given_up_cost: float
    given_up_chance: float

    @property
    def chance_of_cure(self) -> float:
        return 1.0 - self.given_up_chance

    @property
    def mean(self) -> float:
        """What such a board costs on average, cured or given up."""
        paid = sum(cost * chance for cost, chance in zip(self.costs, self.chances, strict=True))
        return paid + self.given_up_cost * self.given_up_chance

    @property
    def mean_of_a_cure(self) -> float | None:
        """What a cured board has to bring in on average where boards given up bring in nothing; None without a cure."""
        return self.mean / self.chance_of_cure if self.chance_of_cure > _ROUNDING else None

    def cured_within(self, amount: float) -> float:
        """Chance that the board is cured for at most this amount."""
        return sum(
            chance
            for cost, chance in zip(self.costs, self.chances, strict=True)
            if cost <= amount + _ROUNDING
        )

    def covers(self, share: float) -> float:
        """The least amount that covers the cost of this share of boards, cured or given up.

        Raises ValueError for a share that is not above 0 and at most 1.
        """
        if not 0.0 < share <= 1.0:
            raise ValueError(f"a share of boards must be above 0 and at most 1, not {share}")
        reached = 0.0
        for cost, chance in zip(self.costs, self.chances, strict=True):
            reached += chance
            if cost < self.given_up_cost and reached >= share - _ROUNDING:
                return cost
        return self.given_up_cost


def cost_to_cure(cures: ArrayLike, cost: ArrayLike, tries: int | None = None) -> CostToCure:
    """Distribution of the cost of the first `tries` fixes of a list, of all where it is None.

    `cures` (n,) chance that doing this fix cures the board, `cost` (n,) of doing it. Raises ValueError for
    a negative cost, and for chances that are negative or together above 1.
    """
    chances = np.asarray(cures, dtype=np.float64)[:tries]
    amounts = np.asarray(cost, dtype=np.float64)[:tries]
    if amounts.size and not (np.isfinite(amounts).all() and amounts.min() >= 0.0):
        raise ValueError("a try must cost zero or more")
    if chances.size and not (chances.min() >= 0.0 and chances.sum() <= 1.0 + _ROUNDING):
        raise ValueError("chances of a cure must be zero or more and together at most 1")
    paid = np.cumsum(amounts)
    # A try that costs nothing cures at the amount that was paid before it.
    costs, at = np.unique(paid, return_inverse=True)
    summed = np.bincount(at, weights=chances, minlength=len(costs))
    return CostToCure(
        tuple(costs.tolist()),
        tuple(summed.tolist()),
        float(paid[-1]) if paid.size else 0.0,
        max(0.0, 1.0 - float(chances.sum())),
    )


def tries_that_reach(cures: ArrayLike, share: float = NINE_OF_TEN) -> int:
    """How many fixes of the list cure this share of the boards that the whole list cures; 0 for none."""
    reached = np.cumsum(np.asarray(cures, dtype=np.float64))
    if not reached.size or reached[-1] <= 0.0:
        return 0
    return int(np.argmax(reached >= share * reached[-1] - _ROUNDING)) + 1


@dataclass(frozen=True, slots=True)
class Worth:
    """Whether a board is worth repairing.

    `tries` fixes of the list are tried and then the board is given up: with a replacement price as many as make
    the whole least, otherwise as many as cure nine in ten of the boards that the list cures at all, at most ten.
    `curve` has (what was paid, chance that the board is cured by then) after each try, at least of the first six.

    With a price there are `with_replacement`, what a board costs on average where a replacement follows what is
    given up, `least_trying`, the same where at least one fix is tried, and `cured_for_less`, the chance that it is
    cured for at most that price; each None without one.

    Of the tries `parts_unknown` have no cost of parts on record and `minutes_unknown` no time; `parts_taken` and
    `minutes_taken` are what was taken for each of them.
    """

    hourly_rate: float
    replacement_price: float | None
    advice: Advice | None
    tries: int
    cost: CostToCure
    curve: tuple[tuple[float, float], ...]
    with_replacement: float | None
    least_trying: float | None
    cured_for_less: float | None
    parts_unknown: int
    parts_taken: float | None
    minutes_unknown: int
    minutes_taken: float | None


def worth(ranking: Ranking, hourly_rate: float, replacement_price: float | None = None) -> Worth | None:
    """Whether following the ranking's list pays; None where it lists nothing that could cure.

    `hourly_rate` is the one that the ranking's `money_per_try` was made with (`at_rate`). Advice: *decline* where
    no number of tries costs less on average than a replacement at once, *find out more* where it takes more than
    ten fixes to cure nine in ten of the boards that the list cures (unless a replacement costs less than any one
    fix), *repair* where nine in ten such boards are cured for at most its price, else *offer*. Raises ValueError
    for a negative price.
    """
    cures = [cause.chance_of_cure for cause in ranking.causes]
    money = [cause.money_per_try for cause in ranking.causes]
    reach = tries_that_reach(cures)
    if not reach:
        return None
    scattered = reach > MOST_TRIES
    tries = min(reach, MOST_TRIES)
    if replacement_price is None:
        advice: Advice | None = "find out more" if scattered else None
        return _worth(ranking, cures, money, hourly_rate, tries, advice)
    stop = best_stop(cures, money, replacement_price)
    if scattered and replacement_price > min(money):
        advice = "find out more"
    elif not stop.tries:
        advice = "decline"
    else:
        tries = stop.tries
        within = cost_to_cure(cures, money, tries).cured_within(replacement_price)
        advice = "repair" if within >= NINE_OF_TEN - _ROUNDING else "offer"
    found = _worth(ranking, cures, money, hourly_rate, tries, advice)
    return replace(
        found,
        replacement_price=replacement_price,
        with_replacement=stop.expected_cost,
        least_trying=float(min(stop.prefixes[1:])),
        cured_for_less=found.cost.cured_within(replacement_price),
    )


def _worth(
    ranking: Ranking,
    cures: list[float],
    money: list[float],
    hourly_rate: float,
    tries: int,
    advice: Advice | None,
) -> Worth:
    drawn = max(tries, _DRAWN)
    no_parts = [cause for cause in ranking.causes[:tries] if cause.cost is None]
    no_minutes = [cause for cause in ranking.causes[:tries] if cause.minutes is None]
    return Worth(
        hourly_rate,
        None,
        advice,
        tries,
        cost_to_cure(cures, money, tries),
        tuple(zip(np.cumsum(money[:drawn]).tolist(), np.cumsum(cures[:drawn]).tolist(), strict=True)),
        None,
        None,
        None,
        len(no_parts),
        _parts(no_parts[0], hourly_rate) if no_parts else None,
        len(no_minutes),
        no_minutes[0].minutes_per_try if no_minutes else None,
    )


def _parts(cause: Cause, hourly_rate: float) -> float:
    return max(0.0, cause.money_per_try - cause.minutes_per_try * hourly_rate / 60.0)


def at_rate(ranking: Ranking, before: float, after: float) -> Ranking:
    """The ranking with bench time at another hourly rate than the one it was made with.

    What a try costs changes, and with it the order "cheapest". Raises ValueError for a negative rate.
    """
    if not after >= 0.0:
        raise ValueError(f"an hourly rate must be zero or more, not {after}")
    if before == after:
        return ranking
    causes = tuple(
        replace(cause, money_per_try=_parts(cause, before) + cause.minutes_per_try * after / 60.0)
        for cause in ranking.causes
    )
    return reordered(replace(ranking, causes=causes), ranking.order)
