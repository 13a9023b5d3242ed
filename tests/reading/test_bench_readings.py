"""Short readings as technicians scribble them: what is a value, of what, and what is none. Wordings are our own."""

from __future__ import annotations

import pytest

from kb.reading import read

Said = tuple[str, str, float | None, float | None, float | None]


def readings(text: str) -> list[Said]:
    return [
        (one.rail or f"@{one.point}", one.quantity, one.value, one.min, one.max)
        for one in read(text).readings
    ]


def volts(rail: str, value: float) -> Said:
    return (rail, "dc_v", value, None, None)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("only 3 volts on the five volt line", [volts("5V", 3)]),
        ("nothing on 24, twelve is 12.3", [volts("12V", 12.3)]),
        ("primary cap charged to 326", [volts("bulk", 326)]),
        ("the 12v delivers 9.1 and no more", [volts("12v", 9.1)]),
        ("12 V rail puts out 9.4", [volts("12V", 9.4)]),
        ("5vsb is a bit low at 4.6", [volts("5vsb", 4.6)]),
        ("12.6 on 12, 5.3 on 5", [volts("12V", 12.6), volts("5V", 5.3)]),
        ("12v is there (12.2) but the 24 only makes 19", [volts("12v", 12.2), volts("24V", 19)]),
        ("nominal 19v brick gives 21.7", [volts("19v", 21.7)]),
        ("24v line measures 24.0 cold and 21 hot", [volts("24v", 24.0), volts("24v", 21)]),
        ("12.1 / 5.05 / 3.31, all good", [volts("12V", 12.1), volts("5V", 5.05), volts("3.3V", 3.31)]),
        ("+12V:11.95 -12V:-12.1", [volts("+12V", 11.95), volts("-12V", -12.1)]),
        ("TP3 reads 1.24", [volts("@TP3", 1.24)]),
        ("standby 4.6 rising to 5.0", [("standby", "dc_v", None, 4.6, 5.0)]),
        ("vcc ramps to 17 and drops to 9 about twice a second", [("vcc", "dc_v", None, 9, 17)]),
        ("300mV pk-pk on 3v3 at full load", [("3v3", "ripple_v", 0.3, None, None)]),
        ("ripple on 5V 120 mV p-p", [("5V", "ripple_v", 0.12, None, None)]),
        ("esr 12 ohms on C9", [("@C9", "esr_ohm", 12, None, None)]),
        ("C7 measures 4.1uF, printed 22", [("@C7", "farad", 4.1e-06, None, None)]),
        ("0.52 across D14 one way and 0.52 the other", [("@D14", "diode_v", 0.52, None, None)]),
        # the value before the name of the role, where it was measured, rows of supplies with their values
        ("refit D8. 5.02V stby", [volts("stby", 5.02)]),
        ("5.1 standby, 325 bulk ok", [volts("standby", 5.1)]),
        ("12V at the plug 9.4", [volts("12V", 9.4)]),
        ("24V at those panels 19.5, at the board 24.0", [volts("24V", 19.5), volts("24V", 24.0)]),
        ("12V 12.1 / 5 0 / 3.3 0", [volts("12V", 12.1), volts("5V", 0), volts("3.3V", 0)]),
        ("all there 24.0/12.1/5.02", [volts("24V", 24.0), volts("12V", 12.1), volts("5V", 5.02)]),
        ("42V rail 0.0", [volts("42V", 0)]),
        ("-24 is -15", [volts("-24V", -15)]),
        (
            "ripple on 12V 900mVpp, on 5V 40mV",
            [("12V", "ripple_v", 0.9, None, None), ("5V", "ripple_v", 0.04, None, None)],
        ),
        (
            "ripple on 12V 800mVpp. C41 replaced, 40mV now",
            [("12V", "ripple_v", 0.8, None, None), ("12V", "ripple_v", 0.04, None, None)],
        ),
    ],
)
def test_what_was_measured_is_read(text: str, wanted: list[Said]) -> None:
    found = readings(text)
    assert [one[:2] for one in found] == [one[:2] for one in wanted]
    for got, one in zip(found, wanted, strict=True):
        assert got[2:] == pytest.approx(one[2:])


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("5vsb pin 9 4.87 and steady", [4.87]),
        ("12V reads 12.4 off load, 7.9 with a 2A load on", [12.4, 7.9]),
        ("12V=11.8V@2A", [11.8]),
        ("caps on 12v: 2.1R 1.8R 0.09R", []),
        ("Vbulk 395, Vcc 13.2, gate 4Vpp", [395, 13.2]),
        ("twelve is too many for one board", []),
        ("5.05 / 12.1 after two days", []),
        # bare numbers that are far over the supply's volts, or its name
        ("standby ok, 12.0, 24.1", []),
        ("standby 4.9, 12 and 24 missing", [4.9]),
        ("24V dead, 12 and 5 gone too", []),
        ("20 5 / 12 3 / keys", []),
    ],
)
def test_pins_loads_and_parts_make_no_readings_of_a_supply(text: str, wanted: list[float]) -> None:
    assert [one[2] for one in readings(text)] == wanted
