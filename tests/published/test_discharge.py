"""Capacitor discharge against worked textbook numbers (sources and marks in the data file)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kb.bench.discharge import discharge, joules_between, seconds_until, volts_after

BOOK = json.loads((Path(__file__).parent / "data" / "discharge.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", BOOK["decays"])
def test_a_textbook_discharge_comes_out_as_printed(case: dict) -> None:
    found = discharge(case["farads"], case["volts"], case["ohms"], case["to_v"])
    for name in ("tau_s", "joules", "peak_w", "seconds"):
        assert getattr(found, name) == pytest.approx(case[name], rel=case["tolerance"]), name
    left = volts_after(case["farads"], case["volts"], case["ohms"], found.seconds)
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
