"""Boundaries and shown figures of rails: names, windows, conditions, judgements, verdicts and gauges.

`tests/mutants.py` counts how many small mistakes these notice. The rules are common practice, no published source;
they stand in `kb.bench.rails`, `kb.bench.limits` and `kb.facts.rail_names`. Each bound is tried on both sides.
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from kb.bench.circumstances import BenchHelp, Circumstances
from kb.bench.rail_judgement import rectified_mains, rests_on_mains
from kb.bench.rail_types import Window, is_input, measured, ripple_window, voltage_window
from kb.bench.rails import (
    Assessment,
    RailReading,
    RailSpec,
    RailVerdict,
    assess,
    gauge,
    rail_verdict,
    typical,
)
from kb.errors import BadInput
from kb.facts.rail_names import LONGEST_NAME, ObviousRail, obvious_rail

SWITCHED = RailSpec("12V", "intermediate", 12.0, 5, 3.0)
STANDBY = RailSpec("5VSB", "standby", 5.0, 5, 1.0, 50.0, always_on=True)
NEGATIVE = RailSpec("-12V", "other", -12.0, 5, 0.5)
BULK = RailSpec("BULK", "bulk", 385.0)


def read(
    spec: RailSpec,
    value: float | None = None,
    low: float | None = None,
    high: float | None = None,
    **more: str,
) -> RailReading:
    return RailReading(spec.name, value=value, min=low, max=high, **more)


def judged(
    spec: RailSpec,
    value: float | None = None,
    low: float | None = None,
    high: float | None = None,
    around: Circumstances | None = None,
    **more: str,
) -> Assessment:
    return assess(spec, read(spec, value, low, high, **more), around or Circumstances())


# --- names


@pytest.mark.parametrize(
    ("volts", "role"),
    [
        ("5.5", "logic"), ("5.51", "intermediate"), ("20", "intermediate"), ("20.1", "backlight"),
        ("30", "backlight"), ("30.1", "other"), ("279", "other"), ("280", "bulk"), ("420", "bulk"), ("421", "other"),
    ],
)  # fmt: skip
def test_volts_alone_say_the_role_up_to_their_bound(volts: str, role: str) -> None:
    assert obvious_rail(f"{volts}V") == ObviousRail(role, float(volts), False)


def test_a_name_of_forty_characters_is_read_and_a_longer_one_is_not() -> None:
    assert LONGEST_NAME == 40
    assert obvious_rail("5VSB".ljust(40)) == ObviousRail("standby", 5.0, True)
    assert obvious_rail("5VSB".ljust(41)) is None


@pytest.mark.parametrize("name", ["-standby", "-VCC", "io", "other", "svb", "hv", "-0V", "0.0V", "0VSB", "+"])
def test_a_sign_letters_that_say_too_little_and_no_volts_are_no_names(name: str) -> None:
    assert obvious_rail(name) is None


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("io 3.3V", ObviousRail("logic", 3.3, False)),
        ("-5V", ObviousRail("logic", -5.0, False)),
        ("12Vmain", ObviousRail("intermediate", 12.0, False)),
        ("24V out", ObviousRail("backlight", 24.0, False)),
        ("P12V", ObviousRail("intermediate", 12.0, False)),
        ("audio voltage", ObviousRail("audio", None, False)),
        ("supply", None),
        ("output", None),
        ("12Vxyz", None),
    ],
)
def test_letters_beside_the_volts_say_the_use_where_they_say_any(
    name: str, expected: ObviousRail | None
) -> None:
    assert obvious_rail(name) == expected


# --- windows


def test_a_window_is_nominal_plus_and_minus_its_share() -> None:
    assert voltage_window(STANDBY) == Window(Decimal("4.75"), Decimal("5.25"), False)
    assert voltage_window(BULK) == Window(Decimal("346.5"), Decimal("423.5"), True)
    assert voltage_window(STANDBY, 10) == Window(Decimal("4.5"), Decimal("5.5"), False)
    assert voltage_window(NEGATIVE) == Window(Decimal("11.4"), Decimal("12.6"), False)
    assert ripple_window(STANDBY) == Window(Decimal(0), Decimal("0.05"), False)
    assert ripple_window(SWITCHED) == Window(Decimal(0), Decimal("0.12"), True)


def test_a_bound_is_taken_as_printed_to_a_hundredth_where_that_is_wider() -> None:
    # 3.3 V +5 % is 3.465 and printed 3.47; 1.1 V -7.5 % is 1.0175 and printed 1.02.
    window = voltage_window(RailSpec("3V3", "logic", 3.3, 5))
    assert window.holds(Decimal("3.47"))
    assert not window.holds(Decimal("3.4701"))
    assert window.holds(Decimal("3.135"))
    assert not window.holds(Decimal("3.1349"))
    narrow = voltage_window(RailSpec("1V1", "logic", 1.1, 7.5))
    assert narrow.holds(Decimal("1.0175"))
    assert not narrow.holds(Decimal("1.0174"))
    # 1.255 V -2 % is 1.2299 and printed 1.23: the bound itself still belongs to the window.
    assert not voltage_window(RailSpec("x", "logic", 1.255, 2)).below(Decimal("1.2299"))
    assert voltage_window(RailSpec("x", "logic", 1.255, 2)).below(Decimal("1.2298"))
    # 1.258 V -2 % is 1.23284 and printed 1.23.
    assert not voltage_window(RailSpec("x", "logic", 1.258, 2)).below(Decimal("1.23"))
    assert voltage_window(RailSpec("x", "logic", 1.258, 2)).below(Decimal("1.2299"))
    # Under a volt nothing is rounded: 0.9 V +2.5 % is 0.9225.
    small = voltage_window(RailSpec("0V9", "logic", 0.9, 2.5))
    assert small.holds(Decimal("0.9225"))
    assert not small.holds(Decimal("0.9226"))


def test_a_tolerance_of_a_hundred_per_cent_is_the_widest() -> None:
    assert RailSpec("x", "other", 5.0, 100).tolerance_pct == 100
    with pytest.raises(BadInput):
        RailSpec("x", "other", 5.0, 100.1)


def test_what_feeds_the_board_and_what_lies_on_the_mains_side_is_never_loaded() -> None:
    for name, feeds in (("24VIN", True), ("VIN", True), ("input", True), ("12V", False), ("VINE", False)):
        assert is_input(name) is feeds
    assert RailSpec("24VIN", "other", 24.0).never_loaded
    assert RailSpec("VCC", "controller supply", 15.0).never_loaded
    assert BULK.on_primary
    assert not SWITCHED.never_loaded


@pytest.mark.parametrize(
    ("low", "high", "refused"),
    [(5.0, 4.0, True), (4.0, 4.0, False), (0.5, -1.0, False), (None, 4.0, False), (4.0, None, False)],
)
def test_a_minimum_above_a_positive_maximum_is_refused(
    low: float | None, high: float | None, refused: bool
) -> None:
    if refused:
        with pytest.raises(BadInput):
            read(SWITCHED, 4.0, low, high)
    else:
        assert read(SWITCHED, 4.0, low, high).min == low


# --- what was measured


def test_a_reading_is_turned_into_the_polarity_of_its_rail() -> None:
    plain = measured(STANDBY, read(STANDBY, 5.0))
    assert (plain.value, plain.steady, plain.extremes, plain.half) == (Decimal("5.0"), True, None, "")
    assert plain.swing == 0
    negative = measured(NEGATIVE, read(NEGATIVE, -12.0, -12.5, -11.0))
    assert (negative.value, negative.extremes) == (Decimal("12.0"), (Decimal("11.0"), Decimal("12.5")))
    assert negative.swing == Decimal("1.5")
    # Turned round, the steady value stays the one that is judged.
    turned = measured(STANDBY, read(STANDBY, -5.0, -6.0, -4.8))
    assert turned.reversed
    assert (turned.value, turned.extremes) == (Decimal("5.0"), (Decimal("4.8"), Decimal("6.0")))
    pair = measured(STANDBY, read(STANDBY, None, -6.0, -4.0))
    assert (pair.value, pair.steady, pair.reversed) == (Decimal("5.0"), False, True)
    # Up to a tenth of nominal below nothing is noise, and no wrong polarity.
    assert not measured(STANDBY, read(STANDBY, -0.5)).reversed
    assert measured(STANDBY, read(STANDBY, -0.51)).reversed


def test_one_extreme_beside_a_value_bounds_the_swing_and_alone_it_is_half() -> None:
    for low, high, least, most in ((4.0, None, "4.0", "5.0"), (None, 6.0, "5.0", "6.0")):
        seen = measured(STANDBY, read(STANDBY, 5.0, low, high))
        assert (seen.extremes, seen.half) == ((Decimal(least), Decimal(most)), "")
    assert measured(STANDBY, read(STANDBY, None, 4.0)).half == "min"
    assert measured(STANDBY, read(STANDBY, None, None, 4.0)).half == "max"
    assert measured(NEGATIVE, read(NEGATIVE, None, -13.0)).half == "max"
    assert measured(NEGATIVE, read(NEGATIVE, None, None, -11.0)).half == "min"
    middle = measured(STANDBY, read(STANDBY, None, 4.0, 5.5))
    assert (middle.value, middle.steady) == (Decimal("4.75"), False)


def test_a_lowest_alone_proves_a_low_rail_only_and_a_highest_a_high_one() -> None:
    assert judged(STANDBY, None, 4.9).judgement == "unknown"
    assert judged(STANDBY, None, 4.7).judgement == "low"
    assert judged(STANDBY, None, 0.1).judgement == "low"
    assert judged(STANDBY, None, 5.3).judgement == "high"
    assert judged(STANDBY, None, None, 4.7).judgement == "unknown"
    assert judged(STANDBY, None, None, 5.3).judgement == "high"


# --- one reading


def test_an_assessment_shows_the_window_and_how_far_off_the_reading_is() -> None:
    found = judged(SWITCHED, 12.6, load="test load")
    assert found == Assessment(
        rail="12V", condition="in tolerance", low_v=11.4, high_v=12.6, assumed=False, marginal=False,
        sentence=found.sentence, expected_absent=False, quantity="dc_v", supply="running", load="test load",
        reversed=False, asks=False, off_pct=pytest.approx(5.0), judgement="good",  # type: ignore[arg-type]
    )  # fmt: skip
    assert judged(SWITCHED, 9.0).off_pct == pytest.approx(-25.0)
    assert judged(NEGATIVE, -13.2).off_pct == pytest.approx(10.0)


def test_ripple_is_doubted_from_twice_the_nominal_voltage() -> None:
    rail = replace(SWITCHED, ripple_mv=100.0)
    for volts, asks, judgement in ((23.9, False, "high"), (24.0, True, "unknown"), (100.0, True, "unknown")):
        found = judged(rail, volts, quantity="ripple_v")
        assert (found.condition, found.asks, found.judgement) == ("high", asks, judgement)
    assert not judged(rail, 0.1, quantity="ripple_v", load="test load").asks
    # Twice nominal, yet within a limit that is wider: nothing is doubted.
    wide = RailSpec("1V", "logic", 1.0, ripple_mv=3000.0)
    within = judged(wide, 2.5, quantity="ripple_v", load="test load")
    assert (within.condition, within.asks, within.judgement) == ("in tolerance", False, "good")
    assert judged(NEGATIVE, 24.0, quantity="ripple_v").asks
    assert not judged(NEGATIVE, 23.9, quantity="ripple_v").asks


def test_ripple_within_its_limit_proves_something_only_under_load() -> None:
    for load, judgement in (
        ("none", "not proven until loaded"),
        ("test load", "good"),
        ("in the set", "good"),
    ):
        found = judged(STANDBY, 0.05, quantity="ripple_v", load=load)
        assert found.judgement == judgement
        assert (found.low_v, found.high_v, found.assumed) == (0.0, 0.05, False)
        assert (found.marginal, found.reversed, found.expected_absent, found.asks) == (
            False,
            False,
            False,
            False,
        )
        assert (found.quantity, found.load, found.supply, found.off_pct) == (
            "ripple_v",
            load,
            "running",
            None,
        )
    with pytest.raises(BadInput, match="below 0"):
        judged(STANDBY, -0.01, quantity="ripple_v")


def test_a_steady_value_in_the_window_is_marginal_where_the_rail_left_it_either_way() -> None:
    for low, high, marginal in ((4.75, 5.25, False), (4.7, 5.25, True), (4.75, 5.3, True)):
        found = judged(STANDBY, 5.0, low, high, load="test load")
        assert (found.condition, found.marginal) == ("in tolerance", marginal)


def test_under_load_the_extreme_that_left_the_window_is_judged_where_there_is_no_steady_value() -> None:
    for load, low, high, condition in (
        ("test load", 4.7, 5.2, "low"),
        ("test load", 4.8, 5.3, "high"),
        ("test load", 4.8, 5.2, "in tolerance"),
        ("none", 4.7, 5.2, "in tolerance"),
    ):
        assert judged(STANDBY, None, low, high, load=load).condition == condition
    # Only one end beside a steady value: the value is judged.
    assert judged(STANDBY, 5.0, 4.7, None, load="test load").condition == "in tolerance"


def test_a_steady_drift_is_judged_by_its_end_and_is_no_pulsing() -> None:
    for drift, condition in ((-1.5, "low"), (1.5, "in tolerance")):
        assert judged(STANDBY, None, 3.5, 5.0, Circumstances(drift=drift)).condition == condition
    assert judged(STANDBY, None, 3.5, 5.0).condition == "pulsing"
    # Without both ends there is no drift to go by.
    assert judged(STANDBY, 5.0, around=Circumstances(drift=-1.0)).condition == "in tolerance"
    assert judged(STANDBY, None, None, 5.0, Circumstances(drift=-1.0)).condition == "in tolerance"


def test_thousandths_typed_as_volts_are_asked_about_between_their_bounds() -> None:
    # A thousandth of the reading must lie from a tenth to three times nominal, and the reading be fifty times it.
    for value, asks in ((499.9, False), (500.0, True), (15_000.0, True), (15_001.0, False)):
        assert judged(STANDBY, value).asks is asks
    milli = RailSpec("x", "bulk", 385.0)
    assert not judged(milli, 19_249.0).asks
    assert not judged(milli, 38_499.0).asks
    assert judged(milli, 38_500.0).asks
    # What is in its window is not doubted, whatever its size.
    assert not judged(RailSpec("x", "other", 4000.0), 4000.0).asks
    # Of extremes the larger end is looked at, of a value with extremes the largest of all.
    assert judged(STANDBY, None, 0.0, 5000.0).asks
    assert judged(STANDBY, 0.0, None, 5000.0).asks


@pytest.mark.parametrize(
    ("value", "low", "high", "judgement"),
    [
        (5.0, None, None, "good"), (5.01, None, None, "charged"), (1.0, -6.0, 2.0, "charged"),
        (1.0, None, 5.01, "charged"),
    ],
)  # fmt: skip
def test_unpowered_a_rail_is_discharged_up_to_what_the_meter_bears(
    value: float, low: float | None, high: float | None, judgement: str
) -> None:
    found = judged(SWITCHED, value, low, high, supply="unpowered")
    assert (found.judgement, found.expected_absent) == (judgement, True)


def test_a_switched_rail_in_standby_is_right_where_it_is_absent_only() -> None:
    for value, judgement in ((0.1, "good"), (6.0, "high"), (12.0, "unknown"), (15.0, "high")):
        found = judged(SWITCHED, value, supply="standby")
        assert (found.expected_absent, found.judgement) == (True, judgement)
    assert not judged(STANDBY, 5.0, supply="standby").expected_absent


def test_a_reading_while_a_bench_supply_holds_the_rail_up_proves_nothing() -> None:
    held = Circumstances(help=BenchHelp("held"))
    assert judged(STANDBY, 5.0, around=held, load="test load").judgement == "unknown"
    removed = Circumstances(help=BenchHelp("removed"))
    assert judged(STANDBY, 5.0, around=removed, load="test load").judgement == "good"


def test_in_its_window_a_rail_is_proven_under_load_or_where_none_can_be_put_on_it() -> None:
    assert judged(SWITCHED, 12.0).judgement == "not proven until loaded"
    assert judged(SWITCHED, 12.0, load="test load").judgement == "good"
    assert judged(RailSpec("24VIN", "other", 24.0), 24.0).judgement == "good"


def test_off_but_near_with_nothing_connected_is_left_to_the_load() -> None:
    # Standby rails may idle a tenth low and no more; switched rails any way low, and a fifth high.
    for spec, value, judgement in (
        (STANDBY, 4.5, "not proven until loaded"), (STANDBY, 4.49, "low"), (STANDBY, 5.3, "high"),
        (SWITCHED, 9.0, "not proven until loaded"), (SWITCHED, 14.4, "not proven until loaded"),
        (SWITCHED, 14.41, "high"), (SWITCHED, 0.1, "absent"),
        (NEGATIVE, -14.4, "not proven until loaded"), (NEGATIVE, -14.41, "high"),
        (replace(NEGATIVE, always_on=True), -10.8, "not proven until loaded"),
        (replace(NEGATIVE, always_on=True), -10.79, "low"),
        (RailSpec("VCC", "controller supply", 15.0, 5), 13.0, "low"),
    ):  # fmt: skip
        assert judged(spec, value).judgement == judgement, (spec, value)
    assert judged(SWITCHED, 9.0, load="test load").judgement == "low"


def test_cold_filaments_excuse_what_lies_under_half_of_nominal() -> None:
    cold = Circumstances(cold_load=True)
    for spec, value, judgement in (
        (SWITCHED, 5.99, "unknown"), (SWITCHED, 6.0, "low"), (SWITCHED, 0.5, "unknown"), (SWITCHED, 13.0, "high"),
        (NEGATIVE, -5.99, "unknown"), (NEGATIVE, -6.0, "low"),
    ):  # fmt: skip
        assert judged(spec, value, around=cold, load="test load").judgement == judgement
    assert judged(SWITCHED, 5.0, around=cold, load="in the set").judgement == "low"
    assert judged(SWITCHED, 5.0, load="test load").judgement == "low"


def test_a_bulk_is_lifted_above_the_mains_from_eight_hundredths_over_its_peak() -> None:
    # 230 V has a peak of 325.27 V; 1.08 of it is 351.29.
    for nominal, lifted in ((351.2, False), (351.4, True), (-385.0, True), (-340.0, False)):
        found = rectified_mains(RailSpec("B", "bulk", nominal), Circumstances())
        assert (found is not None) is lifted
    assert rectified_mains(BULK, Circumstances()) == pytest.approx(Decimal("325.27"), abs=Decimal("0.01"))
    assert rectified_mains(BULK, Circumstances(mains_v=120.0)) == pytest.approx(
        Decimal("169.71"), abs=Decimal("0.01")
    )
    assert rectified_mains(RailSpec("x", "other", 385.0), Circumstances()) is None


def test_a_bulk_rests_on_the_mains_within_a_tenth_of_its_peak() -> None:
    # A tenth of 325.27 V either way: 292.7 to 357.8 V.
    for volts, rests in ((292.7, False), (292.8, True), (325.0, True), (357.7, True), (357.9, False)):
        assert rests_on_mains(BULK, measured(BULK, read(BULK, volts)), Circumstances()) is rests
    negative = RailSpec("B", "bulk", -385.0)
    assert rests_on_mains(negative, measured(negative, read(negative, -325.0)), Circumstances())
    always = replace(BULK, always_on=True)
    assert judged(always, 325.0, supply="standby").judgement == "good"
    assert judged(BULK, 325.0).judgement == "not proven until loaded"
    assert judged(BULK, 325.0, load="test load").judgement == "low"
    assert judged(BULK, 290.0, load="test load").judgement == "low"
    assert judged(BULK, 385.0).judgement == "good"


def test_nothing_speaks_against_a_rail_that_is_good_or_in_its_window_and_not_yet_loaded() -> None:
    base = judged(SWITCHED, 12.0, load="test load")
    for condition, judgement, expected in (
        ("in tolerance", "good", True), ("absent", "good", True), ("in tolerance", "not proven until loaded", True),
        ("low", "not proven until loaded", False), ("in tolerance", "unknown", False), ("low", "low", False),
    ):  # fmt: skip
        assert replace(base, condition=condition, judgement=judgement).as_expected is expected


# --- all readings of a rail


def verdict(*assessments: Assessment) -> tuple[str, str, str]:
    found = rail_verdict(assessments)
    return found.rail, found.state, found.sentence


def loaded(spec: RailSpec, value: float, **more: str) -> Assessment:
    return judged(spec, value, load="test load", **more)


def test_a_rail_with_no_reading_that_counts_is_not_measured_or_not_proven() -> None:
    assert rail_verdict([]) == RailVerdict("", "not measured", "Not measured yet.")
    assert verdict(judged(SWITCHED, 0.0, supply="unpowered")) == (
        "12V", "not measured", "12V was not measured under power.",
    )  # fmt: skip
    assert verdict(judged(SWITCHED, 0.01, quantity="ripple_v")) == (
        "12V", "not proven", "Only the ripple of 12V was measured: measure its voltage.",
    )  # fmt: skip
    assert verdict(judged(SWITCHED, 0.1, supply="standby")) == (
        "12V", "not measured", "12V is off in standby, as it should be; not measured running yet.",
    )  # fmt: skip
    assert verdict(judged(SWITCHED, 12.0)) == (
        "12V", "not proven", "12V stands in its window unloaded; not tested under load yet.",
    )  # fmt: skip
    assert verdict(judged(BULK, 385.0)) == (
        "BULK", "not proven", "BULK stands as it should, as far as it was measured.",
    )  # fmt: skip
    with pytest.raises(BadInput, match="another rail"):
        rail_verdict([judged(SWITCHED, 12.0), judged(STANDBY, 5.0)])


def test_unloaded_only_a_wrong_reading_is_suspect_unless_a_load_may_mend_it() -> None:
    for found, state in (
        (judged(SWITCHED, 0.1), "suspect"),
        (judged(SWITCHED, 15.0), "suspect"),
        (judged(SWITCHED, 9.0), "not proven"),
        (judged(SWITCHED, None, 0.0, 12.0), "not proven"),
        (judged(STANDBY, 4.5), "not proven"),
    ):
        assert verdict(found) == (found.rail, state, found.sentence)


def test_under_load_a_rail_in_its_window_is_in_order_whatever_idling_showed() -> None:
    fine = loaded(SWITCHED, 12.0)
    where = "under test load"
    assert verdict(fine) == ("12V", "in order", f"12V stands in its window {where}.")
    assert verdict(judged(SWITCHED, 12.0, load="in the set")) == (
        "12V",
        "in order",
        "12V stands in its window in the set.",
    )
    for idle, sentence in (
        (
            judged(SWITCHED, None, 0.0, 12.0),
            f"12V cycled only for want of a load: {where} it stands in its window.",
        ),
        (
            judged(SWITCHED, 9.0),
            f"12V stands in its window {where}; the low reading unloaded is then of no weight.",
        ),
        (
            judged(SWITCHED, 14.4),
            f"12V stands in its window {where}; the high reading unloaded is then of no weight.",
        ),
        (
            judged(SWITCHED, 0.1),
            f"12V stands in its window {where}; the missing voltage unloaded is then of no weight.",
        ),
        (judged(SWITCHED, 12.1), f"12V stands in its window {where}."),
    ):
        assert verdict(idle, fine) == ("12V", "in order", sentence)
    far = judged(SWITCHED, 14.41)
    assert verdict(far, fine) == (
        "12V", "suspect", f"12V stands in its window {where}, but runs far too high unloaded: see its feedback.",
    )  # fmt: skip
    on = judged(SWITCHED, 6.0, supply="standby")
    assert verdict(on, fine) == (
        "12V",
        "suspect",
        f"12V stands in its window {where}, but was present where it should be off: see the enable.",
    )
    edge = judged(SWITCHED, 12.0, 11.3, 12.5, load="test load")
    assert verdict(edge) == (
        "12V", "in order", f"12V stands in its window {where}, but near its edge: note it in the report.",
    )  # fmt: skip
    # What is rightly off in standby under load proves nothing yet.
    assert verdict(loaded(SWITCHED, 0.1, supply="standby"))[1] == "not measured"


def test_under_load_the_worst_reading_is_named() -> None:
    sags = loaded(SWITCHED, 9.0)
    assert verdict(sags) == ("12V", "suspect", sags.sentence)
    for wrong, how in (
        (sags, "sags under load"),
        (loaded(SWITCHED, 0.1), "drops out under load"),
        (judged(SWITCHED, None, 0.0, 12.0, load="test load"), "cycles under load"),
    ):
        assert verdict(judged(SWITCHED, 12.0), wrong) == (
            "12V",
            "suspect",
            f"12V stands in its window unloaded but {how}: "
            "suspect its filter capacitors, rectifier and current limit, or too heavy a load.",
        )
    high = loaded(SWITCHED, 15.0)
    assert verdict(judged(SWITCHED, 12.0), high) == ("12V", "suspect", high.sentence)
    # What is off in standby as it should be does not say that the rail stands unloaded.
    assert verdict(judged(SWITCHED, 0.1, supply="standby"), sags) == ("12V", "suspect", sags.sentence)
    in_set = judged(SWITCHED, 15.0, load="in the set")
    for pair in ((sags, in_set), (in_set, sags)):
        assert verdict(*pair) == ("12V", "suspect", in_set.sentence)


def test_ripple_over_its_limit_is_suspect_and_doubt_comes_before_all_else() -> None:
    fine, ripples = loaded(STANDBY, 5.0), loaded(STANDBY, 0.06, quantity="ripple_v")
    assert verdict(fine, ripples) == ("5VSB", "suspect", ripples.sentence)
    assert verdict(fine, loaded(STANDBY, 0.05, quantity="ripple_v"))[1] == "in order"
    doubted = judged(STANDBY, 5000.0, load="in the set")
    assert verdict(doubted, ripples) == ("5VSB", "not proven", doubted.sentence)
    unit = loaded(STANDBY, 60.0, quantity="ripple_v")
    assert unit.asks
    assert verdict(fine, unit) == ("5VSB", "not proven", unit.sentence)
    # Of several doubts the last one is named.
    half = judged(STANDBY, None, None, 5.0)
    assert verdict(doubted, half) == ("5VSB", "not proven", half.sentence)
    assert verdict(half, doubted) == ("5VSB", "not proven", doubted.sentence)


# --- drawings and typical values


def test_a_gauge_shows_two_and_a_half_half_widths_either_way() -> None:
    drawn = gauge(NEGATIVE, read(NEGATIVE, -12.6, -12.6, -11.4))
    # Half the window is 0.6 V, so that the scale reaches 1.5 V either way.
    assert (drawn.scale_lo_v, drawn.scale_hi_v) == pytest.approx((-10.5, -13.5))
    assert (drawn.band_lo, drawn.nominal, drawn.band_hi) == pytest.approx((0.3, 0.5, 0.7))
    assert (drawn.dot, drawn.whisker_lo, drawn.whisker_hi) == pytest.approx((0.7, 0.3, 0.7))
    assert gauge(NEGATIVE, read(NEGATIVE, None, -12.6, -11.4)).dot is None
    # A lowest or a highest alone is no steady value and has no other end: nothing is drawn.
    half = gauge(NEGATIVE, read(NEGATIVE, None, -12.6))
    assert (half.dot, half.whisker_lo, half.whisker_hi) == (None, None, None)
    bare = gauge(NEGATIVE, None)
    assert (bare.dot, bare.whisker_lo, bare.whisker_hi) == (None, None, None)
    assert (bare.clipped_low, bare.clipped_high) == (False, False)
    for value, low, high in (
        (-10.49, True, False),
        (-10.5, False, False),
        (-13.5, False, False),
        (-13.51, False, True),
    ):
        drawn = gauge(NEGATIVE, read(NEGATIVE, value))
        assert (drawn.clipped_low, drawn.clipped_high) == (low, high)
    ripple = gauge(STANDBY, read(STANDBY, 0.025, quantity="ripple_v"))
    assert (ripple.scale_lo_v, ripple.scale_hi_v, ripple.nominal) == (0.0, pytest.approx(0.125), None)
    assert (ripple.band_lo, ripple.band_hi, ripple.dot) == (0.0, pytest.approx(0.4), pytest.approx(0.2))


def test_typical_values_lie_between_order_statistics() -> None:
    found = typical([1.0, 2.0, 3.0, 4.0])
    assert (found.count, found.median) == (4, 2.5)
    assert (found.low, found.high) == (pytest.approx(1.3), pytest.approx(3.7))
    assert typical([]) == type(found)(0, None, None, None)
