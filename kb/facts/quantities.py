"""Quantities as people type them (`4V7`, `4,7 V`, `120 mVpp`, `2n2`) to exact SI values, and back.

General unit libraries read some of these silently wrong, so the grammar here is narrow, and what could
mean two things is refused. Letter-and-digit marking (`4k7`, `R47`) follows IEC 60062. Decimal point and
decimal comma are both accepted; grouping of thousands is not.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Context, Decimal
from enum import Enum
from typing import Final, Literal, NoReturn

from kb.errors import BadInput
from kb.facts.typed_text import clean, refuse

LARGEST = Decimal("1e12")
SMALLEST = Decimal("1e-18")

# Wide enough that no typed number of 40 characters is ever rounded.
_EXACT = Context(prec=120)
_MAX_WRITTEN_EXPONENT = 60
_PREFIXES: dict[str, int] = {
    "p": -12, "P": -12, "n": -9, "N": -9, "u": -6, "U": -6, "μ": -6, "m": -3,
    "k": 3, "K": 3, "M": 6, "G": 9,
}  # fmt: skip
_SHOWN_PREFIX = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}


class OverRange(BadInput):
    """The text is what a meter shows when the value is beyond its range."""


class MeterState(Enum):
    """What a meter can show instead of a number."""

    OVER_RANGE = "OL"


OVER_RANGE: Final = MeterState.OVER_RANGE


@dataclass(frozen=True, slots=True)
class UnitSpec:
    """How one unit is written: names and prefixes read, letters used as decimal mark, prefixes shown."""

    symbol: str
    plural: str
    names: tuple[str, ...]
    prefixes: str = ""
    letters: tuple[tuple[str, int], ...] = ()
    shown: tuple[int, ...] = (0,)
    keeps_zeros: bool = False
    may_be_negative: bool = True
    example: str = ""


UNITS: dict[str, UnitSpec] = {
    "V": UnitSpec("V", "volts", ("v", "volt", "volts"), "nuUμmkK", (("V", 0), ("v", 0)), (-6, -3, 0, 3), True,
                  example="4.7V or 120mV"),
    "A": UnitSpec("A", "amperes", ("a", "amp", "amps", "ampere", "amperes"), "nuUμmkK", (("A", 0), ("a", 0)),
                  (-6, -3, 0), True, example="1.5A or 120mA"),
    "ohm": UnitSpec("Ω", "ohms", ("ω", "ohm", "ohms", "r"), "uUμmkKMG",
                    (("R", 0), ("r", 0), ("Ω", 0), ("L", -3)), (-3, 0, 3, 6, 9), example="4k7, 4700 or 0R47"),
    "F": UnitSpec("F", "farads", ("f", "farad", "farads"), "pPnNuUμm", (("F", 0),), (-12, -9, -6, 0),
                  may_be_negative=False, example="470µF, 100n or 2n2"),
    "Hz": UnitSpec("Hz", "hertz", ("hz", "hertz"), "kKMG", (), (0, 3, 6, 9),
                   may_be_negative=False, example="50 or 65kHz"),
    "W": UnitSpec("W", "watts", ("w", "watt", "watts"), "nuUμmkK", (("W", 0),), (-6, -3, 0, 3), True,
                  example="21W or 250mW"),
    "s": UnitSpec("s", "seconds", ("s", "sec", "secs", "second", "seconds"), "nuUμm", (), (-6, -3, 0),
                  may_be_negative=False, example="5s or 20ms"),
    "degC": UnitSpec("°C", "degrees Celsius",
                     ("°c", "° c", "c", "°", "degc", "deg c", "degrees c", "celsius"), example="85 or 85 °C"),
    "%": UnitSpec("%", "per cent", ("%", "percent", "per cent", "pct"), example="5 or 5%"),
    "H": UnitSpec("H", "henries", ("h", "henry", "henries"), "nuUμm", (("H", 0),), (-9, -6, -3, 0),
                  may_be_negative=False, example="10µH or 2m2"),
}  # fmt: skip

# Letters that stand behind a marked value for its tolerance (IEC 60062, from memory).
_TOLERANCE_LETTERS = tuple("BCDFGHJKMN")

_QUALIFIER = re.compile(r"(?<!\s)\s*(pp|p-p|p/p|pk-pk|pkpk|ptp|peak[- ]to[- ]peak|rms|dc|ac)$", re.IGNORECASE)
_MARKING = re.compile(r"([0-9]*)([A-Za-zμΩ])([0-9]+)(?![0-9.,]) ?(.*)")
_PLAIN = re.compile(r"([0-9.,]++)(?:([eE])([+-]?[0-9]++))? ?+(.*)")
_DECIMAL = re.compile(r"(?:[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)")
_METER_OVER_RANGE = re.compile(
    r"[+-]?\s?(?:\.?[O0]\.?L\.?|OVLD|OVER[- ]?LOAD|OVER[- ]?RANGE)"
    r"(?:\s?[numkMGμ]?(?:V|A|Ω|OHMS?|F|HZ|H))?",
    re.IGNORECASE,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Written:
    """A typed quantity taken apart, not yet tied to a unit.

    `letter` is the letter that stood for the decimal mark, or empty; `suffix` is what followed the digits;
    `capital_e` tells of whole digits around a capital E, which resistors also carry as a mark.
    """

    text: str
    number: Decimal
    letter: str
    suffix: str
    capital_e: bool = False


@dataclass(frozen=True, slots=True)
class _Scale:
    exponent: int
    names_unit: bool
    prefix: str


def parse_quantity(text: str, unit: str, *, field: str = "value") -> Decimal:
    """The value in the SI base unit, exactly, of what a person typed.

    `unit` is a key of `UNITS`. A bare number is in the base unit; a bare number of 10 or more farads is
    refused, because microfarads were meant. Raises OverRange for a meter's over-range sign and BadInput
    for anything that is not one clear number in that unit between 1e-18 and 1e12 (or zero).
    """
    spec = UNITS[unit]
    cleaned = clean(text, field, remedy=_remedy(spec))
    if _METER_OVER_RANGE.fullmatch(cleaned):
        refuse(
            text, field, "is over-range, not a number", "Choose a higher range on the meter.", error=OverRange
        )
    return resolve(dissect(cleaned, field, _remedy(spec)), unit, field=field)


def is_quantity(text: str, unit: str) -> bool:
    """Whether `parse_quantity` reads a text in that unit."""
    try:
        parse_quantity(text, unit)
    except BadInput:
        return False
    return True


def parse_reading(
    text: str, unit: str, *, field: str = "reading"
) -> Decimal | Literal[MeterState.OVER_RANGE]:
    """As `parse_quantity`, but a meter's `OL` gives OVER_RANGE instead of an error."""
    try:
        return parse_quantity(text, unit, field=field)
    except OverRange:
        return OVER_RANGE


def dissect(cleaned: str, field: str, remedy: str) -> Written:
    """Take one cleaned quantity apart. Raises BadInput when it does not hold exactly one number."""
    sign = -1 if cleaned.startswith("-") else 1
    body = cleaned[1:].lstrip() if cleaned[:1] in "+-" else cleaned
    marked = _MARKING.fullmatch(body)
    if marked and not (marked[2] in "eE" and marked[1]):
        number = Decimal(f"{marked[1] or '0'}.{marked[3]}")
        return Written(cleaned, number.copy_negate() if sign < 0 else number, marked[2], marked[4])
    plain = _PLAIN.fullmatch(body)
    if plain is None:
        refuse(cleaned, field, "is not a number", remedy)
    digits, exponent_mark, exponent, suffix = plain.groups()
    number = _decimal(digits, cleaned, field)
    if re.match(r"['’]?[+-]? ?[.,]?[0-9]", suffix):
        refuse(cleaned, field, "holds two numbers", "Write one number, without spaces between its digits.")
    capital_e = False
    if exponent_mark:
        if abs(int(exponent)) > _MAX_WRITTEN_EXPONENT:
            refuse(cleaned, field, "is far outside what can be measured", remedy)
        number = _EXACT.scaleb(number, int(exponent))
        capital_e = exponent_mark == "E" and digits.isdigit() and exponent.isdigit()
    return Written(cleaned, number.copy_negate() if sign < 0 else number, "", suffix, capital_e)


def resolve(written: Written, unit: str, *, field: str) -> Decimal:
    """The SI value of a taken-apart quantity in `unit`. Raises BadInput when the unit does not fit."""
    spec = UNITS[unit]
    if written.capital_e and unit == "ohm":
        refuse(
            written.text, field, "could be a marking or a power of ten", "Write 4R7, or 4e7 with a small e."
        )
    if unit == "F" and written.suffix == "mf":
        refuse(written.text, field, "may mean micro or milli", "Write µF or uF for microfarads.")
    scale = _marked_scale(written, unit) if written.letter else _suffix_scale(written.suffix, unit)
    if scale is None:
        _refuse_unit(written, unit, field)
    if unit == "s" and scale.prefix == "m" and not scale.names_unit:
        refuse(
            written.text, field, "could be minutes or milliseconds", "Write ms, or the seconds as a number."
        )
    value = _EXACT.scaleb(written.number, scale.exponent)
    if value and not SMALLEST <= abs(value) <= LARGEST:
        refuse(written.text, field, "is far outside what can be measured", _remedy(spec))
    if value < 0 and not spec.may_be_negative:
        refuse(written.text, field, "is negative", f"Write a positive number of {spec.plural}.")
    bare = not (written.letter or written.suffix)
    if unit == "F" and bare and value >= 10:
        refuse(written.text, field, "has no unit and would be farads", "Write the unit, such as 470µF.")
    if not value:
        return Decimal(0)
    return _EXACT.quantize(value, Decimal(1)) if value == value.to_integral_value() else value


def units_named(written: Written) -> tuple[str, ...]:
    """The units whose name or letter the text carries, in the order of `UNITS`; empty for a bare number."""
    if written.letter:
        found = [
            unit
            for unit, spec in UNITS.items()
            if any(letter == written.letter for letter, _ in spec.letters)
            or ((scale := _marked_scale(written, unit)) is not None and scale.names_unit)
        ]
        return tuple(found)
    return tuple(
        unit
        for unit in UNITS
        if (scale := _suffix_scale(written.suffix, unit)) is not None and scale.names_unit
    )


def format_quantity(value: Decimal | float, unit: str, digits: int = 3) -> str:
    """`value` (SI base unit) rounded to `digits` figures with a fitting prefix: "4.70 V", "2.2 kΩ".

    Volts, amperes and watts keep trailing zeros, because they are measured; other units drop them, as
    parts are marked. Capacitance is shown in µF up to 0.1 F, as is common practice. What is shown reads
    back with `parse_quantity` as the rounded value. Raises ValueError for a value that is not finite or
    `digits` outside 1 to 15.
    """
    if not 1 <= digits <= 15:
        raise ValueError("digits must be 1 to 15")
    spec = UNITS[unit]
    exact = _finite(value)
    if not exact:
        return f"0 {spec.symbol}"
    rounded = Context(prec=digits, rounding=ROUND_HALF_UP).plus(exact)
    top = rounded.adjusted()
    reach = top + 1 if unit == "F" and top == -1 else top
    fitting = [power for power in spec.shown if power <= reach]
    power = fitting[-1] if fitting else spec.shown[0]
    if spec.keeps_zeros:
        rounded = _EXACT.quantize(rounded, Decimal((0, (1,), top - digits + 1)))
    else:
        rounded = rounded.normalize(_EXACT)
    return f"{_EXACT.scaleb(rounded, -power):f} {_SHOWN_PREFIX[power]}{spec.symbol}"


def format_si_plain(value: Decimal | float) -> str:
    """`value` without prefix, exponent, grouping or trailing zeros, as files and form fields hold it.

    Raises ValueError for a value that is not finite.
    """
    exact = _finite(value)
    return f"{exact.normalize(_EXACT):f}" if exact else "0"


def _remedy(spec: UnitSpec) -> str:
    return f"Write one number of {spec.plural}, such as {spec.example}."


def _fits(written: Written, end: int, unit: str) -> bool:
    """Whether it would be a value in `unit` with no more of what follows the digits than up to `end`."""
    shorter = replace(written, suffix=written.suffix[:end].rstrip())
    if not (shorter.letter or shorter.suffix):
        return False
    return (
        _marked_scale(shorter, unit) if shorter.letter else _suffix_scale(shorter.suffix, unit)
    ) is not None


def _finite(value: Decimal | float) -> Decimal:
    exact = value if isinstance(value, Decimal) else Decimal(str(value))
    if not exact.is_finite():
        raise ValueError("only finite values can be shown")
    return exact


def _decimal(digits: str, text: str, field: str) -> Decimal:
    if _DECIMAL.fullmatch(digits) is None:
        refuse(text, field, "is not one plain number", "Write no thousands separators and one decimal mark.")
    whole, comma, fraction = digits.partition(",")
    # 0,470 can only be a decimal comma; 4,700 may be four thousand seven hundred.
    if comma and len(fraction) == 3 and whole.strip("0"):
        refuse(
            text,
            field,
            "is ambiguous: the comma may group thousands or mark decimals",
            f"Write {whole}{fraction} or {whole}.{fraction}.",
        )
    return Decimal(digits.replace(",", "."))


def _suffix_scale(suffix: str, unit: str) -> _Scale | None:
    """Power of ten of what follows the digits, or None when it is not this unit."""
    spec = UNITS[unit]
    rest = _QUALIFIER.sub("", suffix) if unit in ("V", "A") else suffix
    if rest.casefold() in spec.names:
        return _Scale(0, True, "")
    if not rest:
        return _Scale(0, bool(suffix) and unit == "V", "")
    if rest.casefold().startswith("meg") and "M" in spec.prefixes:
        return _named_or_bare(rest[3:], spec, 6, "M")
    if rest[0] in spec.prefixes:
        return _named_or_bare(rest[1:], spec, _PREFIXES[rest[0]], rest[0])
    return None


def _named_or_bare(name: str, spec: UnitSpec, exponent: int, prefix: str) -> _Scale | None:
    name = name.strip().casefold()
    if name and name not in spec.names:
        return None
    return _Scale(exponent, bool(name), prefix)


def _marked_scale(written: Written, unit: str) -> _Scale | None:
    """Power of ten of a letter used as decimal mark (IEC 60062), or None when it is not this unit."""
    spec = UNITS[unit]
    # In seconds the m of 5m6 may be minutes.
    allowed = "" if unit == "s" else spec.prefixes
    own = dict(spec.letters)
    tail = _QUALIFIER.sub("", written.suffix) if unit in ("V", "A") else written.suffix
    if tail and tail.casefold() not in spec.names:
        return None
    if written.letter in own:
        leads = re.match(r"[+-]? ?[A-Za-zμΩ]", written.text) is not None
        if leads and unit != "ohm":
            return None
        return _Scale(own[written.letter], True, "")
    if written.letter in allowed:
        return _Scale(_PREFIXES[written.letter], bool(tail), written.letter)
    return None


def _refuse_unit(written: Written, unit: str, field: str) -> NoReturn:
    spec = UNITS[unit]
    if unit in ("ohm", "F") and written.suffix[-1:] in _TOLERANCE_LETTERS and _fits(written, -1, unit):
        refuse(
            written.text,
            field,
            f"ends in {written.suffix[-1]}, a tolerance letter, which is no part of the value",
            f"Write {written.text[:-1].rstrip()}.",
        )
    for other, other_spec in UNITS.items():
        if other != unit and other in units_named(written):
            refuse(written.text, field, f"is in {other_spec.plural}; {spec.plural} are wanted", _remedy(spec))
    sign = written.letter or written.suffix
    if written.letter and written.suffix and _fits(written, 0, unit):
        sign = written.suffix
    if unit == "F" and sign.casefold() in ("mf", "mfd", "mmf", "mmfd"):
        refuse(written.text, field, "may mean micro or milli", "Write µF or uF for microfarads.")
    if sign[0] == "M" and "M" not in spec.prefixes:
        refuse(written.text, field, f"means mega{spec.plural}", "Write a small m for milli.")
    if sign[0] == "m" and "m" not in spec.prefixes and "M" in spec.prefixes:
        refuse(written.text, field, f"means milli{spec.plural}", "Write a capital M for mega.")
    if spec.symbol == "Ω" and sign == "E":
        refuse(written.text, field, "ends in E", "Write R or the word ohm.")
    refuse(written.text, field, f"has “{sign}”, which is not a way to write {spec.plural}", _remedy(spec))
