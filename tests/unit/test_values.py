"""What people type is read exactly, or refused with a sentence that says what to do."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from kb.errors import BadInput
from kb.facts.values import (
    OVER_RANGE,
    OverRange,
    format_quantity,
    format_si_plain,
    parse_iso_date,
    parse_minutes,
    parse_money,
    parse_quantity,
    parse_reading,
    parse_tolerance,
)

READ = [
    ("4.7V", "V", "4.7"),
    ("4V7", "V", "4.7"),
    ("4.7 V", "V", "4.7"),
    ("4,7 V", "V", "4.7"),
    ("3,3V", "V", "3.3"),
    ("120 mVpp", "V", "0.12"),
    ("120mV p-p", "V", "0.12"),
    ("12 VDC", "V", "12"),
    ("+5V", "V", "5"),
    ("-12V", "V", "-12"),
    ("\u221212 V", "V", "-12"),
    ("1e-3", "V", "0.001"),
    (" 5 ", "V", "5"),
    ("-0", "V", "0"),
    ("0,120", "V", "0.12"),
    ("1.000", "V", "1"),
    ("\uff14\uff0e\uff17\uff36", "V", "4.7"),
    ("1.5kV", "V", "1500"),
    ("120 mA", "A", "0.12"),
    ("2A5", "A", "2.5"),
    ("4k7", "ohm", "4700"),
    ("4.7k", "ohm", "4700"),
    ("4.7K", "ohm", "4700"),
    ("4700 ohm", "ohm", "4700"),
    ("0,47 \u03a9", "ohm", "0.47"),
    ("0.47 \u2126", "ohm", "0.47"),
    ("R47", "ohm", "0.47"),
    ("0R1", "ohm", "0.1"),
    ("470R", "ohm", "470"),
    ("1M", "ohm", "1000000"),
    ("1m", "ohm", "0.001"),
    ("1Meg", "ohm", "1000000"),
    ("2200\u00b5F", "F", "0.0022"),
    ("2200\u03bcF", "F", "0.0022"),
    ("2200uF", "F", "0.0022"),
    ("2.2mF", "F", "0.0022"),
    ("100n", "F", "1e-7"),
    ("2n2", "F", "2.2e-9"),
    ("3p3", "F", "3.3e-12"),
    ("100NF", "F", "1e-7"),
    ("65 kHz", "Hz", "65000"),
    ("21 watts", "W", "21"),
    ("20 ms", "s", "0.02"),
    ("85 \u00b0C", "degC", "85"),
    ("85\u00baC", "degC", "85"),
    ("5 %", "%", "5"),
    ("10 \u00b5H", "H", "0.00001"),
]

REFUSED = [
    ("4.7 A", "V", "amperes"),
    ("4R7", "V", "ohms"),
    ("4,700 ohm", "ohm", "ambiguous"),
    ("2,200 \u00b5F", "F", "ambiguous"),
    ("2.200,5", "V", "not one plain number"),
    ("1,200,300", "V", "not one plain number"),
    ("2 200", "V", "two numbers"),
    ("1'000", "V", "two numbers"),
    ("4.7 5", "V", "two numbers"),
    ("9.4-11.48", "V", "two numbers"),
    ("5.", "V", "not one plain number"),
    ("NaN", "V", "not a number"),
    ("inf", "V", "not a number"),
    ("", "V", "nothing was written"),
    ("  ", "V", "nothing was written"),
    ("1" * 41, "V", "longer than 40"),
    ("4\x007", "V", "control character"),
    ("4\u200b7", "V", "control character"),
    ("10\u00b2", "V", "the sign"),
    ("\u00bd", "V", "the sign"),
    ("\u0664", "V", "not a number"),
    ("1e400", "V", "far outside"),
    ("1e" + "9" * 30, "V", "far outside"),
    ("1e13", "V", "far outside"),
    ("1e-19", "V", "far outside"),
    ("120MV", "V", "mega"),
    ("1 mhz", "Hz", "milli"),
    ("5 peak", "V", "not a way to write"),
    ("20m", "s", "minutes or milliseconds"),
    ("4E7", "ohm", "marking or a power of ten"),
    ("470E", "ohm", "ends in E"),
    ("470", "F", "no unit"),
    ("100mfd", "F", "micro or milli"),
    ("-1n", "F", "negative"),
    ("85 \u00b0F", "degC", "not a way to write"),
]


@pytest.mark.parametrize(("text", "unit", "value"), READ)
def test_what_a_person_writes_is_read_exactly(text: str, unit: str, value: str) -> None:
    assert parse_quantity(text, unit) == Decimal(value)


@pytest.mark.parametrize(("text", "unit", "why"), REFUSED)
def test_what_is_unclear_is_refused_with_its_reason(text: str, unit: str, why: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse_quantity(text, unit, field="nominal volts")
    assert why in caught.value.message
    assert caught.value.message.startswith("nominal volts: ")
    assert caught.value.message.endswith(".")
    assert caught.value.field == "nominal volts"
    assert caught.value.remedy


def test_an_ambiguous_comma_is_answered_with_both_ways_to_write_it() -> None:
    with pytest.raises(BadInput) as caught:
        parse_quantity("2,200 µF", "F")
    assert caught.value.remedy == "Write 2200 or 2.200."


def test_forty_digits_are_kept_exactly() -> None:
    digits = "1." + "0" * 30 + "1234567"
    assert parse_quantity(digits, "V") == Decimal(digits)
    assert parse_quantity("-" + digits, "V") == Decimal("-" + digits)


@pytest.mark.parametrize(
    ("text", "unit", "plain"), [("-0", "V", "0"), ("0e9", "V", "0"), ("4k7", "ohm", "4700")]
)
def test_whole_values_print_without_exponent_or_signed_zero(text: str, unit: str, plain: str) -> None:
    assert str(parse_quantity(text, unit)) == plain


def test_a_refusal_never_repeats_control_characters() -> None:
    with pytest.raises(BadInput) as caught:
        parse_quantity("4\x1b[31m7", "V")
    assert "\x1b" not in caught.value.message


def test_the_bounds_themselves_are_accepted() -> None:
    assert parse_quantity("1e12", "ohm") == Decimal("1e12")
    assert parse_quantity("-1e12", "V") == Decimal("-1e12")
    assert parse_quantity("1e-18", "F") == Decimal("1e-18")


@pytest.mark.parametrize("text", ["OL", "O.L", "0L", ".OL", "-OL", "O.L MΩ", "ol"])
def test_over_range_is_told_apart_from_a_number(text: str) -> None:
    assert parse_reading(text, "ohm") is OVER_RANGE
    with pytest.raises(OverRange):
        parse_quantity(text, "ohm")


def test_a_reading_that_is_a_number_is_read_as_one() -> None:
    assert parse_reading("4V7", "V") == Decimal("4.7")
    with pytest.raises(BadInput):
        parse_reading("lots", "V")


def test_an_unknown_unit_is_a_programming_error() -> None:
    with pytest.raises(KeyError):
        parse_quantity("5", "furlong")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4.7, "V", "4.70 V"),
        (0.12, "V", "120 mV"),
        (-12, "V", "-12.0 V"),
        (999.96, "V", "1.00 kV"),
        (0.9999, "V", "1.00 V"),
        (2200, "ohm", "2.2 kΩ"),
        (470e-6, "F", "470 µF"),
        (2200e-6, "F", "2200 µF"),
        (0.47, "F", "0.47 F"),
        (100e-9, "F", "100 nF"),
        (3.3e-12, "F", "3.3 pF"),
        (65000, "Hz", "65 kHz"),
        (85.04, "degC", "85 °C"),
        (5, "%", "5 %"),
        (0, "V", "0 V"),
        (1.2e6, "V", "1200 kV"),
    ],
)
def test_quantities_are_shown_as_the_trade_writes_them(value: float, unit: str, text: str) -> None:
    assert format_quantity(value, unit) == text


def test_halves_are_rounded_up_and_digits_are_chosen() -> None:
    assert format_quantity(Decimal("4.7250"), "V") == "4.73 V"
    assert format_quantity(Decimal("4.7250"), "V", digits=5) == "4.7250 V"
    with pytest.raises(ValueError, match="digits"):
        format_quantity(1, "V", digits=0)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), Decimal("NaN")])
def test_values_that_are_not_finite_cannot_be_shown(value: float | Decimal) -> None:
    with pytest.raises(ValueError, match="finite"):
        format_quantity(value, "V")
    with pytest.raises(ValueError, match="finite"):
        format_si_plain(value)


def test_plain_form_has_no_exponent_and_no_trailing_zeros() -> None:
    assert format_si_plain(Decimal("2.2E-9")) == "0.0000000022"
    assert format_si_plain(Decimal("4.70E+3")) == "4700"
    assert format_si_plain(1e-7) == "0.0000001"
    assert format_si_plain(Decimal("-0.0")) == "0"


@pytest.mark.parametrize("text", ["5", "5%", "5 %", "±5%", "± 5 %", "+/-5%", "+-5%", "5,0 %"])
def test_a_tolerance_is_read_however_it_is_written(text: str) -> None:
    assert parse_tolerance(text) == 5


@pytest.mark.parametrize("text", ["", "0", "100", "-5%", "-20/+80%", "+5/-10%", "5 V", "five"])
def test_other_tolerances_are_refused(text: str) -> None:
    with pytest.raises(BadInput):
        parse_tolerance(text)


@pytest.mark.parametrize(
    ("text", "minor"),
    [
        ("1.20", 120),
        ("1,20", 120),
        ("12", 1200),
        ("0", 0),
        (".5", 50),
        ("1.5", 150),
        ("€ 3", 300),
        ("3 €", 300),
    ],
)
def test_money_is_read_in_minor_units(text: str, minor: int) -> None:
    assert parse_money(text) == minor


def test_money_up_to_ten_million_is_accepted_and_no_more() -> None:
    assert parse_money("10000000") == 1_000_000_000
    with pytest.raises(BadInput, match="ten million"):
        parse_money("10000000.01")


@pytest.mark.parametrize(
    "text", ["", "€", "-1", "1.200", "1,200", "1.234,50", "1 200", "1e3", "12 or so", "."]
)
def test_other_amounts_are_refused(text: str) -> None:
    with pytest.raises(BadInput):
        parse_money(text)


def test_a_date_is_year_month_day() -> None:
    assert parse_iso_date(" 2026-03-04 ") == date(2026, 3, 4)
    assert parse_iso_date("2028-02-29") == date(2028, 2, 29)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("03/04/2026", "which number is the month"),
        ("3.4.26", "which number is the month"),
        ("23/04/2026", "not a date as year-month-day"),
        ("2026-3-4", "not a date as year-month-day"),
        ("20260304", "not a date as year-month-day"),
        ("2026-02-30", "not a day of the calendar"),
        ("0206-03-04", "not between"),
        ("2026-03-04T10:00", "not a date as year-month-day"),
        ("", "nothing was written"),
    ],
)
def test_other_dates_are_refused_with_the_form_wanted(text: str, why: str) -> None:
    with pytest.raises(BadInput, match=why) as caught:
        parse_iso_date(text)
    assert caught.value.remedy is not None
    assert "2026-03-04" in caught.value.remedy


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("20", 20),
        ("90 min", 90),
        ("45m", 45),
        ("1h30", 90),
        ("1 h 30 min", 90),
        ("1h05", 65),
        ("2h", 120),
        ("1.5 h", 90),
        ("1,5 hours", 90),
        ("0", 0),
    ],
)
def test_durations_are_read_in_whole_minutes(text: str, minutes: int) -> None:
    assert parse_minutes(text) == minutes


@pytest.mark.parametrize(
    "text", ["", "1:30", "-5", "1.5", "1h75", "1.01 h", "20-30", "60001", "soon", "30 s"]
)
def test_other_durations_are_refused(text: str) -> None:
    with pytest.raises(BadInput):
        parse_minutes(text)
