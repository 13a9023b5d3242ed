"""Capacitor discharge against worked textbook numbers (sources and marks in the data file)."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from kb.bench.discharge import discharge, joules_between, seconds_until

BOOK = json.loads((Path(__file__).parent / "data" / "discharge.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", BOOK["decays"])
def test_a_textbook_discharge_comes_out_as_printed(case: dict) -> None:
    found = discharge(case["farads"], case["volts"], case["ohms"], case["to_v"])
    for name in ("tau_s", "joules", "peak_w", "seconds"):
        assert getattr(found, name) == pytest.approx(case[name], rel=case["tolerance"]), name
    left = case["volts"] * math.exp(-found.seconds / found.tau_s)
    assert left == pytest.approx(case["to_v"], rel=1e-9)


def test_a_usual_bulk_capacitor_comes_out_as_computed_by_hand() -> None:
    case = BOOK["bench"]
    found = discharge(case["farads"], case["volts"], case["ohms"])
    close = {"rel": case["tolerance"]}
    assert found.seconds == pytest.approx(case["seconds_to_60_v"], **close)
    assert found.joules == pytest.approx(case["joules"], **close)
    assert found.peak_a == pytest.approx(case["peak_a"], **close)
    assert found.peak_w == pytest.approx(case["peak_w"], **close)
    later = seconds_until(case["farads"], case["volts"], case["ohms"], 30)
    assert later == pytest.approx(case["seconds_to_30_v"], **close)
    heat = joules_between(case["farads"], case["volts"], 60)
    assert heat == pytest.approx(case["joules_to_60_v"], **close)


@pytest.mark.parametrize("case", BOOK["stored"])
def test_stored_energy_comes_out_as_printed(case: dict) -> None:
    assert discharge(case["farads"], case["volts"]).joules == pytest.approx(
        case["joules"], rel=case["tolerance"]
    )


@pytest.mark.parametrize("to_v", [60.0, 30.0, 5.0])
@pytest.mark.parametrize(("farads", "volts"), [(120e-6, 385.0), (470e-6, 325.0), (1500e-6, 38.0 + 27.0)])
def test_the_time_to_the_asked_voltage_is_that_of_a_numerical_integration(
    farads: float, volts: float, to_v: float
) -> None:
    """dV/dt = -V/RC stepped through time (scipy) until it crosses the asked voltage; the heat is summed on the way."""
    from scipy.integrate import solve_ivp

    found = discharge(farads, volts, to_v=to_v)

    def falls(time: float, state: list[float]) -> list[float]:
        left = state[0]
        return [-left / (found.ohms * farads), left**2 / found.ohms]

    def there(time: float, state: list[float]) -> float:
        return state[0] - to_v

    run = solve_ivp(falls, (0.0, 20 * found.tau_s), [volts, 0.0], events=there, rtol=1e-9, atol=1e-9)
    assert found.seconds == pytest.approx(run.t_events[0][0], rel=1e-5)
    assert joules_between(farads, volts, to_v) == pytest.approx(run.y_events[0][0][1], rel=1e-5)
    suggested = found.suggested
    assert suggested.watts >= joules_between(farads, volts, to_v) / suggested.seconds  # the mean of its time
