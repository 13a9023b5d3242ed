"""The distribution of the cost to cure, against Kadane and Simon's orders, exact enumeration and a simulation."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from suggest_builders import case, fix, ledger_of
from suggest_values import published

from kb.suggest import Evidence, Ranking, Settings, rank
from kb.suggest.repair_order import best_stop, cheapest_first
from kb.suggest.worth import MOST_TRIES, at_rate, cost_to_cure, tries_that_reach, worth

VALUES = published("repair_order")
TOLERANCE = VALUES["tolerance"]


def test_the_mean_is_the_expected_cost_of_the_best_and_of_every_other_order() -> None:
    a = VALUES["A"]
    chance, cost = np.array(a["chance"]), np.array(a["cost"], dtype=float)
    order = cheapest_first(chance, cost)
    assert cost_to_cure(chance[order], cost[order]).mean == pytest.approx(a["expected"], abs=TOLERANCE)
    means = [
        cost_to_cure(chance[list(places)], cost[list(places)]).mean
        for places in itertools.permutations(range(4))
    ]
    assert min(means) == pytest.approx(a["expected"], abs=TOLERANCE)
    assert max(means) == pytest.approx(a["worst"], abs=TOLERANCE)
    assert float(np.mean(means)) == pytest.approx(a["mean"], abs=TOLERANCE)


@pytest.mark.parametrize("price", [10, 20, 40, 100])
def test_with_a_replacement_for_what_is_given_up_the_mean_is_the_published_best(price: int) -> None:
    c = VALUES["C"]
    cures, cost = np.array(c["chance"]) * np.array(c["success"]), np.array(c["cost"], dtype=float)
    order = cheapest_first(cures, cost)
    tries = best_stop(cures[order], cost[order], price).tries
    found = cost_to_cure(cures[order], cost[order], tries)
    assert found.mean + price * found.given_up_chance == pytest.approx(c["best"][str(price)], abs=TOLERANCE)


def enumerated(
    chance: list[Fraction], success: list[Fraction], cost: list[int], tries: int
) -> tuple[dict[int, Fraction], Fraction]:
    """(probability of each amount at which a board is cured, of being given up): every cause, every luck."""
    cured: dict[int, Fraction] = {}
    given_up = Fraction(1) - sum(chance)
    for cause, lucky in itertools.product(range(len(chance)), (True, False)):
        share = chance[cause] * (success[cause] if lucky else 1 - success[cause])
        paid = 0
        for number in range(tries):
            paid += cost[number]
            if number == cause and lucky:
                cured[paid] = cured.get(paid, Fraction(0)) + share
                break
        else:
            given_up += share
    return cured, given_up


@pytest.mark.parametrize("tries", [0, 1, 3, 5])
def test_every_amount_has_the_probability_that_counting_all_outcomes_gives(tries: int) -> None:
    chance = [Fraction(n, 40) for n in (12, 9, 7, 5, 3)]
    success = [Fraction(n, 10) for n in (9, 10, 5, 8, 0)]
    cost = [21, 0, 34, 0, 8]
    cured, given_up = enumerated(chance, success, cost, tries)
    found = cost_to_cure([float(p * q) for p, q in zip(chance, success, strict=True)], cost, tries)
    got = {amount: share for amount, share in zip(found.costs, found.chances, strict=True) if share > 0}
    assert got == pytest.approx({float(amount): float(share) for amount, share in cured.items() if share})
    assert found.given_up_chance == pytest.approx(float(given_up))
    assert found.given_up_cost == sum(cost[:tries])
    mean = sum(amount * share for amount, share in cured.items()) + sum(cost[:tries]) * given_up
    assert found.mean == pytest.approx(float(mean))
    whole = dict(cured)
    whole[sum(cost[:tries])] = whole.get(sum(cost[:tries]), Fraction(0)) + given_up
    for tenth in range(1, 11):
        least = min(
            amount
            for amount in whole
            if sum(share for other, share in whole.items() if other <= amount) >= Fraction(tenth, 10)
        )
        assert found.covers(tenth / 10) == least


def test_a_simulated_bench_pays_what_the_distribution_says() -> None:
    rng = np.random.default_rng(20)
    chance, success = np.array([0.35, 0.25, 0.15, 0.1]), np.array([0.9, 0.8, 0.95, 0.6])
    cost = np.array([24.0, 60.0, 12.0, 95.0])
    boards = 40_000
    cause = rng.choice(5, size=boards, p=[*chance, 1 - chance.sum()])
    works = rng.random(boards) < np.append(success, 0.0)[cause]
    paid = np.where(works, np.cumsum(cost)[np.minimum(cause, 3)], cost.sum())
    found = cost_to_cure(chance * success, cost)
    assert found.mean == pytest.approx(paid.mean(), abs=4 * paid.std() / boards**0.5)
    assert found.covers(0.9) == np.quantile(paid, 0.9, method="inverted_cdf")
    assert found.chance_of_cure == pytest.approx(works.mean(), abs=0.01)
    assert found.cured_within(84) == pytest.approx((works & (paid <= 84)).mean(), abs=0.01)
    assert found.mean_of_a_cure == pytest.approx(paid.sum() / works.sum(), rel=0.01)


def test_amounts_and_chances_that_cannot_be_are_refused() -> None:
    for cures, cost in (([0.5], [-1.0]), ([0.7, 0.4], [1, 1]), ([-0.1], [1]), ([0.5], [float("nan")])):
        with pytest.raises(ValueError, match="zero or more"):
            cost_to_cure(cures, cost)
    with pytest.raises(ValueError, match="share of boards"):
        cost_to_cure([0.5], [1.0]).covers(0.0)


def listed(*tries: tuple[float, float], known: bool = True, rate: float = 60.0) -> Ranking:
    """A ranking whose fixes have these (chance of cure, money of a try), all of it bench time."""
    made = rank(ledger_of(case("a")), Evidence(), Settings())
    pattern = made.causes[0]
    causes = tuple(
        replace(
            pattern,
            section=f"section {number}",
            chance_of_cure=chance,
            money_per_try=money,
            minutes_per_try=money / rate * 60.0,
            cost=0.0 if known else None,
            minutes=1.0 if known else None,
        )
        for number, (chance, money) in enumerate(tries)
    )
    return replace(made, causes=causes)


def test_a_board_is_repaired_offered_or_declined_by_what_a_replacement_costs() -> None:
    sure = listed((0.92, 20.0), (0.02, 30.0))
    half = listed((0.5, 20.0), (0.2, 30.0))
    assert [worth(sure, 60.0, price).advice for price in (15, 21, 30)] == ["decline", "decline", "repair"]  # type: ignore[union-attr]
    assert [worth(half, 60.0, price).advice for price in (30, 60, 1000)] == ["decline", "offer", "offer"]  # type: ignore[union-attr]
    offered = worth(half, 60.0, 60.0)
    assert offered is not None
    assert offered.tries == best_stop([0.5, 0.2], [20.0, 30.0], 60.0).tries == 1
    assert offered.with_replacement == pytest.approx(20 + 0.5 * 60)
    assert offered.cured_for_less == pytest.approx(0.5)
    declined = worth(half, 60.0, 30.0)
    assert declined is not None
    assert declined.least_trying == pytest.approx(20 + 0.5 * 30)


def test_where_too_many_causes_are_possible_more_is_to_be_found_out_first() -> None:
    scattered = listed(*[(0.04, 25.0)] * 20)
    for price in (None, 60.0, 5000.0):
        found = worth(scattered, 60.0, price)
        assert found is not None
        assert (found.advice, found.tries) == ("find out more", MOST_TRIES)
    cheap = worth(scattered, 60.0, 25.0)
    assert cheap is not None
    assert cheap.advice == "decline"


def test_without_a_price_nine_in_ten_of_what_the_list_cures_are_followed() -> None:
    assert tries_that_reach([0.5, 0.3, 0.1, 0.1]) == 3
    assert tries_that_reach([0.4, 0.1, 0.0]) == 2
    assert tries_that_reach([]) == tries_that_reach([0.0, 0.0]) == 0
    found = worth(listed((0.5, 10.0), (0.3, 10.0), (0.02, 10.0)), 60.0)
    assert found is not None
    assert (found.tries, found.advice, found.with_replacement) == (2, None, None)
    assert worth(replace(listed((0.5, 10.0)), causes=()), 60.0) is None


def test_costs_of_zero_are_costs_of_zero() -> None:
    free = worth(listed((0.5, 0.0), (0.3, 0.0)), 0.0, 10.0)
    assert free is not None
    assert (free.tries, free.cost.mean, free.cost.covers(0.9)) == (2, 0.0, 0.0)
    given = worth(listed((0.5, 0.0), (0.3, 0.0)), 0.0, 0.0)
    assert given is not None
    assert given.advice == "decline"


def test_another_hourly_rate_gives_the_ranking_that_was_made_at_that_rate() -> None:
    quick = fix(("standby output", "electrolytic capacitor"), minutes=10.0, cost=2.0)
    slow = fix(("main converter", "transformer"), part="T1", minutes=90.0, cost=1.0)
    dear = fix(("main converter", "controller IC"), part="U1", minutes=5.0, cost=30.0)
    ledger = ledger_of(
        *(case(f"q{n}", tries=(quick,)) for n in range(3)),
        *(case(f"s{n}", tries=(slow,)) for n in range(4)),
        *(case(f"d{n}", tries=(dear,)) for n in range(4)),
    )
    for order in ("likely", "cheapest"):
        asked = rank(ledger, Evidence(), Settings(bench_rate_per_hour=120.0), order=order)  # type: ignore[arg-type]
        made = rank(ledger, Evidence(), Settings(bench_rate_per_hour=6.0), order=order)  # type: ignore[arg-type]
        moved = at_rate(made, 6.0, 120.0)
        assert [one.part_class for one in moved.causes] == [one.part_class for one in asked.causes]
        assert [one.money_per_try for one in moved.causes] == pytest.approx(
            [one.money_per_try for one in asked.causes]
        )
        assert moved.expected_cost == pytest.approx(asked.expected_cost)
        assert moved.expected_minutes == pytest.approx(asked.expected_minutes)
    assert [one.part_class for one in made.causes] != [one.part_class for one in asked.causes]
    with pytest.raises(ValueError, match="hourly rate"):
        at_rate(made, 6.0, -1.0)


def test_what_is_not_on_record_is_counted_and_named() -> None:
    nothing = worth(listed((0.5, 20.0), (0.3, 20.0), known=False), 30.0)
    assert nothing is not None
    assert (nothing.parts_unknown, nothing.minutes_unknown) == (2, 2)
    assert nothing.parts_taken == pytest.approx(20.0 - 20.0 * 30.0 / 60.0)
    assert nothing.minutes_taken == pytest.approx(20.0)
    known = worth(listed((0.5, 20.0)), 60.0)
    assert known is not None
    assert (known.parts_unknown, known.parts_taken, known.minutes_unknown) == (0, None, 0)
