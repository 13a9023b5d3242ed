"""Designators, part numbers, board codes and values: one term for every way of writing each.

`read_chunk` takes one run of letters and digits ("HX-210", "4k7", "5VSB", "2SK-2645") and says what it
is. Values become SI numbers with their unit ("4k7", "4.7k" and "4700ohm" are all `4700ohm`), so that
3.3 V and 33 V can never meet; codes lose their separators, and the parts of a code that people use
alone ("2645" for "2SK-2645") come along as further terms.

Letter codes for values: IEC 60062 (from memory). Designator letters: IEEE 315 style plus what makers
print, taken from the part class list.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import NamedTuple

from kb.facts.parts import PART_CLASSES
from kb.search.normalization import word_set, word_term

WORD, CODE, DESIGNATOR, VALUE, NUMBER = "word", "code", "designator", "value", "number"

DESIGNATOR_LETTERS = frozenset(
    letters.lower() for part in PART_CLASSES for letters in part.letters
) | word_set("tp jp hs cr vd ld vr rn nt con")

STANDBY_TAILS = word_set("sb stb stby standby")

_PREFIX = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "meg": 6, "g": 9}
_UNIT = {
    "v": "v", "volt": "v", "volts": "v", "vdc": "v", "vac": "v", "vpp": "v", "vrms": "v",
    "a": "a", "amp": "a", "amps": "a", "w": "w", "watt": "w", "watts": "w",
    "ohm": "ohm", "ohms": "ohm", "r": "ohm", "f": "f", "h": "h", "hz": "hz", "va": "va",
    "farad": "f", "henry": "h", "s": "s", "sec": "s",
}  # fmt: skip
_UNIT_WORDS = "|".join(sorted(_UNIT, key=len, reverse=True))
_VALUE = re.compile(rf"(\d+(?:[.,]\d+)?)(meg|[pnumkg])??({_UNIT_WORDS})?")
_LETTER_CODE = re.compile(rf"(\d{{1,3}})([pnumkrv])(\d{{1,2}})({_UNIT_WORDS})?")
_RAIL = re.compile(r"(\d+(?:[.,]\d+)?)v[-_]?(?:sb|stb|stby|standby)")
_FUSE = re.compile(r"(?:t|f|ff|tt|m)(\d+(?:[.,]\d+)?)(m?a)")
_DESIGNATOR = re.compile(r"([a-z]{1,3})(\d{1,4})([a-z]?)")
_TAIL = re.compile(r"(?:r|rev|v)\d{1,2}|[a-z]|rev[a-z]")
_LETTER_TAIL = re.compile(r"([a-z]{2,}\d{3,})(?:[a-z]{1,2}|r\d{1,2}|rev[a-z\d]{1,2})")
_TWO_VALUES = re.compile(
    r"(\d+(?:[.,]\d+)?(?:[pnum]?f|(?:k|meg|m)?ohms?|[um]?h))(\d+(?:[.,]\d+)?(?:v|vdc|vac|w|m?a))"
)
_JAPANESE = re.compile(r"[12]s([a-k]\d{2,5}[a-z]?)")
_AFTER_LETTERS = re.compile(r"[a-z]{2,4}(\d[a-z0-9]{3,})")
_DIGITS = re.compile(r"\d{4,}")
UNIT_CHUNK = re.compile(rf"(?:meg|[pnumkg])?(?:{_UNIT_WORDS})|meg|k")


class Reading(NamedTuple):
    """What a run of characters is: its kind, its index term, and further terms it also answers to."""

    kind: str
    term: str
    extras: tuple[str, ...] = ()


def _plain(value: Decimal) -> str:
    text = format(value.normalize(), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def _number(text: str) -> Decimal:
    return Decimal(text.replace(",", "."))


def value_term(number: str, prefix: str, unit: str) -> str:
    """The term of a value, such as `4700ohm`: `number` as written, SI `prefix` and `unit` folded."""
    return _plain(_number(number).scaleb(_PREFIX[prefix])) + _UNIT[unit]


def read_value(folded: str, raw: str) -> Reading | None:
    """`folded` as a value with a unit or letter code, or None. `raw` tells mega (M) from milli (m)."""
    if len(folded) > 16:
        return None
    if rail := _RAIL.fullmatch(folded):
        volts = value_term(rail[1], "", "v")
        return Reading(VALUE, volts + "sb", (volts, word_term("standby")))
    if coded := _LETTER_CODE.fullmatch(folded):
        whole, letter, part, unit = coded[1], coded[2], coded[3], coded[4] or ""
        return Reading(VALUE, _letter_value(f"{whole}.{part}", letter, unit), (folded,))
    if fuse := _FUSE.fullmatch(folded):
        return Reading(VALUE, folded.replace(",", "."), (value_term(fuse[1], fuse[2][:-1], "a"),))
    match = _VALUE.fullmatch(folded)
    if not match or (match[2] is None and match[3] is None):
        return None
    number, prefix, unit = match[1], match[2] or "", match[3] or ""
    if not unit:
        return Reading(VALUE, _letter_value(number, prefix, ""))
    if prefix == "m" and ("M" in raw or unit.startswith("ohm")) and unit not in ("a", "v", "w"):
        prefix = "meg"
    term = value_term(number, prefix, unit)
    whole, _, thousands = number.partition(",")
    if len(thousands) == 3 and whole != "0":
        return Reading(VALUE, value_term(whole + thousands, prefix, unit), (term,))
    return Reading(VALUE, term)


def _letter_value(number: str, letter: str, unit: str) -> str:
    if letter == "v":
        return value_term(number, "", "v")
    if letter == "r":
        return value_term(number, "", "ohm")
    if letter in ("k", "m", "meg", "g") and unit in ("", "ohm", "ohms", "r"):
        return value_term(number, "meg" if letter == "m" else letter, "ohm")
    return value_term(number, letter, unit or "f")


def glued_values(folded: str, raw: str) -> int:
    """Where the second of two values that are written as one begins ("1000uF16V"); 0 where they are not."""
    pair = _TWO_VALUES.fullmatch(folded) if len(folded) == len(raw) else None
    return pair.start(2) if pair else 0


def is_designator(folded: str) -> bool:
    """Whether `folded` has the form of a reference designator such as `c9`, `zd12` or `ic3a`."""
    match = _DESIGNATOR.fullmatch(folded)
    return match is not None and match[1] in DESIGNATOR_LETTERS


def code_reading(parts: list[str]) -> Reading:
    """The reading of a code given as its separated, folded `parts`, such as `["hx", "210", "r2"]`."""
    joined = "".join(parts).replace(".", "").replace(",", "")
    if is_designator(joined):
        return Reading(DESIGNATOR, joined)
    extras: list[str] = []
    if len(parts) > 1 and _TAIL.fullmatch(parts[-1]) and any(c.isdigit() for p in parts[:-1] for c in p):
        extras.append("".join(parts[:-1]).replace(".", ""))
    if tail := _LETTER_TAIL.fullmatch(joined):
        extras.append(tail[1])
    if japanese := _JAPANESE.fullmatch(joined):
        extras.append(japanese[1])
    if rest := _AFTER_LETTERS.fullmatch(joined):
        extras.append(rest[1])
    extras.extend(_DIGITS.findall(joined))
    return Reading(CODE, joined, tuple(dict.fromkeys(extra for extra in extras if extra != joined)))


def read_chunk(folded: str, raw: str) -> Reading | None:
    """What `folded` (a chunk with at least one digit and no word in it) is, or None to split it."""
    if folded.isdecimal() or re.fullmatch(r"\d+[.,]\d+", folded):
        return Reading(NUMBER, _plain(_number(folded))) if len(folded) <= 16 else Reading(CODE, folded[:40])
    if value := read_value(folded, raw):
        return value
    if "," in folded:
        return None
    parts = [part for part in re.split(r"[-_'’`]", folded) if part]
    if len(parts) > 1:
        if any(part.isalpha() and len(part) >= 4 for part in parts):
            return None
        if all(is_designator(part) or read_value(part, part) for part in parts):
            return None
    return code_reading([part[:40] for part in parts[:8]])
