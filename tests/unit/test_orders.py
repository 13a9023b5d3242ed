"""How many parts are enough, against every outcome of small sets and SciPy's binomial distribution."""

from __future__ import annotations

from itertools import product
from math import prod

import numpy as np
import pytest

from kb.suggest.orders import chances_of_parts, enough, number_needed


def every_outcome(chances: list[float]) -> np.ndarray:
    found = np.zeros(len(chances) + 1)
    for needed in product((0, 1), repeat=len(chances)):
        found[sum(needed)] += prod(
            chance if one else 1 - chance for one, chance in zip(needed, chances, strict=True)
        )
    return found


def test_the_number_needed_is_what_every_outcome_adds_up_to() -> None:
    random = np.random.default_rng(3)
    for boards in range(9):
        chances = random.random(boards).tolist()
        assert number_needed(chances) == pytest.approx(every_outcome(chances), abs=1e-12)


@pytest.mark.parametrize(("boards", "chance"), [(1, 0.3), (10, 0.3), (40, 0.07), (25, 0.9)])
def test_boards_that_are_alike_give_the_binomial_distribution_of_scipy(boards: int, chance: float) -> None:
    from scipy import stats

    expected = stats.binom.pmf(np.arange(boards + 1), boards, chance)
    assert number_needed([chance] * boards) == pytest.approx(expected, abs=1e-12)
    for share in (0.5, 0.8, 0.95):
        assert enough([chance] * boards, share) == stats.binom.ppf(share, boards, chance)


def test_one_board_that_needs_a_part_in_one_of_five_cases_orders_none_and_in_one_of_four_one() -> None:
    assert [enough([0.2]), enough([0.25]), enough([]), enough([1.0, 1.0])] == [0, 1, 0, 2]


def test_a_part_is_as_likely_needed_as_its_causes_and_their_shares_say() -> None:
    found = chances_of_parts([(0.6, {"C9": 3, "C10": 1}), (0.3, {"C9": 1}), (0.1, {})])
    assert found == pytest.approx({"C9": 0.75, "C10": 0.15})


def test_what_is_no_probability_is_refused() -> None:
    for bad in (-0.1, 1.5, float("nan")):
        with pytest.raises(ValueError, match="probability"):
            chances_of_parts([(bad, {"C9": 1})])
        with pytest.raises(ValueError, match="chances"):
            number_needed([bad])
    with pytest.raises(ValueError, match="share"):
        enough([0.5], 1.0)
