"""What the pins of a connector measure to ground on an unplugged board, a line a pin.

    CN2 4: 4.7 kΩ / 5.1 kΩ, 0.45 V / OL

The resistance with the red probe on the pin and the black one on ground, then the other way round; after it the diode
drop in the same order. What was not measured is left out or a dash; `OL` where the meter shows no reading.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from kb.errors import BadInput
from kb.facts.quantities import OVER_RANGE, MeterState, format_quantity, parse_reading

FIELDS = ("ohm_red", "ohm_black", "diode_v_red", "diode_v_black")
MOST_PINS = 1_000
_HIGHEST_DROP_V = 10.0
_REMEDY = "Write connector and pin, resistance red / black, drop red / black: CN2 4: 4.7k / 5.1k, 0.45 / OL."
_SPLIT = re.compile(r",\s+|;|\t")
_NOTHING = frozenset({"", "-", "–", "—"})


@dataclass(frozen=True, slots=True)
class PinLine:
    """One pin as typed: values in ohms and volts by the names of `FIELDS`, and which of them showed no reading."""

    connector: str
    pin: int
    values: dict[str, float] = field(default_factory=dict)
    open: tuple[str, ...] = ()


def parse_pin_line(text: str) -> PinLine:
    """One line. Raises BadInput naming what cannot be read."""
    shown = text.strip()[:60]
    connector, number, rest = _head(text)
    if not connector or not (number.isascii() and number.isdigit() and len(number) <= 3):
        raise BadInput(f"“{shown}” does not begin with a connector and a pin.", field="pins", remedy=_REMEDY)
    pin = int(number)
    groups = [group.strip() for group in _SPLIT.split(rest)] if rest else []
    if not 1 <= pin <= 500:
        raise BadInput(f"“{shown}”: a pin is a number from 1 to 500.", field="pins", remedy=_REMEDY)
    if not groups or len(groups) > 2:
        why = "has no value" if not groups else "has more than resistance and drop"
        raise BadInput(f"“{shown}” {why}.", field="pins", remedy=_REMEDY)
    values: dict[str, float] = {}
    open_: list[str] = []
    for group, names, unit in zip(groups, (FIELDS[:2], FIELDS[2:]), ("ohm", "V"), strict=False):
        sides = [side.strip() for side in group.split("/")]
        if len(sides) > 2:
            raise BadInput(f"“{shown}”: red and black are two values.", field="pins", remedy=_REMEDY)
        for name, side in zip(names, sides, strict=False):
            if side in _NOTHING:
                continue
            value = parse_reading(side, unit, field="pins")
            if value is OVER_RANGE or isinstance(value, MeterState):
                open_.append(name)
            else:
                values[name] = _believable(float(value), unit, side)
    if not values and not open_:
        raise BadInput(f"“{shown}” has no value.", field="pins", remedy=_REMEDY)
    return PinLine(connector, pin, values, tuple(open_))


def _head(text: str) -> tuple[str, str, str]:
    """(connector, pin, what follows) of a line; the first two empty where it does not begin with them."""
    head, colon, rest = text.partition(":")
    words = head.split() if colon else text.split(maxsplit=3)
    if words and "." in words[0] and (len(words) == 1 or not colon):
        connector, _, pin = words[0].rpartition(".")
        return connector, pin, rest if colon else text.split(maxsplit=1)[1] if len(words) > 1 else ""
    if colon:
        connector = " ".join(word for word in words[:-1] if word.casefold() != "pin")
        return connector, words[-1] if words else "", rest
    at = 2 if len(words) > 2 and words[1].casefold() == "pin" else 1
    parts = text.split(maxsplit=at + 1)
    return (
        parts[0] if parts else "",
        parts[at] if len(parts) > at else "",
        parts[at + 1] if len(parts) > at + 1 else "",
    )


def _believable(value: float, unit: str, typed: str) -> float:
    if value < 0:
        raise BadInput(
            f"“{typed}” is below 0.", field="pins", remedy="Leave the sign out: red and black say it."
        )
    if unit == "V" and value > _HIGHEST_DROP_V:
        raise BadInput(
            f"“{typed}” is no diode drop in volts.",
            field="pins",
            remedy="Type volts, such as 0.45, or millivolts with their unit, such as 450 mV.",
        )
    return value


def parse_pin_lines(text: str) -> list[PinLine]:
    """All lines that are not blank. Raises BadInput with the number of the line, also for a pin that stands twice."""
    found: list[PinLine] = []
    seen: dict[tuple[str, int], int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        if len(found) >= MOST_PINS:
            raise BadInput(f"There are more than {MOST_PINS:,} pins.", field="pins", remedy="Leave some out.")
        try:
            one = parse_pin_line(line)
        except BadInput as error:
            raise BadInput(f"Line {number}: {error.message}", field="pins", remedy=error.remedy) from error
        before = seen.setdefault((one.connector.casefold(), one.pin), number)
        if before != number:
            raise BadInput(
                f"Line {number}: pin {one.pin} of {one.connector} stands in line {before} already.",
                field="pins",
                remedy="Keep one of the two.",
            )
        found.append(one)
    return found


def pin_line(connector: str, pin: int, values: dict[str, float | None], open_: tuple[str, ...]) -> str:
    """The line of a pin, which reads back as the same values to six figures."""

    def shown(name: str, unit: str) -> str:
        if name in open_:
            return "OL"
        value = values.get(name)
        return "-" if value is None else format_quantity(value, unit, 6 if unit == "ohm" else 4)

    groups = [
        f"{shown(red, unit)} / {shown(black, unit)}"
        for (red, black), unit in ((FIELDS[:2], "ohm"), (FIELDS[2:], "V"))
    ]
    if groups[1] == "- / -":
        groups = groups[:1]
    return f"{connector} {pin}: {', '.join(groups)}"
