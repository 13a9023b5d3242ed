"""Preferred values against the published series and an independent package."""

from __future__ import annotations

import math
import random
import tomllib
from pathlib import Path

import eseries  # type: ignore[import-untyped]
import pytest

from kb.facts.preferred import SERIES, nearest_preferred, next_preferred_down, next_preferred_up

PUBLISHED = tomllib.loads((Path(__file__).parent / "data" / "preferred_values.toml").read_text("utf-8"))
KEYS = {name: getattr(eseries, name) for name in SERIES}


@pytest.mark.parametrize("name", PUBLISHED["series"])
def test_the_coarse_series_are_the_published_ones(name: str) -> None:
    assert [step // 10 for step in SERIES[name]] == PUBLISHED["series"][name]
    assert all(step % 10 == 0 for step in SERIES[name])


@pytest.mark.parametrize("name", SERIES)
def test_every_series_equals_the_independent_package(name: str) -> None:
    scale = 100 / eseries.series(KEYS[name])[0]
    assert list(SERIES[name]) == [round(step * scale) for step in eseries.series(KEYS[name])]


@pytest.mark.parametrize(
    ("name", "count", "places"), [("E24", 24, 1), ("E48", 48, 2), ("E96", 96, 2), ("E192", 192, 2)]
)
def test_only_the_known_values_differ_from_the_rounded_formula(name: str, count: int, places: int) -> None:
    pairs = [(step / 100, round(10 ** (i / count), places)) for i, step in enumerate(SERIES[name])]
    off = [pair for pair in pairs if not math.isclose(*pair, rel_tol=1e-12)]
    known = PUBLISHED.get(f"{name.lower()}_off_formula", {"standard": [], "formula": []})
    assert [ours for ours, _ in off] == known["standard"]
    assert [rounded for _, rounded in off] == known["formula"]


@pytest.mark.parametrize("row", PUBLISHED["nearest"], ids=lambda row: f"{row['wanted']} in {row['series']}")
def test_the_nearest_value_is_the_published_one(row: dict[str, float | str]) -> None:
    assert nearest_preferred(float(row["wanted"]), str(row["series"])) == row["value"]


@pytest.mark.parametrize("name", SERIES)
def test_nearest_up_and_down_agree_with_the_independent_package(name: str) -> None:
    generator = random.Random(20240501)
    for _ in range(200):
        value = 10 ** generator.uniform(-11, 8)
        assert nearest_preferred(value, name) == pytest.approx(
            eseries.find_nearest(KEYS[name], value), rel=1e-9
        )
        up = eseries.find_greater_than_or_equal(KEYS[name], value)
        assert next_preferred_up(value, name) == pytest.approx(up, rel=1e-9)
        down = eseries.find_less_than_or_equal(KEYS[name], value)
        assert next_preferred_down(value, name) == pytest.approx(down, rel=1e-9)


@pytest.mark.parametrize("name", SERIES)
def test_a_preferred_value_is_its_own_in_every_direction(name: str) -> None:
    for power in (-13, -9, -1, 0, 4, 9):
        for step in SERIES[name]:
            value = float(f"{step}e{power}")
            computed = value * (1 + 2e-16)
            assert nearest_preferred(computed, name) == value
            assert next_preferred_up(computed, name) == value
            assert next_preferred_down(computed, name) == value


def test_the_step_to_the_next_decade_is_found() -> None:
    assert next_preferred_up(9.5) == 10.0
    assert next_preferred_down(10.5) == 10.0
    assert nearest_preferred(9.9, "E6") == 10.0


@pytest.mark.parametrize("value", [0.0, -1.0, math.inf, math.nan, 1e16])
def test_what_is_no_part_value_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="preferred"):
        nearest_preferred(value)


def test_an_unknown_series_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        nearest_preferred(1.0, "E25")
