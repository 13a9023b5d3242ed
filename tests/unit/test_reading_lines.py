"""One typed line becomes one reading, or is refused with the word that was not understood."""

from __future__ import annotations

from decimal import Decimal

import pytest

from kb.errors import BadInput
from kb.facts import vocabulary
from kb.facts.reading_lines import UNIT_OF_QUANTITY
from kb.facts.values import ReadingLine, parse_reading_line

RAILS = ["5V", "5VSB", "+12V", "-12V", "24V", "3.3V", "VLED 1", "VCC"]


def reading(
    text: str,
    *,
    rail: str | None = None,
    point: str | None = None,
    quantity: str = "dc_v",
    supply: str | None = None,
    load: str | None = None,
    value: str | None = None,
    low: str | None = None,
    high: str | None = None,
    over_range: bool = False,
) -> ReadingLine:
    exact, least, most = (None if number is None else Decimal(number) for number in (value, low, high))
    return ReadingLine(rail, point, quantity, supply, load, exact, least, most, text, over_range)


READ = [
    reading("5VSB 4.7 standby", rail="5VSB", supply="standby", value="4.7"),
    reading("24V 25.85 running test load", rail="24V", supply="running", load="test load", value="25.85"),
    reading("12V 9.4-11.48 running", rail="+12V", supply="running", low="9.4", high="11.48"),
    reading("12V min 0 max 11.5 running", rail="+12V", supply="running", low="0", high="11.5"),
    reading("24V ripple 120mV running", rail="24V", quantity="ripple_v", supply="running", value="0.12"),
    reading("VCC 0 standby", rail="VCC", supply="standby", value="0"),
    reading("5VSB=4V7 standby no load", rail="5VSB", supply="standby", load="none", value="4.7"),
    reading("5V 4,8V on in set", rail="5V", supply="running", load="in the set", value="4.8"),
    reading("c9 esr 4.2", point="C9", quantity="esr_ohm", value="4.2"),
    reading("5 v sb: 4.7, stby", rail="5VSB", supply="standby", value="4.7"),
    reading("5VSB 4.7. Standby; no load.", rail="5VSB", supply="standby", load="none", value="4.7"),
    reading("3V3 3,31 on", rail="3.3V", supply="running", value="3.31"),
    reading("33V 30 on", point="33V", supply="running", value="30"),
    reading("vled-1 45.2V powered loaded", rail="VLED 1", supply="running", load="test load", value="45.2"),
    reading("-12V -11.9 on", rail="-12V", supply="running", value="-11.9"),
    reading(
        "\u221212V \u221212.2 to \u221211.8 on", rail="-12V", supply="running", low="-12.2", high="-11.8"
    ),
    reading("12V 11.48..9.4 run", rail="+12V", supply="running", low="9.4", high="11.48"),
    reading("24V 900-1200mV", rail="24V", low="0.9", high="1.2"),
    reading("24V 24.1 min 23.9 max 24.3", rail="24V", value="24.1", low="23.9", high="24.3"),
    reading("24V 24.2 on off-load", rail="24V", supply="running", load="none", value="24.2"),
    reading("24V 24.2 on load", rail="24V", supply="running", load="test load", value="24.2"),
    reading("24V 24.2 not connected", rail="24V", load="none", value="24.2"),
    reading("24V 120 mV p-p", rail="24V", quantity="ripple_v", value="0.12"),
    reading("T1 230Vac on", point="T1", quantity="ac_v", supply="running", value="230"),
    reading("T1 ac 9.5", point="T1", quantity="ac_v", value="9.5"),
    reading("R15 0.47 ohm off", point="R15", quantity="ohm", supply="unpowered", value="0.47"),
    reading("R15 4k7 ohm cold", point="R15", quantity="ohm", supply="unpowered", value="4700"),
    reading("C3 esr R05", point="C3", quantity="esr_ohm", value="0.05"),
    reading("D5 diode 0.45", point="D5", quantity="diode_v", value="0.45"),
    reading("D5 drop 450mV unplugged", point="D5", quantity="diode_v", supply="unpowered", value="0.45"),
    reading("c 9 470µF", point="C9", quantity="farad", value="470e-6"),
    reading("24V 1.2A", rail="24V", quantity="amp", value="1.2"),
    reading("Q1 gate 65kHz on", point="Q1 gate", quantity="hz", supply="running", value="65000"),
    reading("D5 85°C on", point="D5", quantity="celsius", supply="running", value="85"),
    reading("U1 pin 7 12.1 on", point="U1 pin 7", supply="running", value="12.1"),
    reading("bulk 385 standby", point="bulk", supply="standby", value="385"),
    reading("F1 ohm OL", point="F1", quantity="ohm", over_range=True),
    reading("F1 open unplugged", point="F1", quantity="ohm", supply="unpowered", over_range=True),
]


@pytest.mark.parametrize("expected", READ, ids=lambda line: line.written)
def test_a_line_is_read_as_the_technician_meant_it(expected: ReadingLine) -> None:
    assert parse_reading_line(expected.written, RAILS) == expected


REFUSED = [
    ("", "nothing was written"),
    ("=", "no words"),
    ("5V", "names no value"),
    ("VLED 1 on", "names no value"),
    ("4.7 standby", "rail or test point is missing"),
    ("standby 4.7", "rail or test point is missing"),
    ("5V 4.7 4.8", "two values"),
    ("5V 2 200", "two values"),
    ("5V 4.7 standby running", "both “standby” and “running”"),
    ("5V 4.7 none loaded", "both “none” and “test load”"),
    ("12V ripple esr 0.1", "both “ripple_v” and “esr_ohm”"),
    ("12V rippel 0.1", "“rippel” is not understood"),
    ("C9 ers 4.2", "“ers” is not understood"),
    ("5V 4.7x on", "“4.7x” is not understood"),
    ("12V pulsing", "“pulsing” is not understood"),
    ("12V max 9 min 11", "minimum is above"),
    ("12V min 1 min 2", "given twice"),
    ("12V 13 min 9 max 11", "outside its own"),
    ("5V 4,800 on", "ambiguous"),
    ("24V ripple 120", "would be 120 volts"),
    ("D5 diode 450", "would be 450 volts"),
    ("R15 4k7", "no unit"),
    ("C9 esr 4.2 V", "volts; ohms are wanted"),
    ("F1 OL", "not said what was over-range"),
    ("F1 ohm OL 5", "both a value and over-range"),
    ("5V NaN", "“NaN” is not understood"),
    ("5V 4.7 " + "on " * 50, "longer than 120"),
]


@pytest.mark.parametrize(("text", "why"), REFUSED, ids=[text[:20] for text, _ in REFUSED])
def test_a_line_that_is_not_clear_is_refused_with_its_reason(text: str, why: str) -> None:
    with pytest.raises(BadInput) as caught:
        parse_reading_line(text, RAILS)
    assert why in caught.value.message
    assert caught.value.field == "reading"
    assert caught.value.remedy


def test_a_slip_of_the_keys_is_answered_with_the_likely_word() -> None:
    with pytest.raises(BadInput) as caught:
        parse_reading_line("12V 11.9 runing", RAILS)
    assert caught.value.remedy == "Write “running” if that was meant."


def test_a_pulsing_rail_is_answered_with_how_to_write_both_ends() -> None:
    with pytest.raises(BadInput) as caught:
        parse_reading_line("12V cycling", RAILS)
    assert caught.value.remedy == "Write the lowest and the highest, such as: 12V 9.4-11.48 running."


def test_the_longest_rail_name_wins() -> None:
    assert parse_reading_line("5VSB 4.9", ["5V", "5VSB"]).rail == "5VSB"
    assert parse_reading_line("5V SB 4.9", ["5VSB", "5V"]).rail == "5VSB"
    assert parse_reading_line("5V 4.9", ["5VSB", "5V"]).rail == "5V"


def test_a_negative_rail_is_not_taken_for_the_positive_one() -> None:
    assert parse_reading_line("-12V -12", ["12V"]).point == "-12V"
    assert parse_reading_line("+12V 12", ["-12V"]).point == "+12V"
    assert parse_reading_line("12V -12", ["-12V"]).rail == "-12V"


def test_a_value_is_not_taken_for_part_of_a_rail_name() -> None:
    line = parse_reading_line("VLED 1 2.5", ["VLED 1", "VLED 12.5"])
    assert (line.rail, line.value) == ("VLED 1", Decimal("2.5"))


def test_every_word_a_line_can_give_is_in_the_vocabulary() -> None:
    assert set(UNIT_OF_QUANTITY) == set(vocabulary.values(vocabulary.QUANTITIES))
    supplies = set(vocabulary.values(vocabulary.SUPPLY_STATES))
    loads = set(vocabulary.values(vocabulary.LOADS))
    assert {line.supply for line in READ} == supplies | {None}
    assert {line.load for line in READ} == loads | {None}
