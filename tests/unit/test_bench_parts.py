"""Discharge, capacitor, divider, enable line: beyond what the published values already hold."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kb.bench.capacitor import judge_capacitor, tan_delta_limit
from kb.bench.discharge import discharge, suggest_resistor
from kb.bench.divider import choose_divider, divider, dropper, in_parallel, shunt_reference_output
from kb.bench.enable import EnableLine, plan_enable
from kb.errors import BadInput
from kb.facts.preferred import nearest_preferred


@pytest.mark.parametrize(
    ("farads", "volts", "ohms"), [(470e-6, 400, 2200), (120e-6, 385, 22000), (1e-3, 24, 1000)]
)
def test_discharge_agrees_with_solving_the_differential_equation(
    farads: float, volts: float, ohms: float
) -> None:
    from scipy.integrate import solve_ivp

    found = discharge(farads, volts, ohms, to_v=volts / 5)

    def course(_: float, state: np.ndarray) -> list[float]:
        voltage = state[0]
        return [-voltage / (ohms * farads), voltage**2 / ohms]

    def reached(_: float, state: np.ndarray) -> float:
        return state[0] - volts / 5

    reached.terminal = True  # type: ignore[attr-defined]
    solved = solve_ivp(course, (0, 10 * found.tau_s), [volts, 0.0], events=reached, rtol=1e-10, atol=1e-12)
    assert solved.t_events[0][0] == pytest.approx(found.seconds, rel=1e-7)
    heat = solved.y_events[0][0][1]
    assert heat == pytest.approx(found.joules * (1 - 1 / 25), rel=1e-7)


@pytest.mark.parametrize("farads", [1e-9, 1e-6, 47e-6, 120e-6, 470e-6, 1e-3, 10e-3, 1.0])
@pytest.mark.parametrize("volts", [16, 63, 100, 200, 325, 400, 450])
def test_a_suggested_resistor_is_a_preferred_value_that_survives(farads: float, volts: float) -> None:
    suggested = suggest_resistor(farads, volts)
    assert suggested.ohms == pytest.approx(nearest_preferred(suggested.ohms, "E12"))
    assert suggested.watts * 5 >= volts**2 / suggested.ohms
    assert suggested.seconds > 0


def test_a_usual_bulk_capacitor_is_discharged_within_five_seconds() -> None:
    assert suggest_resistor(120e-6, 385).seconds <= 5.0
    assert suggest_resistor(470e-6, 400).seconds <= 5.0


def test_a_capacitor_below_the_target_needs_no_time_and_is_measured_all_the_same() -> None:
    found = discharge(1e-3, 24)
    assert found.seconds == 0
    assert "measure before touching" in found.sentence


@pytest.mark.parametrize(
    ("field", "call"),
    [
        ("farads", (0.0, 400.0)),
        ("volts", (1e-6, 0.0)),
        ("volts", (1e-6, math.nan)),
        ("ohms", (1e-6, 400.0, 0.0)),
        ("to_v", (1e-6, 400.0, 1e3, 0.0)),
    ],
)
def test_a_discharge_that_cannot_be_is_refused_by_field(field: str, call: tuple) -> None:
    with pytest.raises(BadInput) as refused:
        discharge(*call)
    assert refused.value.field == field


def test_capacitance_on_its_tolerance_bound_is_good_and_below_is_bad() -> None:
    assert judge_capacitor(100e-6, 35, 80e-6).capacitance == "good"
    assert judge_capacitor(100e-6, 35, 79.9e-6).capacitance == "bad"
    assert judge_capacitor(100e-6, 35, 120e-6).capacitance == "good"
    assert judge_capacitor(100e-6, 35, 121e-6).capacitance == "high"


def test_esr_over_the_limit_is_doubtful_while_makers_differ_and_then_bad() -> None:
    limit = judge_capacitor(100e-6, 35).esr_limit_ohm
    assert judge_capacitor(100e-6, 35, measured_esr_ohm=limit, hertz=120.0).esr == "good"
    assert judge_capacitor(100e-6, 35, measured_esr_ohm=limit * 1.2, hertz=120.0).esr == "doubtful"
    assert judge_capacitor(100e-6, 35, measured_esr_ohm=limit * 1.3, hertz=120.0).esr == "bad"


# Common practice, from memory: what new parts of common series read near 100 kHz.
@pytest.mark.parametrize(
    ("esr_ohm", "hertz", "verdict"),
    [
        (0.1, 100e3, "good"),
        (1.5, 100e3, "doubtful"),
        (3.0, 100e3, "bad"),
        (0.1, None, "doubtful"),
        (1.5, None, "doubtful"),
        (8.0, None, "bad"),
        (0.1, 5e3, "doubtful"),
    ],
)
def test_esr_is_judged_at_the_meters_own_frequency_and_a_blank_one_is_not_known(
    esr_ohm: float, hertz: float | None, verdict: str
) -> None:
    found = judge_capacitor(100e-6, 35, measured_esr_ohm=esr_ohm, hertz=hertz)
    assert found.esr == verdict
    assert "120 Hz" not in " ".join(found.sentences)


@pytest.mark.parametrize(("rated_v", "limit"), [(80, 0.09), (100, 0.08), (125, 0.15), (300, 0.20), (5, 0.22)])
def test_a_rating_between_two_entries_takes_the_limit_that_holds_for_both(
    rated_v: float, limit: float
) -> None:
    assert tan_delta_limit(100e-6, rated_v) == limit


def test_the_limit_is_marked_typical() -> None:
    assert "Typical, makers differ" in judge_capacitor(100e-6, 35).note


def test_large_capacitors_are_allowed_more_loss_per_started_thousand_microfarads() -> None:
    base = tan_delta_limit(1000e-6, 16)
    assert tan_delta_limit(1001e-6, 16) == pytest.approx(base + 0.02)
    assert tan_delta_limit(2000e-6, 16) == pytest.approx(base + 0.02)
    assert tan_delta_limit(2200e-6, 16) == pytest.approx(base + 0.04)


def test_a_divider_with_a_load_is_its_thevenin_source_into_that_load() -> None:
    free = divider(12.0, 10e3, 2.2e3)
    loaded = divider(12.0, 10e3, 2.2e3, 4.7e3)
    assert loaded.out_v == pytest.approx(free.out_v * 4.7e3 / (4.7e3 + free.source_ohm))
    assert free.top_w + free.bottom_w == pytest.approx(12.0 * free.amps)


def test_a_chosen_divider_is_the_nearest_of_all_preferred_pairs_near_its_current() -> None:
    found = choose_divider(12.0, 2.5, 1e-3, "E12")
    values = [nearest_preferred(10 ** (2 + step / 48), "E12") for step in range(144)]
    best = min(
        abs(divider(12.0, top, bottom).out_v - 2.5)
        for top in values
        for bottom in values
        if 1250 * 0.93 <= bottom <= 5000 * 1.07
    )
    assert abs(found.out_v - 2.5) <= best + 1e-9


def test_a_dropper_is_rounded_up_and_rated_twice() -> None:
    found = dropper(12.0, 2.0, 0.02, "E12")
    assert (found.exact_ohm, found.ohms, found.rating_w) == (pytest.approx(500.0), 560.0, 0.5)
    assert found.watts == pytest.approx(100 / 560)
    with pytest.raises(BadInput):
        dropper(5.0, 5.0, 0.02)


def test_resistors_side_by_side_and_the_shunt_reference() -> None:
    assert in_parallel([1000.0, 1000.0]) == pytest.approx(500.0)
    assert shunt_reference_output(2.5, 1e3, 1e3) == pytest.approx(5.0)
    with pytest.raises(BadInput):
        in_parallel([])
    with pytest.raises(BadInput):
        in_parallel([0.0])


# Common practice, no published source.
@pytest.mark.parametrize(("ohms", "milliamps"), [(470.0, 10.6), (1000.0, 5.0)])
@pytest.mark.parametrize("active", ["high", "low"])
def test_enabling_from_a_5_v_standby_rail_draws_little(ohms: float, milliamps: float, active: str) -> None:
    plan = plan_enable(EnableLine("CN2", 3, "5VSB", active, ohms), 5.0)
    assert round(plan.amps * 1000, 1) == milliamps
    assert plan.watts == pytest.approx(5.0**2 / ohms)
    assert plan.rating_w >= 2 * plan.watts
    assert not plan.chosen
    assert ("to ground" in plan.sentence) == (active == "low")


@pytest.mark.parametrize(("rail_v", "ohms"), [(5.0, 1000.0), (3.3, 680.0), (12.0, 2700.0)])
def test_without_a_stated_resistor_the_next_preferred_value_is_chosen(rail_v: float, ohms: float) -> None:
    plan = plan_enable(EnableLine("CN2", 3), rail_v)
    assert plan.chosen
    assert plan.ohms == ohms
    assert plan.amps <= 0.005


def test_an_enable_line_that_cannot_be_is_refused() -> None:
    with pytest.raises(BadInput):
        EnableLine(active="sideways")
    with pytest.raises(BadInput):
        EnableLine(resistor_ohm=0.0)
    with pytest.raises(BadInput):
        plan_enable(EnableLine(), 0.0)
