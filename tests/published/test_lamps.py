"""Lamps against published re-rating and tungsten tables (sources and marks in the data file)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from kb.bench.discharge import seconds_until
from kb.bench.loads import COLD_RATIO_HIGH, COLD_RATIO_LOW, Load, amps_at, cold_resistance, rerated
from kb.bench.series_lamp import through_lamp
from kb.errors import BadInput

LAMPS = json.loads((Path(__file__).parent / "data" / "lamps.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("lamp", LAMPS["rated"])
def test_a_lamp_tested_at_13_5_v_is_the_lamp_marked_at_12_v(lamp: dict) -> None:
    _, watts = rerated(lamp["test_v"], lamp["test_w"], lamp["at_v"])
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
