"""What the pins of a board measure to ground: typed a line a pin, kept with the family or a case, and compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kb.facts.designators import code_key
from kb.facts.pin_lines import FIELDS, parse_pin_lines, pin_line
from kb.facts.quantities import format_quantity
from kb.model import FamilyRecord, PinValue, as_dict
from kb.service.boards import notes
from kb.service.shop.shop import Shop

__all__ = ["OpenPin", "blank_lines", "lines_of", "open_pins", "read", "save_family"]

_SPOKEN = {
    "ohm_red": "resistance, red on the pin",
    "ohm_black": "resistance, black on the pin",
    "diode_v_red": "diode drop, red on the pin",
    "diode_v_black": "diode drop, black on the pin",
}
_UNITS = {"ohm_red": "ohm", "ohm_black": "ohm", "diode_v_red": "V", "diode_v_black": "V"}


@dataclass(frozen=True, slots=True)
class OpenPin:
    """A pin at which only one of two boards showed a reading; `reading` what the other one showed."""

    where: str
    what: str
    good_is_open: bool
    reading: str


def lines_of(pins: Sequence[PinValue]) -> str:
    """The pins as they are typed, a line each."""
    return "\n".join(
        pin_line(one.connector, one.pin, {name: getattr(one, name) for name in FIELDS}, tuple(one.open))
        for one in pins
    )


def blank_lines(family: FamilyRecord) -> str:
    """The beginning of a line for each pin that the known good board has, or that the family's connectors have."""
    if family.pin_values:
        return "\n".join(f"{one.connector} {one.pin}: " for one in family.pin_values)
    return "\n".join(f"{one.name} {pin}: " for one in family.connectors for pin in range(1, one.pins + 1))


def read(text: str) -> list[PinValue]:
    """The pins that were typed; lines without a value are passed over. Raises BadInput with the line's number."""
    filled = "\n".join("" if line.strip().endswith(":") else line for line in text.splitlines())
    return [
        PinValue.model_validate(
            {"connector": one.connector, "pin": one.pin, **one.values, "open": list(one.open)}
        )
        for one in parse_pin_lines(filled)
    ]


def save_family(shop: Shop, code: str, text: str, *, expected_version: int) -> str:
    """Keeps what the pins of a known good board measure. Raises BadInput, and what `notes.change` raises."""
    pins = [as_dict(one) for one in read(text)]
    return notes.change(shop, code, lambda _: {"pin_values": pins}, expected_version=expected_version)


def open_pins(family: FamilyRecord, pins: Sequence[PinValue]) -> list[OpenPin]:
    """Where the known good board showed a reading and this one none, or the other way round."""
    good = {(code_key(one.connector), one.pin): one for one in family.pin_values}
    found = []
    for one in pins:
        other = good.get((code_key(one.connector), one.pin))
        for name in FIELDS if other else ():
            mine, theirs = getattr(one, name), getattr(other, name)
            where, unit = f"{one.connector} pin {one.pin}", _UNITS[name]
            if name in one.open and theirs is not None:
                found.append(OpenPin(where, _SPOKEN[name], False, format_quantity(theirs, unit)))
            elif other and name in other.open and mine is not None:
                found.append(OpenPin(where, _SPOKEN[name], True, format_quantity(mine, unit)))
    return found
