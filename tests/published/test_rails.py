"""Rail windows against the tables of the ATX guides (source and mark in the data file)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kb.bench.rails import RailReading, RailSpec, assess

TABLE = json.loads((Path(__file__).parent / "data" / "atx_rails.json").read_text(encoding="utf-8"))
RAILS = [pytest.param(rail, id=rail["name"]) for rail in TABLE["rails"]]


def _condition(rail: dict, value: float, quantity: str = "dc_v") -> str:
    spec = RailSpec(
        rail["name"],
        "other",
        rail["nominal_v"],
        rail["tolerance_pct"],
        None,
        rail["ripple_mv"],
        always_on=True,
    )
    return assess(spec, RailReading(rail["name"], quantity, "running", "test load", value)).condition


@pytest.mark.parametrize("rail", RAILS)
def test_every_printed_bound_is_in_tolerance(rail: dict) -> None:
    assert _condition(rail, rail["min_v"]) == "in tolerance"
    assert _condition(rail, rail["nominal_v"]) == "in tolerance"
    assert _condition(rail, rail["max_v"]) == "in tolerance"


@pytest.mark.parametrize("rail", RAILS)
def test_a_hundredth_of_a_volt_beyond_a_printed_bound_is_out(rail: dict) -> None:
    step = TABLE["step_v"] if rail["nominal_v"] > 0 else -TABLE["step_v"]
    assert _condition(rail, round(rail["max_v"] + step, 2)) == "high"
    assert _condition(rail, round(rail["min_v"] - step, 2)) == "low"


@pytest.mark.parametrize("rail", RAILS)
def test_ripple_on_the_printed_limit_passes_and_a_millivolt_more_does_not(rail: dict) -> None:
    assert _condition(rail, rail["ripple_mv"] / 1000, "ripple_v") == "in tolerance"
    assert _condition(rail, (rail["ripple_mv"] + 1) / 1000, "ripple_v") == "high"
