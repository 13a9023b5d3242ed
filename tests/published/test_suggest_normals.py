"""What a good board measures, against statsmodels and SciPy on published data, and simulated good boards."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from suggest_values import published

from kb.suggest import normals as n
from kb.suggest.normals import Place, beside, normals, prediction_factor, robust

VALUES = published("good_boards")
COPPER = VALUES["copper"]["values"]
STACK_LOSS = VALUES["stack_loss"]["values"]
NODES, WEIGHTS = np.polynomial.legendre.leggauss(100)


def place(number: int, quantity: str = "dc_v") -> Place:
    return Place(f"P{number}", quantity, "running", "none")


@pytest.mark.parametrize("name", ["copper", "stack_loss"])
def test_location_and_spread_are_those_of_the_published_determinations(name: str) -> None:
    from statsmodels.robust import scale

    values = VALUES[name]["values"]
    location, spread = robust(values)
    theirs = scale.Huber(c=1.5, tol=1e-12, maxiter=500)(np.array(values))
    assert location == pytest.approx(float(theirs[0]), rel=1e-7)
    assert spread == pytest.approx(float(theirs[1]), rel=1e-7)
    if "location" in VALUES[name]:
        assert location == pytest.approx(VALUES[name]["location"], abs=VALUES[name]["tolerance"])
        assert spread == pytest.approx(VALUES[name]["spread"], abs=VALUES[name]["tolerance"])


def test_one_board_that_was_off_hardly_moves_the_rest() -> None:
    kept = [one for one in COPPER if one < 20]
    with_it, without = robust(COPPER), robust(kept)
    assert abs(with_it[0] - without[0]) < 0.1
    assert with_it[1] < 1.25 * without[1]
    assert np.std(COPPER, ddof=1) > 5 * np.std(kept, ddof=1)


def test_readings_of_a_meter_with_few_digits_have_a_spread_where_one_is_known() -> None:
    location, spread = robust([12.0, 12.0, 12.0, 12.1, 11.9])
    assert location == pytest.approx(12.0, abs=0.01)
    assert 0.02 < spread < 0.2
    assert robust([5.0, 5.0, 5.0]) == (5.0, 0.0)
    assert robust([5.0]) == (5.0, 0.0)
    with pytest.raises(ValueError, match="no value"):
        robust([])


@pytest.mark.parametrize("freedom", [1, 2, 3.5, 7, 29, 400])
def test_students_quantiles_are_scipys(freedom: float) -> None:
    from scipy import stats

    for probability in (0.005, 0.1, 0.5, 0.9, 0.975, 0.9995):
        assert n.t_quantile(probability, freedom) == pytest.approx(
            float(stats.t.ppf(probability, freedom)), rel=1e-8, abs=1e-8
        )


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_factors_for_one_more_observation_are_those_that_enclose_it_so_often(confidence: float) -> None:
    """Computed as Hahn and Meeker define them: the mean over samples of the normal content of the interval."""
    from scipy import stats

    for boards in (3, 5, 10, 40):
        factor = prediction_factor(boards, boards - 1, confidence)
        assert factor == pytest.approx(
            float(stats.t.ppf(0.5 + confidence / 2, boards - 1)) * math.sqrt(1 + 1 / boards), rel=1e-8
        )

        top = float(stats.chi2.ppf(1 - 1e-12, boards - 1))
        square = 0.5 * top * (NODES + 1)
        widths = factor * np.sqrt(square / (boards - 1)) / math.sqrt(1 + 1 / boards)
        content = (2 * stats.norm.cdf(widths) - 1) * stats.chi2.pdf(square, boards - 1)
        assert 0.5 * top * float(WEIGHTS @ content) == pytest.approx(confidence, abs=5e-4)


@pytest.mark.parametrize("values", [COPPER[:-1], STACK_LOSS])
def test_with_plain_mean_and_deviation_the_interval_is_that_of_a_regression_without_variables(
    values: list[float],
) -> None:
    import statsmodels.api as sm

    data = np.array(values)
    theirs = sm.OLS(data, np.ones(len(data))).fit().get_prediction([[1.0]]).conf_int(obs=True, alpha=0.05)[0]
    reach = prediction_factor(len(data), len(data) - 1) * data.std(ddof=1)
    assert (data.mean() - reach, data.mean() + reach) == pytest.approx(tuple(theirs), rel=1e-8)


@pytest.mark.parametrize(("mine", "order"), [(n.digamma, 0), (n.trigamma, 1)])
def test_the_logarithmic_moments_are_scipys(mine: Callable[[float], float], order: int) -> None:
    from scipy import special

    for x in (0.01, 0.5, 1.0, 3.7, 10.0, 250.0):
        assert mine(x) == pytest.approx(float(special.polygamma(order, x)), rel=1e-10)
    for y in (1e-3, 0.2, 1.0, 40.0):
        assert n.trigamma(n.trigamma_inverse(y)) == pytest.approx(y, rel=1e-9)


def test_variances_that_were_drawn_from_a_common_one_give_it_back() -> None:
    rng = np.random.default_rng(3)
    freedom, common, worth = 6, 0.04, 8.0
    true = common * worth / rng.chisquare(worth, 6_000)
    drawn = true * rng.chisquare(freedom, 6_000) / freedom
    variance, found = n.shared_variance(drawn, np.full(6_000, freedom))
    assert variance == pytest.approx(common, rel=0.05)
    assert found == pytest.approx(worth, rel=0.15)
    alike = 0.04 * rng.chisquare(freedom, 400) / freedom
    assert n.shared_variance(alike, np.full(400, freedom))[1] > 60
    with pytest.raises(ValueError, match="two or more"):
        n.shared_variance([0.1], [3])


@pytest.mark.parametrize("boards", [5, 8, 30])
def test_nineteen_of_twenty_next_good_boards_lie_within(boards: int) -> None:
    rng = np.random.default_rng(boards)
    inside = total = 0
    for _ in range(60):
        nominal = rng.uniform(3, 60, 12)
        spread = nominal * 0.01 * np.sqrt(8 / rng.chisquare(8, 12))
        known = normals({place(k): rng.normal(nominal[k], spread[k], boards).tolist() for k in range(12)})
        following = rng.normal(nominal, spread)
        inside += sum(known[place(k)].holds(float(following[k])) for k in range(12))
        total += 12
    assert 0.93 < inside / total < 0.985


def test_a_place_with_few_boards_leans_on_the_spread_of_the_others() -> None:
    rng = np.random.default_rng(9)
    measured = {place(k): rng.normal(12, 0.12, 25).tolist() for k in range(6)}
    measured[place(7)] = [5.0, 5.001]
    lucky = normals(measured)[place(7)]
    assert lucky.own_spread < 0.002
    assert 0.02 < lucky.spread < 0.08
    assert not lucky.judges
    alone = normals({place(7): [5.0, 5.001]})[place(7)]
    assert alone.spread == pytest.approx(5 * n.LEAST_RELATIVE_SPREAD, rel=0.01)
    with_noise = normals({**measured, place(9): [0.05, 0.2, 0.4, 0.02, 0.0]})
    assert with_noise[place(7)] == lucky
    assert with_noise[place(9)].spread == pytest.approx(with_noise[place(9)].own_spread)
    other = normals({**measured, place(8, "ohm"): [100.0, 120.0]})[place(8, "ohm")]
    assert other.spread == pytest.approx(other.own_spread)


def test_one_board_gives_a_value_and_no_interval_and_nothing_at_zero_volts_divides_by_it() -> None:
    one = normals({place(1): [5.1]})[place(1)]
    assert (one.location, one.low, one.high, one.judges, one.off(5.1)) == (5.1, None, None, False, None)
    nothing = normals({place(1): [0.0] * 6})[place(1)]
    assert (nothing.location, nothing.low, nothing.off(1.0)) == (0.0, None, None)


def test_a_board_is_put_beside_the_good_ones_by_how_far_it_is_off() -> None:
    good = normals(
        {
            place(1): [5.0, 5.02, 4.98, 5.01, 4.99, 5.0],
            place(2): [12.0, 12.1, 11.9, 12.05, 11.95],
            place(3): [24.0, 24.1],
        }
    )
    found = beside(
        [(place(3), 30.0), (place(1), 5.01), (place(4), 1.0), (place(2), 10.4)],
        good,
    )
    assert [one.place.where for one in found] == ["P2", "P1", "P3", "P4"]
    assert [one.unlike for one in found] == [True, False, False, False]
    assert found[0].off is not None
    assert found[0].off < -8
    assert found[2].off is None
    assert found[3].normal is None
