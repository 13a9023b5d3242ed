"""Names of supplies mean the same on every board where no family says otherwise.

The meanings are common practice, no published source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kb.facts.rail_names import ObviousRail, obvious_rail
from kb.facts.vocabulary import RAIL_ROLES, values

STANDBY = (
    "5VSB",
    "5V_STB",
    "+5VSTB",
    "5 V standby",
    "STB5V",
    "5Vstby",
    "5V-SB",
    "standby 5V",
    "5.0VSB",
    "5VS",
    "5V0SB",
)


@pytest.mark.parametrize("name", STANDBY)
def test_every_spelling_of_the_five_volt_standby_is_one_rail(name: str) -> None:
    assert obvious_rail(name) == ObviousRail("standby", 5.0, True)


@pytest.mark.parametrize(
    ("name", "role", "nominal_v"),
    [
        ("standby", "standby", None),
        ("STBY rail", "standby", None),
        ("VSB", "standby", None),
        ("3V3SB", "standby", 3.3),
        ("12V", "intermediate", 12.0),
        ("+12 V", "intermediate", 12.0),
        ("12V main", "intermediate", 12.0),
        ("-12V", "intermediate", -12.0),
        ("12V audio", "audio", 12.0),
        ("+24V", "backlight", 24.0),
        ("24 volts", "backlight", 24.0),
        ("VLED", "backlight", None),
        ("backlight supply", "backlight", None),
        ("3V3", "logic", 3.3),
        ("3,3 V", "logic", 3.3),
        ("V3.3", "logic", 3.3),
        ("5V", "logic", 5.0),
        ("1V8", "logic", 1.8),
        ("BULK", "bulk", None),
        ("bulk voltage", "bulk", None),
        ("B+", "bulk", None),
        ("385V", "bulk", 385.0),
        ("VCC", "controller supply", None),
        ("vcc rail", "controller supply", None),
        ("controller supply", "controller supply", None),
        ("48V", "other", 48.0),
    ],
)
def test_a_usual_name_has_its_role_and_volts(name: str, role: str, nominal_v: float | None) -> None:
    assert obvious_rail(name) == ObviousRail(role, nominal_v, role == "standby")


@pytest.mark.parametrize(
    "name",
    [
        "",
        "12",
        "C9",
        "TP3",
        "pin 4",
        "fuse",
        "0V",
        "V",
        "12V kaputt",
        "rail",
        "s",
        "amp",
        "x" * 41,
        "10W",
        "5V9V",
    ],
)
def test_what_is_no_usual_name_means_nothing(name: str) -> None:
    assert obvious_rail(name) is None


@given(st.text(max_size=60))
def test_any_text_gives_a_known_role_or_nothing(name: str) -> None:
    found = obvious_rail(name)
    assert found is None or (found.role in values(RAIL_ROLES) and found.nominal_v != 0)
