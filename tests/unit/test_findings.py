"""Direct findings: what a short, an open part or a high ESR says of the cause.

Junction drops from hand-held meters' manuals; other limits are common practice, no published source.
"""

from __future__ import annotations

import math

import pytest

from kb.suggest.findings import PointReading, findings, log_ratio, part_found_bad

MAIN, PFC = ("main converter", "MOSFET"), ("bulk and power factor stage", "power factor MOSFET")


def one(point: str, quantity: str, value: float, rail: bool = False):  # type: ignore[no-untyped-def]
    found = findings([PointReading(point, quantity, value, rail)])
    return found[0] if found else None


@pytest.mark.parametrize("quantity", ["ohm", "diode_v"])
def test_a_short_of_the_main_switch_is_the_main_switch_and_never_the_power_factor_switch(
    quantity: str,
) -> None:
    found = findings([PointReading("main switch drain-source", quantity, 0.02)])
    assert found[0].what == "short"
    assert found[0].section == "main converter"
    assert log_ratio(found, *MAIN) - log_ratio(found, *PFC) > math.log(100)
    assert part_found_bad(found)


def test_a_designator_that_the_family_knows_is_that_part() -> None:
    reading = PointReading("Q1 drain-source", "ohm", 0.02)
    as_pfc = findings([reading], known_parts={"Q1": PFC})
    assert log_ratio(as_pfc, *PFC) > math.log(100)
    assert log_ratio(as_pfc, *MAIN) == 0.0


def test_a_designator_that_nobody_knows_is_the_main_switch_first_and_any_switch_next() -> None:
    found = findings([PointReading("Q1 drain-source", "ohm", 0.02)])
    assert log_ratio(found, *MAIN) > log_ratio(found, *PFC) > math.log(50)
    assert log_ratio(found, "standby output", "electrolytic capacitor") == 0.0


def test_a_short_may_be_that_of_what_lies_across_it() -> None:
    found = findings([PointReading("main switch drain-source", "ohm", 0.02)])
    bulk = log_ratio(found, "bulk and power factor stage", "bulk capacitor")
    assert 0.0 < bulk < log_ratio(found, *MAIN)


@pytest.mark.parametrize(
    ("point", "quantity", "value", "what"),
    [
        ("fuse", "ohm", 0.2, "in order"),
        ("F1", "ohm", 2e6, "open"),
        # A fusible resistor is made up to some hundred ohms: 22 ohms is a whole one, and no open fuse.
        ("fusible resistor", "ohm", 22.0, "in order"),
        ("RF1", "ohm", 47.0, "in order"),
        ("RF1", "ohm", 1.2e6, "open"),
        ("NTC1", "ohm", 5.0, "in order"),
        ("inrush limiter", "ohm", 1e6, "open"),
        ("sense resistor", "ohm", 0.22, "in order"),
        ("sense resistor", "ohm", 900.0, "open"),
        ("start-up resistor", "ohm", 470e3, "in order"),
        ("start-up resistor", "ohm", 22e6, "open"),
        ("varistor", "ohm", 12.0, "short"),
        ("bridge", "diode_v", 0.01, "short"),
        ("BD1 AC-plus", "diode_v", 0.52, "in order"),
        ("12V output rectifier", "ohm", 0.4, "short"),
        ("main switch", "diode_v", 0.5, "in order"),
        ("main switch drain-source", "ohm", 40.0, "leaky"),
        ("C9", "esr_ohm", 12.0, "high ESR"),
        ("bulk capacitor", "esr_ohm", 4.0, "high ESR"),
        ("relay contact", "ohm", 3.0, "worn"),
    ],
)
def test_a_part_is_judged_by_what_it_is(point: str, quantity: str, value: float, what: str) -> None:
    found = one(point, quantity, value)
    assert found is not None
    assert found.what == what


@pytest.mark.parametrize(
    ("point", "quantity", "value"),
    [
        ("main switch gate-source", "ohm", 10_000.0),  # the resistor that belongs there
        ("C9", "esr_ohm", 0.1),  # in circuit a low one proves nothing
        ("Q1 drain-source", "diode_v", 1.8),
        ("TP4", "ohm", 3.0),
        ("somewhere", "ohm", 0.1),
        ("main switch drain-source", "ohm", float("nan")),
        ("main switch drain-source", "ohm", -1.0),
        ("relay coil", "ohm", 70.0),
        ("Q1 drain-source", "celsius", 60.0),
    ],
)
def test_a_reading_that_says_nothing_of_a_part_is_no_finding(point: str, quantity: str, value: float) -> None:
    assert one(point, quantity, value) is None


def test_a_part_that_measures_right_is_hardly_the_cause() -> None:
    found = findings([PointReading("main switch", "diode_v", 0.5)])
    assert log_ratio(found, *MAIN) < -1.0
    assert not part_found_bad(found)


def test_a_blown_fuse_hardly_makes_the_fuse_the_cause() -> None:
    found = findings([PointReading("F1", "ohm", 2e6)])
    assert 0.0 < log_ratio(found, "mains input", "fuse") < math.log(10)
    assert not part_found_bad(found)


def test_an_output_shorted_to_ground_is_in_what_lies_across_that_output() -> None:
    found = findings([PointReading("12V", "ohm", 0.3, rail=True)])
    assert found[0].section == "intermediate output"
    assert log_ratio(found, "intermediate output", "Schottky rectifier") > math.log(50)
    assert log_ratio(found, "backlight output", "Schottky rectifier") == 0.0
    assert one("12V", "ohm", 50.0, rail=True) is None


def test_symptoms_that_name_a_part_are_findings_and_the_fuse_is_a_consequence() -> None:
    found = findings([], [("main switch shorted", True), ("fuse blown", True), ("hiccup", True)])
    assert [entry.part for entry in found] == ["main switch shorted", "fuse blown"]
    assert log_ratio(found, *MAIN) > 1.0
    assert log_ratio(found, "mains input", "fuse") == 0.0
    assert findings([], [("main switch shorted", False)]) == ()


def test_bulk_capacitance_is_held_against_the_family_s_own() -> None:
    weak = findings([PointReading("bulk capacitor", "farad", 60e-6)], bulk_farad=120e-6)
    assert weak[0].what == "weak"
    assert findings([PointReading("bulk capacitor", "farad", 60e-6)]) == ()


def test_ripple_is_held_against_the_limit_of_its_rail() -> None:
    def found(volts: float):  # type: ignore[no-untyped-def]
        return findings([PointReading("24V", "ripple_v", volts, True, "backlight", 0.2)])

    filters = ("backlight output", "electrolytic capacitor")
    assert found(0.9)[0].what == "high ripple"
    assert (
        log_ratio(found(0.9), *filters)
        > log_ratio(found(0.9), "bulk and power factor stage", "bulk capacitor")
        > 0
    )
    assert not part_found_bad(found(0.9))
    assert log_ratio(found(0.1), *filters) < 0.0
    assert findings([PointReading("24V", "ripple_v", 0.9, True, "backlight")]) == ()
