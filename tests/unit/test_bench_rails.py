"""Rails: windows, conditions, sentences, gauges. Cases marked so are common practice, no published source."""

from __future__ import annotations

import math

import pytest

from kb.bench.rails import (
    RailReading,
    RailSpec,
    assess,
    condition_of,
    gauge,
    is_marginal,
    rail_verdict,
    typical,
)
from kb.errors import BadInput


def spec(nominal_v: float = 5.0, tolerance_pct: float | None = None, **more: object) -> RailSpec:
    settings: dict = {"name": "rail", "role": "other", "always_on": True, **more}
    return RailSpec(nominal_v=nominal_v, tolerance_pct=tolerance_pct, **settings)


def read(
    value: float | None = None, low: float | None = None, high: float | None = None, **more: str
) -> RailReading:
    return RailReading("rail", value=value, min=low, max=high, **more)


def condition(rail: RailSpec, reading: RailReading) -> str:
    found = assess(rail, reading).condition
    assert condition_of(rail, reading) == found
    return found


def test_a_reading_on_the_bound_is_in_tolerance_and_just_beyond_is_not() -> None:
    rail = spec(5.0, 5)
    assert condition(rail, read(4.75)) == condition(rail, read(5.25)) == "in tolerance"
    assert condition(rail, read(4.7499)) == "low"
    assert condition(rail, read(5.2501)) == "high"


@pytest.mark.parametrize(
    ("low", "high", "left"),
    [(4.1, None, True), (4.75, None, False), (4.7499, None, True), (None, 5.3, True), (4.8, 5.2, False),
     (None, None, False)],
)  # fmt: skip
def test_an_extreme_outside_the_window_is_known_beside_a_steady_value_inside(
    low: float | None, high: float | None, left: bool
) -> None:
    rail = spec(5.0, 5)
    assert is_marginal(rail, read(4.9, low, high)) is left
    assert condition(rail, read(4.9, low, high, load="test load")) == "in tolerance"


@pytest.mark.parametrize(
    ("value", "tolerance_pct", "marginal"),
    [(4.7, None, True), (4.75, None, False), (5.3, None, True), (5.25, None, False), (4.7, 10, False),
     (4.7, 5, False)],
)  # fmt: skip
def test_a_value_near_the_bound_of_a_window_that_is_only_assumed_is_marginal(
    value: float, tolerance_pct: float | None, marginal: bool
) -> None:
    """4.75 to 5.25 V is what the ATX12V design guide asks of 5 V and of its standby rail."""
    rail = spec(5.0, tolerance_pct)
    assert is_marginal(rail, read(value)) is marginal
    # Outside a window that is stated a value is simply low.
    assert (condition(rail, read(value)) == "low") is (tolerance_pct == 5)


def test_binary_noise_does_not_move_a_reading_over_the_bound() -> None:
    assert condition(spec(5.0, 5), read(4.65 + 0.1)) == "in tolerance"
    assert condition(spec(3.0, 10), read(1.1 + 2.2)) == "in tolerance"


@pytest.mark.parametrize("tolerance_pct", [1, 2.5, 3, 5, 7.5, 10, 20])
@pytest.mark.parametrize("nominal_v", [0.8, 1.05, 1.8, 3.3, 5, 12, 19.5, 24, 385, -12, -5])
def test_the_reported_bounds_are_themselves_in_tolerance(nominal_v: float, tolerance_pct: float) -> None:
    rail = spec(nominal_v, tolerance_pct)
    found = assess(rail, read(nominal_v))
    assert condition(rail, read(found.low_v)) == condition(rail, read(found.high_v)) == "in tolerance"
    assert abs(found.low_v) < abs(nominal_v) < abs(found.high_v)


def test_without_a_tolerance_ten_per_cent_is_assumed_and_past_five_is_marginal() -> None:
    found = assess(spec(10.0), read(9.0))
    assert (found.condition, found.assumed, found.marginal) == ("in tolerance", True, True)
    assert (found.low_v, found.high_v) == (9.0, 11.0)
    assert not assess(spec(10.0), read(9.5)).marginal
    assert assess(spec(10.0), read(9.49)).marginal
    stated = assess(spec(10.0, 10), read(9.0))
    assert (stated.assumed, stated.marginal) == (False, False)


def test_under_a_tenth_of_nominal_is_absent_and_a_tenth_is_low() -> None:
    assert condition(spec(12.0), read(1.19)) == "absent"
    assert condition(spec(12.0), read(1.2)) == "low"
    assert condition(spec(12.0), read(-0.02)) == "absent"


def test_a_swing_of_over_a_fifth_is_pulsing_and_a_fifth_is_not() -> None:
    assert condition(spec(10.0), read(10.0, 9.0, 11.0)) == "in tolerance"
    assert condition(spec(10.0), read(10.0, 8.99, 11.0)) == "pulsing"


def test_extremes_without_a_value_are_judged_by_their_middle() -> None:
    assert condition(spec(5.0, 5), read(None, 4.9, 5.1)) == "in tolerance"
    assert condition(spec(5.0, 5), read(None, 4.5, 4.7)) == "low"


def test_a_short_excursion_is_named_and_makes_the_reading_marginal() -> None:
    found = assess(spec(5.0, 5), read(5.0, 4.6, 5.1))
    assert found.condition == "in tolerance"
    assert found.marginal
    assert "4.6 V" in found.sentence


def test_negative_rails_go_by_magnitude() -> None:
    rail = spec(-12.0, 10)
    found = assess(rail, read(-10.8))
    assert (found.condition, found.low_v, found.high_v) == ("in tolerance", -10.8, -13.2)
    assert condition(rail, read(-10.7)) == "low"
    assert condition(rail, read(-13.3)) == "high"
    assert (
        condition(rail, read(None, -12.1, -11.9))
        == condition(rail, read(None, -11.9, -12.1))
        == "in tolerance"
    )


@pytest.mark.parametrize(("nominal_v", "value"), [(5.0, -5.0), (-12.0, 12.0)])
def test_the_wrong_polarity_is_flagged_and_never_passes_as_expected(nominal_v: float, value: float) -> None:
    found = assess(spec(nominal_v), read(value))
    assert found.reversed
    assert "reversed" in found.sentence
    assert not found.as_expected


def test_millivolts_typed_as_volts_are_asked_about() -> None:
    found = assess(spec(5.0), read(4700))
    assert found.condition == "high"
    assert found.asks
    assert "4700 mV" in found.sentence
    assert "4.7 V" in found.sentence
    assert not assess(spec(5.0), read(12.0)).asks


def test_a_switched_rail_absent_in_standby_is_right() -> None:
    found = assess(spec(12.0, always_on=False), read(0.05, supply="standby"))
    assert (found.condition, found.expected_absent, found.as_expected) == ("absent", True, True)
    assert "as a switched rail should be" in found.sentence


def test_a_switched_rail_present_in_standby_is_not_right() -> None:
    found = assess(spec(12.0, always_on=False), read(12.0, supply="standby"))
    assert found.expected_absent
    assert not found.as_expected


def test_an_always_on_rail_absent_in_standby_points_to_its_converter() -> None:
    found = assess(spec(5.0, role="standby"), read(0.1, supply="standby"))
    assert not found.expected_absent
    assert "standby converter" in found.sentence


def test_ripple_is_judged_against_its_limit_or_one_per_cent() -> None:
    rail = spec(12.0, ripple_mv=100)
    assert condition(rail, read(0.1, quantity="ripple_v")) == "in tolerance"
    assert condition(rail, read(0.101, quantity="ripple_v")) == "high"
    assumed = assess(spec(12.0), read(0.12, quantity="ripple_v"))
    assert (assumed.condition, assumed.assumed, assumed.high_v) == ("in tolerance", True, 0.12)


# The next six cases are common practice, no published source.
def test_a_5_v_standby_rail_at_4_7_v_unloaded_still_serves() -> None:
    found = assess(spec(5.0, role="standby"), read(4.7, supply="standby"))
    assert (found.condition, found.marginal) == ("in tolerance", True)
    tight = assess(spec(5.0, 5, role="standby"), read(4.7, supply="standby"))
    assert tight.condition == "low"
    assert tight.judgement == "not proven until loaded"
    assert rail_verdict([tight]).state == "not proven"


@pytest.mark.parametrize(("nominal_v", "value"), [(5.0, 5.26), (24.0, 25.85)])
def test_slightly_high_readings_are_fine_where_no_tolerance_is_stated(nominal_v: float, value: float) -> None:
    assert condition(spec(nominal_v), read(value)) == "in tolerance"


@pytest.mark.parametrize("highest", [9.4, 11.48])
def test_a_12_v_rail_that_reads_nothing_but_showed_its_maximum_is_cycling_and_not_dead(
    highest: float,
) -> None:
    found = assess(spec(12.0, 5, always_on=False), read(0.0, None, highest))
    assert found.condition == "pulsing"
    assert "test under load before condemning" in found.sentence


@pytest.mark.parametrize("highest", [9.4, 11.48, 12.0])
def test_a_maximum_alone_says_nothing_of_the_minimum_and_none_is_invented(highest: float) -> None:
    found = assess(spec(12.0, 5, always_on=False), read(None, None, highest))
    assert found.judgement == "unknown"
    assert "record the lowest as well" in found.sentence
    assert rail_verdict([found]).state == "not proven"


def test_one_extreme_alone_proves_what_it_passed() -> None:
    assert assess(spec(5.0, 5), read(None, 1.9, None, load="in the set")).judgement == "low"
    assert assess(spec(5.0, 5), read(None, None, 6.4)).judgement == "high"
    assert assess(spec(-12.0, 5), read(None, -13.5, None)).judgement == "high"


@pytest.mark.parametrize(("nominal_v", "value"), [(5.0, 4.8), (5.0, 5.2), (12.0, 11.9), (24.0, 24.6)])
def test_the_same_supply_passes_under_load(nominal_v: float, value: float) -> None:
    assert assess(spec(nominal_v, 5), read(value, load="test load")).as_expected


def test_a_5_v_rail_at_0_8_v_under_a_cold_filament_is_held_down() -> None:
    found = assess(spec(5.0, 5, always_on=False), read(0.8, load="test load"))
    assert found.condition == "low"
    assert "held down" in found.sentence
    assert "cold filament" in found.sentence


def test_cycling_unloaded_is_forgiven_by_a_pass_under_load() -> None:
    rail = spec(12.0, 5, always_on=False)
    cycling = assess(rail, read(None, 0.0, 9.4))
    assert rail_verdict([cycling]).state == "not proven"
    loaded = assess(rail, read(11.9, load="test load"))
    assert rail_verdict([cycling, loaded]).state == "in order"
    assert "want of a load" in rail_verdict([cycling, loaded]).sentence


def test_a_rail_that_sags_under_load_is_suspect() -> None:
    rail = spec(12.0, 5, always_on=False)
    verdict = rail_verdict([assess(rail, read(12.0)), assess(rail, read(9.0, load="test load"))])
    assert verdict.state == "suspect"
    assert "sags" in verdict.sentence


def test_ripple_over_the_limit_makes_a_rail_suspect_although_its_voltage_is_right() -> None:
    rail = spec(12.0, 5)
    found = [
        assess(rail, read(12.0, load="test load")),
        assess(rail, read(0.5, quantity="ripple_v", load="test load")),
    ]
    assert rail_verdict(found).state == "suspect"


def test_a_rail_is_never_called_in_order_without_a_load() -> None:
    assert rail_verdict([assess(spec(5.0, 5), read(5.0))]).state == "not proven"
    assert rail_verdict([]).state == "not measured"


def test_a_later_reading_of_the_same_kind_replaces_an_earlier_one() -> None:
    rail = spec(5.0, 5)
    before, after = (assess(rail, read(value, load="test load")) for value in (3.9, 5.0))
    assert rail_verdict([before, after]).state == "in order"
    assert rail_verdict([after, before]).state == "suspect"


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("rated_a", {"rated_a": 0.0}),
        ("rated_a", {"rated_a": -1.0}),
        ("tolerance_pct", {"tolerance_pct": 101.0}),
        ("tolerance_pct", {"tolerance_pct": 0.0}),
        ("nominal_v", {"nominal_v": 0.0}),
        ("nominal_v", {"nominal_v": math.nan}),
        ("nominal_v", {"nominal_v": math.inf}),
        ("ripple_mv", {"ripple_mv": 0.0}),
        ("role", {"role": "juice"}),
        ("name", {"name": " "}),
    ],
)
def test_an_impossible_rail_is_refused_by_field_with_a_remedy(field: str, change: dict) -> None:
    settings = {"name": "rail", "role": "other", "nominal_v": 5.0, "tolerance_pct": None, **change}
    with pytest.raises(BadInput) as refused:
        RailSpec(**settings)
    assert refused.value.field == field
    assert refused.value.remedy


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("value", {"value": math.nan}),
        ("max", {"max": math.inf}),
        ("supply", {"supply": "on"}),
        ("load", {"load": "some"}),
        ("min", {"min": 5.0, "max": 4.0}),
    ],
)
def test_an_impossible_reading_is_refused_by_field(field: str, change: dict) -> None:
    with pytest.raises(BadInput) as refused:
        RailReading("rail", **change)
    assert refused.value.field == field


def test_a_reading_without_any_value_or_of_another_rail_is_refused() -> None:
    with pytest.raises(BadInput):
        assess(spec(), read())
    with pytest.raises(BadInput):
        assess(spec(name="other"), read(5.0))
    with pytest.raises(BadInput):
        assess(spec(), read(5.0, quantity="ohm"))


def test_a_gauge_places_window_nominal_and_reading() -> None:
    drawn = gauge(spec(5.0, 5), read(5.25, 4.75, 5.25))
    assert (drawn.band_lo, drawn.nominal, drawn.band_hi) == pytest.approx((0.3, 0.5, 0.7))
    assert drawn.dot == pytest.approx(0.7)
    assert (drawn.whisker_lo, drawn.whisker_hi) == pytest.approx((0.3, 0.7))
    assert (drawn.scale_lo_v, drawn.scale_hi_v) == pytest.approx((4.375, 5.625))
    assert not drawn.clipped_low
    assert not drawn.clipped_high


def test_a_gauge_clips_what_lies_beyond_its_scale_and_says_so() -> None:
    dead = gauge(spec(5.0, 5), read(0.0))
    assert (dead.dot, dead.clipped_low, dead.clipped_high) == (0.0, True, False)
    high = gauge(spec(5.0, 5), read(9.0))
    assert (high.dot, high.clipped_low, high.clipped_high) == (1.0, False, True)


def test_a_gauge_of_a_negative_rail_runs_by_magnitude() -> None:
    drawn = gauge(spec(-12.0, 10), read(-13.2))
    assert drawn.dot == pytest.approx(drawn.band_hi)
    assert drawn.scale_hi_v < drawn.scale_lo_v < 0


def test_a_gauge_without_a_reading_has_no_dot() -> None:
    drawn = gauge(spec())
    assert (drawn.dot, drawn.whisker_lo, drawn.whisker_hi) == (None, None, None)


def test_a_ripple_gauge_starts_at_zero() -> None:
    drawn = gauge(spec(5.0, ripple_mv=50), read(0.05, quantity="ripple_v"))
    assert (drawn.band_lo, drawn.nominal, drawn.scale_lo_v) == (0.0, None, 0.0)
    assert drawn.dot == pytest.approx(drawn.band_hi)


def test_typical_values_are_median_and_middle_eight_tenths() -> None:
    found = typical([5.0 + tenth / 10 for tenth in range(11)])
    assert (found.count, found.median) == (11, pytest.approx(5.5))
    assert (found.low, found.high) == (pytest.approx(5.1), pytest.approx(5.9))
    assert typical([]).median is None
    with pytest.raises(BadInput):
        typical([5.0, math.nan])


def test_a_swing_of_thousands_of_volts_is_asked_about_and_not_called_cycling() -> None:
    spec = RailSpec("12V", "intermediate", 12.0, 5, 3.0)
    for low, high in ((12000.0, 12010.0), (0.0, 11480.0)):
        found = assess(spec, RailReading("12V", "dc_v", "running", "none", None, low, high))
        assert found.asks
        assert "mV" in found.sentence
    real = assess(spec, RailReading("12V", "dc_v", "running", "none", None, 0.0, 11.48))
    assert (real.condition, real.asks) == ("pulsing", False)
