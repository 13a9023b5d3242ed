"""Lamps against published re-rating and tungsten tables (sources and marks in the data file)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from kb.bench.discharge import seconds_until
from kb.bench.load_plan import WITHIN
from kb.bench.loads import (
    COLD_RATIO_HIGH,
    COLD_RATIO_LOW,
    Load,
    amps_at,
    cold_amps_at,
    cold_resistance,
)
from kb.bench.series_lamp import through_lamp
from kb.errors import BadInput

LAMPS = json.loads((Path(__file__).parent / "data" / "lamps.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("lamp", LAMPS["rated"])
def test_a_lamp_tested_at_13_5_v_is_the_lamp_marked_at_12_v(lamp: dict) -> None:
    point = (lamp["test_v"], lamp["test_w"] / lamp["test_v"])
    watts = lamp["at_v"] * amps_at(Load("lamp", "lamp", points=(point,)), lamp["at_v"])
    assert watts == pytest.approx(lamp["watts"], abs=lamp["tolerance_w"])
    assert round(watts) == lamp["marked_w"]


@pytest.mark.parametrize(("name", "watts"), [("curve_25w_at_13v5", 25.0), ("curve_6w_at_13v5", 6.0)])
def test_one_measured_point_is_scaled_by_the_re_rating_law(name: str, watts: float) -> None:
    lamp = Load("lamp", "lamp", points=((13.5, watts / 13.5),))
    tolerance = LAMPS[name]["tolerance"]
    for point in LAMPS[name]["points"]:
        amps = amps_at(lamp, point["volts"])
        assert amps == pytest.approx(point["amps"], abs=tolerance)
        assert amps * point["volts"] == pytest.approx(point["watts"], abs=tolerance * point["volts"])


def test_tungsten_tables_bear_out_the_range_for_cold_filaments() -> None:
    tungsten = LAMPS["tungsten"]
    kelvin = np.array(tungsten["celsius"]) + 273.15
    for row in tungsten["ratios"]:
        ratio = np.interp(row["kelvin"], kelvin, tungsten["microohm_cm"]) / tungsten["microohm_cm"][0]
        assert ratio == pytest.approx(row["ratio"], abs=tungsten["tolerance"])
        assert ratio == pytest.approx(row["jones_langmuir"], rel=tungsten["agreement"])
        assert COLD_RATIO_LOW <= ratio <= COLD_RATIO_HIGH
    halogen = np.interp(3000, kelvin, tungsten["microohm_cm"]) / tungsten["microohm_cm"][0]
    assert halogen == pytest.approx(COLD_RATIO_HIGH, rel=tungsten["agreement"])


def test_a_measured_cold_lamp_lies_in_the_predicted_range() -> None:
    lamp = LAMPS["cold_lamp"]
    load = Load("lamp", "lamp", points=((lamp["volts"], lamp["watts"] / lamp["volts"]),))
    least, most = cold_resistance(load)
    assert least * COLD_RATIO_HIGH == pytest.approx(lamp["hot_ohm"])
    assert least <= lamp["cold_ohm"] <= most


# A numerical solution by another method (Brent's, scipy) of the lamp's own law, written out here.
@pytest.mark.parametrize("board_ohm", [0.0, 10.0, 150.0, 900.0, 20_000.0])
@pytest.mark.parametrize("watts", [40.0, 60.0, 100.0])
def test_a_series_lamp_limits_as_its_own_points_say(board_ohm: float, watts: float) -> None:
    from scipy.optimize import brentq

    mains, amps = 230.0, watts / 230.0
    lamp = Load("lamp", "lamp", points=((115.0, amps * 0.7), (mains, amps)))
    exponent = np.log(1 / 0.7) / np.log(2)

    def current(volts: float) -> float:
        if volts >= 115:
            return amps * (volts / mains) ** exponent
        law = amps * 0.7 * (volts / 115) ** 0.55
        return min(law, volts / (mains / amps / COLD_RATIO_HIGH))

    solved = brentq(lambda volts: current(volts) * board_ohm + volts - mains, 1e-9, mains, xtol=1e-12)
    found = through_lamp(lamp, mains, board_ohm)
    assert found.lamp_v == pytest.approx(solved, rel=1e-9)
    assert found.amps == pytest.approx(current(solved), rel=1e-9)
    assert found.lamp_v + found.board_v == pytest.approx(mains)


def test_a_dead_short_gets_the_lamps_own_current_and_only_a_lamp_limits() -> None:
    lamp = Load("lamp", "lamp", points=((230.0, 60 / 230),))
    assert through_lamp(lamp, 230.0, 0.0).amps == pytest.approx(60 / 230)
    with pytest.raises(BadInput):
        through_lamp(Load("r", "resistor", ohm=10.0), 230.0, 0.0)
    with pytest.raises(BadInput):
        through_lamp(lamp, 230.0, -1.0)


def test_filament_resistance_gives_the_temperature_of_the_tungsten_table() -> None:
    """Hot over cold resistance at the rated point lies between 2000 and 3000 K in the resistivity table."""
    tungsten, lamp = LAMPS["tungsten"], LAMPS["cold_lamp"]
    ratio = lamp["hot_ohm"] / lamp["cold_ohm"]
    resistivity = np.array(tungsten["microohm_cm"]) / tungsten["microohm_cm"][0]
    kelvin = np.interp(ratio, resistivity, np.array(tungsten["celsius"]) + 273.15)
    assert 2700 < kelvin < 2900
    assert COLD_RATIO_LOW < ratio < COLD_RATIO_HIGH


def test_the_discharge_to_what_the_meter_wants_takes_ln_77_time_constants_from_385_v() -> None:
    assert seconds_until(120e-6, 385.0, 2200.0, 5.0) == pytest.approx(2200 * 120e-6 * np.log(77))


def test_the_law_between_two_points_of_a_lamp_gives_what_was_measured_between_them() -> None:
    """Each measured point of a published table left out in turn, twice as near as a plan has to be to its target."""
    lamp = LAMPS["measured_lamp"]
    points = list(zip(lamp["volts"], lamp["amps"], strict=True))
    for place in range(1, len(points) - 1):
        volts, amps = points[place]
        others = Load("bulb", "lamp", points=(points[place - 1], points[place + 1]))
        assert amps_at(others, volts) == pytest.approx(amps, rel=WITHIN / 2)


def test_the_re_rating_law_holds_from_two_fifths_of_the_rated_voltage_as_near_as_a_plan_has_to_be() -> None:
    lamp = LAMPS["measured_lamp"]
    rated = Load("bulb", "lamp", points=((lamp["volts"][5], lamp["amps"][5]),))
    for volts, amps in zip(lamp["volts"][2:], lamp["amps"][2:], strict=True):
        assert amps_at(rated, volts) == pytest.approx(amps, rel=WITHIN)


def test_a_measured_lamp_never_draws_more_when_cold_than_is_said() -> None:
    lamp = LAMPS["measured_lamp"]
    rated = Load("bulb", "lamp", points=((lamp["volts"][5], lamp["amps"][5]),))
    _, most = cold_amps_at(rated, lamp["volts"][5])
    assert lamp["volts"][5] / lamp["cold_ohm"] < most


@pytest.mark.parametrize("board_ohm", [0.0, 1.0, 5.0, 20.0])
def test_a_series_lamp_limits_as_its_published_points_do(board_ohm: float) -> None:
    """A curve through the published points by another method (monotone cubics in the logarithms) and Brent's root."""
    from scipy.interpolate import PchipInterpolator
    from scipy.optimize import brentq

    lamp = LAMPS["measured_lamp"]
    curve = PchipInterpolator(np.log(lamp["volts"]), np.log(lamp["amps"]))
    mains = lamp["volts"][-1]

    def current(volts: float) -> float:
        return float(np.exp(curve(np.log(volts))))

    solved = brentq(lambda volts: current(volts) * board_ohm + volts - mains, 0.262, mains, xtol=1e-12)
    measured = Load("bulb", "lamp", points=tuple(zip(lamp["volts"], lamp["amps"], strict=True)))
    found = through_lamp(measured, mains, board_ohm)
    assert found.amps == pytest.approx(current(solved), rel=0.01)
    assert found.lamp_v == pytest.approx(solved, rel=0.01)


@pytest.mark.parametrize("board_ohm", [0.0, 150.0, 900.0])
def test_on_alternating_mains_a_series_lamp_limits_by_effective_values(board_ohm: float) -> None:
    """The heat balance of a filament integrated through time at 50 Hz.

    Its resistance follows its temperature by the published table, it loses heat as the fourth power of that
    temperature (Stefan and Boltzmann), and its heat capacity of 0.02 J/K (a 60 W filament of some 20 mg; from memory)
    lets the temperature follow the mean and not the wave. What the points of the same filament on direct voltage say
    then holds for the effective value of the current.
    """
    from scipy.integrate import solve_ivp

    tungsten = LAMPS["tungsten"]
    kelvin = np.array(tungsten["celsius"]) + 273.15
    resistivity = np.array(tungsten["microohm_cm"]) / tungsten["microohm_cm"][0]
    mains, watts, hot_k, room_k, joule_per_k = 230.0, 60.0, 2800.0, 293.0, 0.02
    cold_ohm = mains**2 / watts / float(np.interp(hot_k, kelvin, resistivity))

    def ohms(temperature: float) -> float:
        return cold_ohm * float(np.interp(temperature, kelvin, resistivity))

    def lost(temperature: float) -> float:
        return watts * (temperature**4 - room_k**4) / (hot_k**4 - room_k**4)

    points = []
    for temperature in np.linspace(400.0, hot_k, 25):
        volts = np.sqrt(lost(temperature) * ohms(temperature))
        points.append((float(volts), float(volts / ohms(temperature))))
    found = through_lamp(Load("lamp", "lamp", points=tuple(points)), mains, board_ohm)

    def amps(time: float, temperature: float) -> float:
        return float(np.sqrt(2) * mains * np.sin(2 * np.pi * 50 * time) / (ohms(temperature) + board_ohm))

    def warming(time: float, state: np.ndarray) -> list[float]:
        return [(amps(time, state[0]) ** 2 * ohms(state[0]) - lost(state[0])) / joule_per_k]

    # From hot it settles soonest: what it loses is most there.
    run = solve_ivp(warming, (0.0, 6.0), [hot_k], max_step=1e-3, rtol=1e-6, dense_output=True)
    times = np.linspace(5.8, 6.0, 4001)[:-1]
    flow = np.array([amps(time, float(run.sol(time)[0])) for time in times])
    assert np.sqrt(np.mean(flow**2)) == pytest.approx(found.amps, rel=0.02)
    temperature = float(np.mean(run.sol(times)[0]))
    assert found.lamp_v / found.amps == pytest.approx(ohms(temperature), rel=0.02)
    if board_ohm == 0.0:
        assert temperature == pytest.approx(hot_k, rel=0.02)
