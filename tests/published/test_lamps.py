"""Lamps against published re-rating and tungsten tables (sources and marks in the data file)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from kb.bench.loads import COLD_RATIO_HIGH, COLD_RATIO_LOW, Load, amps_at, cold_resistance, rerated

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
