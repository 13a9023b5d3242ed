"""All that this program ever sends to an instrument: questions, each with what its answer means.

Nothing here switches an output or an input, or changes what somebody has set. A question for a measured value may set
a meter to that quantity and to automatic range (MEASure does so by itself), and that is all it can do.

The names are those of SCPI-1999's MEASure, SENSe, SOURce, OUTPut and SYSTem subsystems, from memory; capacitance,
diode and temperature are common practice on bench meters.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

Kind = Literal["meter", "supply", "load"]
Way = Literal["measure", "as set"]

WHO: Final = "*IDN?"
WHAT_WENT_WRONG: Final = "SYST:ERR?"
WHAT_IS_SET: Final = "FUNC?"
AS_IT_IS_SET: Final = "READ?"

KINDS: Mapping[Kind, str] = MappingProxyType(
    {"meter": "bench meter", "supply": "bench supply", "load": "electronic load"}
)
WAYS: Mapping[Way, str] = MappingProxyType(
    {
        "measure": "ask for the quantity; the meter sets itself to it, with automatic range",
        "as set": "leave the meter as it is set at its front, and refuse where that is another quantity",
    }
)

# Direct current is what boards are tested with: A means A DC here.
_MEASURED: Mapping[Kind, Mapping[str, str]] = MappingProxyType(
    {
        "meter": {
            "dc_v": "MEAS:VOLT:DC?",
            "ac_v": "MEAS:VOLT:AC?",
            "amp": "MEAS:CURR:DC?",
            "ohm": "MEAS:RES?",
            "diode_v": "MEAS:DIOD?",
            "farad": "MEAS:CAP?",
            "hz": "MEAS:FREQ?",
            "celsius": "MEAS:TEMP?",
        },
        "supply": {"dc_v": "MEAS:VOLT?", "amp": "MEAS:CURR?"},
        "load": {"dc_v": "MEAS:VOLT?", "amp": "MEAS:CURR?"},
    }
)
# What a meter says to FUNC?, in its short and long form, without what follows for the range.
_SET: Mapping[str, str] = MappingProxyType(
    {
        "VOLT": "dc_v", "VOLTAGE": "dc_v", "VOLT:DC": "dc_v", "VOLTAGE:DC": "dc_v",
        "VOLT:AC": "ac_v", "VOLTAGE:AC": "ac_v",
        "CURR": "amp", "CURRENT": "amp", "CURR:DC": "amp", "CURRENT:DC": "amp",
        "RES": "ohm", "RESISTANCE": "ohm", "FRES": "ohm", "FRESISTANCE": "ohm",
        "CAP": "farad", "CAPACITANCE": "farad", "FREQ": "hz", "FREQUENCY": "hz",
        "DIOD": "diode_v", "DIODE": "diode_v", "TEMP": "celsius", "TEMPERATURE": "celsius",
    }
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Setting:
    """Something that somebody has set at a supply or load and that is shown; `unit` "" for words and switches."""

    label: str
    question: str
    unit: str = ""
    is_switch: bool = False


SETTINGS: Mapping[Kind, tuple[Setting, ...]] = MappingProxyType(
    {
        "meter": (),
        "supply": (
            Setting("set to", "VOLT?", "V"),
            Setting("current limit", "CURR?", "A"),
            Setting("output", "OUTP?", is_switch=True),
        ),
        "load": (
            Setting("mode", "FUNC?"),
            Setting("set to", "CURR?", "A"),
            Setting("input", "INP?", is_switch=True),
        ),
    }
)

ALL: Final = frozenset(
    {WHO, WHAT_WENT_WRONG, WHAT_IS_SET, AS_IT_IS_SET}
    | {text for asked in _MEASURED.values() for text in asked.values()}
    | {setting.question for settings in SETTINGS.values() for setting in settings}
)


def quantities(kind: Kind) -> tuple[str, ...]:
    """What an instrument of a kind can be asked for."""
    return tuple(_MEASURED[kind])


def question(kind: Kind, quantity: str) -> str | None:
    """What to send for a measured value; None where such an instrument does not measure it."""
    return _MEASURED[kind].get(quantity)


def quantity_set(function: str) -> str | None:
    """The quantity that a meter says it is set to; None where it is none of ours (alternating current)."""
    return _SET.get(function.upper().split(" ")[0].split(",")[0])


def refuse_any_other(text: str) -> None:
    """The last look before anything leaves: raises RuntimeError for what is not one of our questions."""
    if text not in ALL:
        raise RuntimeError("only the questions of kb/instruments/queries.py are ever sent to an instrument")
