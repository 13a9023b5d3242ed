"""A reading as one line, written so that reading the line again gives the same reading."""

from __future__ import annotations

from decimal import Decimal

from kb.facts.quantities import UNITS
from kb.facts.reading_lines import UNIT_OF_QUANTITY

WORD_OF_QUANTITY = {
    "dc_v": "",
    "ac_v": "ac",
    "ripple_v": "ripple",
    "ohm": "ohm",
    "diode_v": "diode",
    "farad": "",
    "esr_ohm": "esr",
    "amp": "",
    "hz": "",
    "celsius": "",
}


def _plain(value: float) -> str:
    # Shortest decimal that is this float again, never in powers of ten, which nobody types.
    return format(Decimal(repr(value)), "f").removesuffix(".0")


def spoken_reading(
    where: str,
    quantity: str,
    supply: str,
    load: str,
    value: float | None,
    least: float | None,
    most: float | None,
) -> str:
    """The line for a reading in SI base units, such as "5VSB 4.7V standby"."""
    sign = UNITS[UNIT_OF_QUANTITY[quantity]].symbol
    parts = [where, WORD_OF_QUANTITY[quantity]]
    if value is not None:
        parts.append(_plain(value) + sign)
    if least is not None:
        parts.append(f"min {_plain(least)}{sign}")
    if most is not None:
        parts.append(f"max {_plain(most)}{sign}")
    parts += [supply, "" if load == "none" else load]
    return " ".join(part for part in parts if part)
