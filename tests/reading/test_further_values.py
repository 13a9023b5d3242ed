"""Values behind the first one of a supply, and what symptoms are said of. Wordings are our own."""

from __future__ import annotations

import pytest
from judge import STANDARD

from kb.reading import read

Said = tuple[str, float | None, float | None, float | None]


def readings(text: str) -> list[Said]:
    return [
        (one.rail or f"@{one.point}", one.value, one.min, one.max) for one in read(text, STANDARD).readings
    ]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("5VSB 4.9 and slides to 4.1 within a minute", [("5VSB", 4.9, 4.1, None)]),
        ("standby 5.1 but tumbles to 3 with ps_on", [("5VSB", 5.1, 3.0, None)]),
        ("12V holds 12.0 for a second and decays to 0", [("12V", 12.0, 0.0, None)]),
        ("24V starts at 23 then creeps down to 9", [("24V", 23.0, 9.0, None)]),
        ("5VSB 4.2 climbing to 5.0 as it warms", [("5VSB", None, 4.2, 5.0)]),
        ("12 V falls from 12.1 to 8 as soon as the lamp is on", [("12V", 12.1, 8.0, None)]),
    ],
)
def test_where_a_supply_goes_to_is_an_end_of_its_reading_whatever_the_verb(
    text: str, wanted: list[Said]
) -> None:
    assert readings(text) == wanted


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("5VSB 5.0, ps-on pulls to 0 ok", [("5VSB", 5.0, None, None)]),
        (
            "24V 23.8 on its own and 19 with the backlight connected",
            [("24V", 23.8, None, None), ("24V", 19.0, None, None)],
        ),
        ("12V nil, 24V zero", [("12V", 0.0, None, None), ("24V", 0.0, None, None)]),
    ],
)
def test_another_line_is_no_end_another_condition_a_reading_and_nil_no_volts(
    text: str, wanted: list[Said]
) -> None:
    assert readings(text) == wanted


def test_ohms_of_a_capacitor_are_its_series_resistance_unless_it_is_shorted() -> None:
    found = read("C21 1.9 ohm, C22 0.05").readings
    assert [(one.point, one.quantity) for one in found] == [("C21", "esr_ohm"), ("C22", "esr_ohm")]
    (shorted,) = read("C30 0.3 ohm, shorted").readings
    assert shorted.quantity == "ohm"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("vcc 16.2 steady, no gate pulses", "hiccup"),
        ("12V rail pulls 2.1 A with the display off", "no picture"),
        ("Display unit. The supercap 0.1F dead", "dead"),
        ("Big bang last night from the cupboard, lights out", "no standby light"),
        ("fan screams. thermistor of the fan control open. 10k fitted", "inrush limiter open"),
        ("the driver chip is warm, supply fine", "part too hot to touch"),
    ],
)
def test_words_that_are_said_of_something_else_are_no_symptom(text: str, name: str) -> None:
    assert name not in [one.name for one in read(text, STANDARD).symptoms]


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Display unit. It is dead", "dead"),
        ("NTC open circuit, fuse ok", "inrush limiter open"),
        ("set is off, the led flashes", "standby light blinks"),
        ("24 V rail shorted to ground", "output rail shorted to ground"),
    ],
)
def test_the_same_words_said_of_the_device_are(text: str, name: str) -> None:
    assert name in [one.name for one in read(text, STANDARD).symptoms]


def test_a_part_named_again_in_a_list_of_what_was_fitted_is_one_attempt() -> None:
    found = read("Q1 d-s short, R9 open, U1 changed with them. F1, Q1, R9, U1.").attempts
    assert [one.part for one in found] == ["Q1", "R9", "U1", "F1"]


def test_numbers_in_a_row_behind_a_good_value_are_those_of_the_supplies_they_are_near() -> None:
    assert readings("ran 8 h, 5VSB 5.08, 12.0, 23.9") == [
        ("5VSB", 5.08, None, None),
        ("12V", 12.0, None, None),
        ("24V", 23.9, None, None),
    ]
    # Near its own volts it is another value of the same one; behind a bad one it is not known whose it is.
    assert [one[0] for one in readings("5VSB 5.08, 5.02")] == ["5VSB", "5VSB"]
    assert "12V" not in [one[0] for one in readings("5VSB 3.1, 12.0")]


def test_a_code_behind_what_flashes_is_no_fuse() -> None:
    found = read("blanket control flashes F1 and goes off", STANDARD)
    assert "error code shown" in [one.name for one in found.symptoms]
    assert not found.attempts
    # A fuse of that name that is blown is one.
    assert [one.part for one in read("F1 blown, lamp flashes", STANDARD).attempts] == ["F1"]


def test_a_click_that_is_missing_is_not_heard() -> None:
    said = [(one.name, one.present) for one in read("one of the relays makes no click", STANDARD).symptoms]
    assert said == [("relay does not click", True)]
