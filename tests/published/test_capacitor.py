"""Loss factors and ESR against makers' data sheets (sources and marks in the data file)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from kb.bench.capacitor import LIMIT_HZ, esr_from_tan_delta, tan_delta_limit

SHEET = json.loads((Path(__file__).parent / "data" / "capacitor.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("row", SHEET["tan_delta"])
def test_the_loss_factor_limit_is_the_printed_one(row: dict) -> None:
    assert tan_delta_limit(100e-6, row["rated_v"]) == row["limit"]


@pytest.mark.parametrize("row", SHEET["esr_120_hz"])
def test_esr_follows_from_the_printed_loss_factor(row: dict) -> None:
    limit = tan_delta_limit(row["farads"], row["rated_v"])
    found = esr_from_tan_delta(limit, row["farads"], LIMIT_HZ)
    assert found == pytest.approx(row["ohms"], rel=SHEET["esr_tolerance"])


def test_a_worked_number_of_a_third_party_comes_out() -> None:
    case = SHEET["worked"]
    assert esr_from_tan_delta(case["tan_delta"], case["farads"]) == pytest.approx(
        case["ohms"], rel=case["tolerance"]
    )


def test_another_makers_series_differs_by_no_more_than_the_stated_quarter() -> None:
    other = SHEET["other_maker"]
    for rated_v, limit in other["tan_delta"]:
        assert tan_delta_limit(100e-6, rated_v) == pytest.approx(limit, rel=other["makers_differ"])
