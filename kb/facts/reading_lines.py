"""One line such as `5VSB 4.7 standby` or `24V ripple 120mV running` to a reading.

A line is: rail or point, then in any order a quantity word, one value or a recorded minimum and maximum,
the supply state and the load. Nothing is guessed: a word that is not understood refuses the line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from difflib import get_close_matches
from typing import NoReturn

from kb.errors import BadInput
from kb.facts.designators import is_designator, normalise_designator, rail_key
from kb.facts.quantities import Written, dissect, resolve, units_named
from kb.facts.typed_text import clean

LONGEST_LINE = 120
_FIELD = "reading"
_REMEDY = "Write rail, value and state, such as: 5VSB 4.7 standby."


@dataclass(frozen=True, slots=True)
class ReadingLine:
    """What one typed line says; values in SI base units, words from `kb.facts.vocabulary`.

    Exactly one of `rail` (the known rail's own spelling) and `point` is set. `value` is None when only a
    minimum or maximum was recorded, or when the meter showed over-range. `written` is the line as typed.
    """

    rail: str | None
    point: str | None
    quantity: str
    supply: str | None
    load: str | None
    value: Decimal | None
    min: Decimal | None
    max: Decimal | None
    written: str
    over_range: bool = False


UNIT_OF_QUANTITY: dict[str, str] = {
    "dc_v": "V",
    "ac_v": "V",
    "ripple_v": "V",
    "ohm": "ohm",
    "diode_v": "V",
    "farad": "F",
    "esr_ohm": "ohm",
    "amp": "A",
    "hz": "Hz",
    "celsius": "degC",
}
_QUANTITY_OF_UNIT = {"V": "dc_v", "A": "amp", "ohm": "ohm", "F": "farad", "Hz": "hz", "degC": "celsius"}

_WORDS: dict[tuple[str, str], tuple[str, ...]] = {
    ("supply", "standby"): ("standby", "stand by", "stby", "sb", "in standby", "on standby"),
    ("supply", "running"): ("running", "run", "on", "powered", "enabled", "powered on", "power on", "switched on"),
    ("supply", "unpowered"): ("unpowered", "off", "unplugged", "cold", "powered off", "power off", "switched off"),
    ("load", "none"): ("none", "no load", "unloaded", "off load", "without load", "not loaded", "disconnected",
                       "not connected"),
    ("load", "test load"): ("test load", "load", "loaded", "dummy", "dummy load", "under load", "with load"),
    ("load", "in the set"): ("in the set", "in set", "connected"),
    ("quantity", "dc_v"): ("dc", "vdc"),
    ("quantity", "ac_v"): ("ac", "vac"),
    ("quantity", "ripple_v"): ("ripple", "ac ripple", "ripple ac"),
    ("quantity", "ohm"): ("ohm", "ohms", "Ω", "resistance"),
    ("quantity", "diode_v"): ("diode", "drop", "diode drop", "diode test"),
    ("quantity", "farad"): ("capacitance",),
    ("quantity", "esr_ohm"): ("esr",),
    ("quantity", "amp"): ("current",),
    ("quantity", "hz"): ("hz", "frequency", "freq"),
    ("quantity", "celsius"): ("°c", "deg c", "temperature", "temp"),
    ("filler", ""): ("is", "at", "reads", "reading", "and"),
}  # fmt: skip
_MEANING = {word.casefold(): meaning for meaning, words in _WORDS.items() for word in words}
_PIN_WORDS = frozenset(
    ("base", "emitter", "collector", "gate", "drain", "source", "anode", "cathode", "wiper", "input", "output",
     "ref", "reference", "pin", "b", "c", "e", "g", "d", "s", "a", "k")
)  # fmt: skip
_NUMBERS_WANTED = {
    **dict.fromkeys(("pulsing", "pulses", "cycling", "varies", "swings", "hiccup", "unstable", "between"),
                    "Write the lowest and the highest, such as: 12V 9.4-11.48 running."),
    **dict.fromkeys(("dead", "missing", "absent", "low", "high", "ok", "good", "short", "shorted"),
                    "Write what the meter showed, such as 0."),
}  # fmt: skip

_NUMBER = r"(?>[+-]?(?:[0-9]+(?:[.,][0-9]+)*|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3}(?![0-9A-Za-z]))?)"
_NAMES = r"(?i:volts?|v|amps?|amperes?|a|ohms?|Ω|farads?|f|hertz|hz|°\s?c|deg\s?c)"
_PEAKS = r"(?i:\s?(?:p-?p|pk-pk|peak[- ]to[- ]peak|rms|dc|ac))?"
_VALUE = (
    rf"(?:{_NUMBER}(?:[A-Za-zμΩ][0-9]+{_NAMES}?|\s?(?:meg|[pnuμUNPmkKMG])?\s?{_NAMES}{_PEAKS}"
    rf"|[A-Zpnuμmkr]{{1,2}}|°)?|[+-]?R[0-9]+)(?![A-Za-z0-9μΩ°])"
)
_VALUE_AT = re.compile(_VALUE)
_RANGE_AT = re.compile(rf"({_VALUE})(?:-|\s+-\s+|\s*\.{{2,3}}\s*|\s+to\s+)({_VALUE})")
_LIMIT_AT = re.compile(rf"(?i:(min|max)(?:imum|\.)?)\s*({_VALUE})")
_OVER_AT = re.compile(r"(?i:([+-]?\.?[O0]\.?L\.?|OVLD|open)(?![\w.]))")
_PHRASES = "|".join(
    re.escape(word).replace(r"\ ", r"[\s-]+") for word in sorted(_MEANING, key=len, reverse=True)
)
_PHRASE_AT = re.compile(rf"(?i:({_PHRASES}))(?!\w)")
_GAP_AT = re.compile(r"(?:[\s;]|,(?![0-9])|\.(?=\s|$)|-(?![0-9.,]))+")
_WORD_AT = re.compile(r"\S+")


@dataclass(slots=True)
class _Said:
    """What the words after the subject said so far."""

    line: str
    words: dict[str, str] = field(default_factory=dict)
    values: list[str] = field(default_factory=list)
    limits: dict[str, str] = field(default_factory=dict)
    is_range: bool = False
    over_range: bool = False


def parse_reading_line(text: str, rail_names: Sequence[str]) -> ReadingLine:
    """One typed line of at most 120 characters as a reading.

    Rails of `rail_names` are recognised whatever the case, spaces, plus signs and hyphens, the longest
    name first; anything else at the start is a test point. Without a quantity word the unit decides,
    and without a unit it is direct volts. Raises BadInput naming what was not understood.
    """
    # Equals and colon only separate; a dot or comma inside a number stays.
    cleaned = clean(text, _FIELD, limit=LONGEST_LINE, remedy=_REMEDY)
    line = " ".join(cleaned.replace("=", " ").replace(":", " ").split())
    if not line:
        raise BadInput(f"{_FIELD}: “{text.strip()}” holds no words.", field=_FIELD, remedy=_REMEDY)
    rail, rest = _known_rail(line, rail_names)
    point = None
    if rail is None:
        point, rest = _point(line)
    said = _read_words(rest)
    return _build(text.strip(), rail, point, said)


def _refuse(line: str, why: str, remedy: str = _REMEDY) -> NoReturn:
    raise BadInput(f"{_FIELD}: in “{line}” {why}.", field=_FIELD, remedy=remedy)


def _known_rail(line: str, rail_names: Sequence[str]) -> tuple[str | None, str]:
    """The rail that the line starts with, by its own spelling, and what follows it."""
    by_key = {rail_key(name): name for name in reversed(rail_names)}
    unsigned: dict[str, str] = {}
    for key, name in by_key.items():
        unsigned.setdefault(key.removeprefix("-"), name)
    words = line.split()
    for count in range(min(len(words), 5), 0, -1):
        start = " ".join(words[:count])
        # "VLED 1 2.5" is not rail VLED 12.5, and "12V -5" is not rail 12V5.
        if re.search(r"[0-9] [0-9]| [+-][0-9]", start):
            continue
        rest = " ".join(words[count:])
        key = rail_key(start)
        if key in by_key:
            return by_key[key], rest
        if start[0] not in "+-" and key in unsigned:
            return unsigned[key], rest
    return None, line


def _point(line: str) -> tuple[str, str]:
    """The test point or unknown rail that the line starts with, and what follows it."""
    words = line.split()
    if len(words) > 2 and words[0].isalpha() and words[1].isdigit() and is_designator(words[0] + words[1]):
        words[:2] = [words[0] + words[1]]
    if len(words) > 1 and re.fullmatch(r"[+-]?[0-9.,]+", words[0]) and words[1].casefold().startswith("v"):
        words[:2] = [words[0] + words[1]]
    if re.search(r"[A-Za-z]", words[0]) is None or words[0].casefold() in _MEANING:
        _refuse(line, f"the rail or test point is missing before “{words[0]}”")
    taken = [normalise_designator(words[0])]
    for word in words[1:]:
        follows_pin = taken[-1].casefold() == "pin" and word.isdigit()
        if not follows_pin and not _continues_point(word, len(taken), is_designator(taken[0]), words[0]):
            break
        taken.append(word)
    return " ".join(taken), " ".join(words[len(taken) :])


def _continues_point(word: str, length: int, after_designator: bool, first: str) -> bool:
    lowered = word.casefold()
    if (
        length > 4
        or lowered in _MEANING
        or _OVER_AT.fullmatch(word)
        or lowered in _NUMBERS_WANTED
        or re.match(r"(min|max)", lowered)
    ):
        return False
    if any(meaning.startswith(f"{lowered} ") for meaning in _MEANING) and lowered not in _PIN_WORDS:
        return False
    if after_designator:
        return lowered in _PIN_WORDS
    # An unknown rail such as 12V has no second word; "12V rippel" is a slip of the keys.
    if re.match(r"[+-]?[0-9]", first) or _likely_meant(word):
        return False
    return word[0].isalpha()


def _likely_meant(word: str) -> str | None:
    if len(word) < 4:
        return None
    close = get_close_matches(word.casefold(), _MEANING, n=1, cutoff=0.7)
    return close[0] if close else None


def _read_words(rest: str) -> _Said:
    said = _Said(rest)
    place = 0
    while place < len(rest):
        if gap := _GAP_AT.match(rest, place):
            place = gap.end()
        elif phrase := _PHRASE_AT.match(rest, place):
            kind, word = _MEANING[re.sub(r"[\s-]+", " ", phrase[1]).casefold()]
            if kind != "filler" and said.words.setdefault(kind, word) != word:
                _refuse(rest, f"both “{said.words[kind]}” and “{word}” are given", "Keep one of the two.")
            place = phrase.end()
        elif limit := _LIMIT_AT.match(rest, place):
            _add_limit(said, limit[1].casefold(), limit[2])
            place = limit.end()
        elif over := _OVER_AT.match(rest, place):
            said.over_range = True
            if over[1].casefold() == "open":
                said.words.setdefault("quantity", "ohm")
            place = over.end()
        elif span := _RANGE_AT.match(rest, place):
            said.is_range = True
            _add_limit(said, "min", span[1])
            _add_limit(said, "max", span[2])
            place = span.end()
        elif value := _VALUE_AT.match(rest, place):
            said.values.append(value[0])
            place = value.end()
        else:
            _refuse_word(rest, place)
    return said


def _refuse_word(rest: str, place: int) -> NoReturn:
    found = _WORD_AT.match(rest, place)
    word = found[0] if found else rest[place:]
    meant = _likely_meant(word)
    remedy = f"Write “{meant}” if that was meant." if meant else _REMEDY
    remedy = _NUMBERS_WANTED.get(word.casefold(), remedy)
    _refuse(rest, f"“{word}” is not understood", remedy)


def _add_limit(said: _Said, side: str, value: str) -> None:
    if side in said.limits:
        _refuse(said.line, f"the {side}imum is given twice", "Keep one of the two.")
    said.limits[side] = value


def _build(text: str, rail: str | None, point: str | None, said: _Said) -> ReadingLine:
    if len(said.values) > 1:
        _refuse(said.line, "there are two values", "Write one value, or a range such as 9.4-11.48.")
    if said.over_range and (said.values or said.limits):
        _refuse(said.line, "there is both a value and over-range", "Keep one of the two.")
    if not (said.values or said.limits or said.over_range):
        raise BadInput(f"{_FIELD}: “{text}” names no value.", field=_FIELD, remedy=_REMEDY)
    typed = {name: _dissected(value) for name, value in _named_values(said)}
    if "min" in typed and "max" in typed:
        typed["min"] = _with_shared_unit(typed["min"], typed["max"], said.line)
    quantity = _quantity(said, list(typed.values()))
    numbers = {name: _number(written, quantity, said) for name, written in typed.items()}
    low, high, value = numbers.get("min"), numbers.get("max"), numbers.get("value")
    if low is not None and high is not None and low > high:
        if not said.is_range:
            _refuse(said.line, "the minimum is above the maximum", "Exchange the two.")
        low, high = high, low
    if value is not None and ((low is not None and value < low) or (high is not None and value > high)):
        _refuse(said.line, "the value is outside its own minimum and maximum", "Check the three numbers.")
    return ReadingLine(
        rail, point, quantity, said.words.get("supply"), said.words.get("load"), value, low, high, text, said.over_range
    )  # fmt: skip


def _named_values(said: _Said) -> Iterator[tuple[str, str]]:
    for value in said.values:
        yield "value", value
    yield from said.limits.items()


def _dissected(value: str) -> Written:
    return dissect(clean(value, _FIELD, remedy=_REMEDY), _FIELD, _REMEDY)


def _with_shared_unit(low: Written, high: Written, line: str) -> Written:
    """In `900-1200mV` and `min 900 max 1200mV` the unit belongs to both numbers."""
    if low.letter or low.suffix or not low.number:
        return low
    if high.letter and high.letter not in "VvRrAΩ":
        _refuse(line, "the unit of the first number is not clear", "Write the unit at both numbers.")
    return Written(low.text, low.number, "", high.suffix if not high.letter else "", low.capital_e)


def _quantity(said: _Said, typed: list[Written]) -> str:
    """The quantity that was named, or that the written unit implies, or direct volts."""
    stated = said.words.get("quantity")
    if stated:
        return stated
    if said.over_range:
        _refuse(said.line, "it is not said what was over-range", "Write ohm, diode or volts dc.")
    for written in typed:
        suffix = written.suffix.casefold()
        if re.search(r"p-?p$|pk-pk$|peak$", suffix):
            return "ripple_v"
        if re.search(r"ac$|rms$", suffix):
            return "ac_v"
        for unit in units_named(written):
            if unit in _QUANTITY_OF_UNIT:
                return _QUANTITY_OF_UNIT[unit]
        if (written.letter or suffix) not in ("", "m"):
            _refuse(
                said.line, f"“{written.text}” has no unit", "Write the unit, such as 4.7kohm, 100nF or 1.2kV."
            )
    return "dc_v"


def _number(written: Written, quantity: str, said: _Said) -> Decimal:
    value = resolve(written, UNIT_OF_QUANTITY[quantity], field=_FIELD)
    bare = not (written.letter or written.suffix)
    if quantity in ("ripple_v", "diode_v") and bare and abs(value) >= 10:
        _refuse(
            said.line, f"“{written.text}” would be {written.text} volts", "Write the unit, such as 120mV."
        )
    return value
