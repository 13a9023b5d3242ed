"""Order of repair and information of a test, against worked examples and brute force."""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest
from suggest_values import published

from kb.suggest.next_measurement import entropy_bits
from kb.suggest.repair_order import (
    best_stop,
    cheapest_first,
    expected_cost_of,
    expected_cost_of_prefixes,
)

VALUES = published("repair_order")
TOLERANCE = VALUES["tolerance"]


def all_costs(cures: list[float], cost: list[float]) -> list[float]:
    orders = itertools.permutations(range(len(cost)))
    return sorted(expected_cost_of(np.array(cures)[list(o)], np.array(cost)[list(o)]) for o in orders)


def test_chance_over_cost_is_the_one_best_order() -> None:
    a = VALUES["A"]
    chance, cost = np.array(a["chance"]), np.array(a["cost"])
    order = cheapest_first(chance, cost)
    assert (order + 1).tolist() == a["order"]
    assert expected_cost_of(chance[order], cost[order]) == pytest.approx(a["expected"], abs=TOLERANCE)
    every = all_costs(a["chance"], a["cost"])
    assert every[0] == pytest.approx(a["expected"], abs=TOLERANCE)
    assert every[1] == pytest.approx(a["second_best"], abs=TOLERANCE)
    assert every[-1] == pytest.approx(a["worst"], abs=TOLERANCE)
    assert float(np.mean(every)) == pytest.approx(a["mean"], abs=TOLERANCE)
    by_probability, by_cost = np.argsort(-chance, kind="stable"), np.argsort(cost, kind="stable")
    assert expected_cost_of(chance[by_probability], cost[by_probability]) == pytest.approx(
        a["by_probability"]
    )
    assert expected_cost_of(chance[by_cost], cost[by_cost]) == pytest.approx(a["by_cost"])


def test_with_inspection_only_the_looking_decides_the_order() -> None:
    b = VALUES["B"]
    chance, look, repair = (np.array(b[name], dtype=float) for name in ("chance", "look", "repair"))
    order = cheapest_first(chance, look)
    assert (order + 1).tolist() == b["order"]

    def cost_of(places: object) -> float:
        chosen = np.array(places)
        return expected_cost_of(chance[chosen], look[chosen]) + float(chance @ repair)

    assert cost_of(order) == pytest.approx(b["expected"], abs=TOLERANCE)
    every = sorted(cost_of(list(places)) for places in itertools.permutations(range(4)))
    assert every[0] == pytest.approx(b["expected"], abs=TOLERANCE)
    assert every[1] > every[0] + 1e-9
    assert every[-1] == pytest.approx(b["worst"], abs=TOLERANCE)
    assert cost_of(cheapest_first(chance, look + repair)) == pytest.approx(b["by_total_cost"], abs=TOLERANCE)
    assert float(chance @ repair) == pytest.approx(b["repair_part"], abs=TOLERANCE)


@pytest.mark.parametrize("price", [10, 20, 40, 100])
def test_the_stop_against_a_replacement_price_is_the_best_of_all(price: int) -> None:
    c = VALUES["C"]
    cures = np.array(c["chance"]) * np.array(c["success"])
    cost = np.array(c["cost"], dtype=float)
    assert 1 - cures.sum() == pytest.approx(c["unfixed"], abs=TOLERANCE)
    order = cheapest_first(cures, cost)
    stop = best_stop(cures[order], cost[order], price)
    assert stop.expected_cost == pytest.approx(c["best"][str(price)], abs=TOLERANCE)
    if price == 10:
        assert stop.tries == 0
    if price == 20:
        assert stop.prefixes == pytest.approx(c["prefixes_at_20"], abs=TOLERANCE)


def test_stopping_at_the_first_fix_that_does_not_pay_would_be_wrong() -> None:
    one = VALUES["C_not_first"]
    cures = [float(Fraction(share)) for share in one["cures"]]
    stop = best_stop(cures, one["cost"], one["replacement"])
    assert stop.prefixes == pytest.approx(one["prefixes"], abs=one["prefix_tolerance"])
    assert stop.prefixes[1] > stop.prefixes[0]
    assert stop.tries == 2


def test_a_prefix_of_the_order_beats_every_other_plan() -> None:
    rng = np.random.default_rng(17)
    for _ in range(150):
        size = int(rng.integers(1, 6))
        cures = rng.dirichlet(np.ones(size + 1))[:size] * rng.random(size)
        cost, price = rng.uniform(1, 20, size), float(rng.uniform(0, 60))
        order = cheapest_first(cures, cost)
        best = best_stop(cures[order], cost[order], price).expected_cost
        for many in range(size + 1):
            for plan in itertools.permutations(range(size), many):
                places = list(plan)
                assert best <= expected_cost_of_prefixes(cures[places], cost[places], price)[-1] + 1e-9


def test_actions_that_cure_several_faults_are_outside_the_rule() -> None:
    d = VALUES["D"]
    chance = [Fraction(one) for one in d["chance"]]

    def cost_of(plan: tuple[str, ...]) -> float:
        left, paid = set(range(3)), Fraction(0)
        for action in plan:
            cured, cost = d["actions"][action]
            paid += cost * sum(chance[fault] for fault in left)
            left -= set(cured)
        return float(paid)

    whole = [
        plan
        for plan in itertools.permutations("abc", 2)
        if plan in {("a", "b"), ("b", "a"), ("b", "c"), ("c", "b")}
    ]
    assert min(cost_of(plan) for plan in whole) == pytest.approx(d["best"], abs=TOLERANCE)
    cures = [float(sum(chance[fault] for fault in d["actions"][name][0])) for name in "abc"]
    cost = [float(d["actions"][name][1]) for name in "abc"]
    assert cheapest_first(cures, cost)[0] in (0, 1)


def test_the_information_of_a_test_is_the_fall_in_entropy() -> None:
    e = VALUES["E"]
    prior = np.array(e["prior"])

    def gain(given: list[float]) -> float:
        yes = np.array(given)
        left = 0.0
        for column in (yes, 1 - yes):
            share = float(prior @ column)
            left += share * float(entropy_bits(prior * column / share, 0.0)) if share else 0.0
        return float(entropy_bits(prior, 0.0)) - left

    assert float(entropy_bits(prior, 0.0)) == pytest.approx(e["entropy"], abs=e["tolerance"])
    assert gain([1, 0, 0, 0]) == pytest.approx(e["isolates_first"], abs=e["tolerance"])
    assert gain([1, 1, 0, 0]) == pytest.approx(e["halves"], abs=e["tolerance"])
    assert gain(e["noisy"]["given"]) == pytest.approx(e["noisy"]["gain"], abs=e["tolerance"])
