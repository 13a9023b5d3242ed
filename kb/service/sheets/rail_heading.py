"""A heading such as `5VSB (V)`: which rail its column measures, in which unit and state."""

from __future__ import annotations

import re
from dataclasses import dataclass

from kb.facts.rail_names import obvious_rail
from kb.facts.sheet_words import folded

_BRACKETED = re.compile(r"[(\[]([^()\[\]]*)[)\]]")
_UNITS = {
    "v": ("dc_v", "V"), "vdc": ("dc_v", "V"), "volt": ("dc_v", "V"), "volts": ("dc_v", "V"), "mv": ("dc_v", "mV"),
    "vac": ("ac_v", "V"), "mvpp": ("ripple_v", "mV"), "vpp": ("ripple_v", "V"), "a": ("amp", "A"), "ma": ("amp", "mA"),
    "ohm": ("ohm", "ohm"), "ω": ("ohm", "ohm"), "kohm": ("ohm", "kohm"), "hz": ("hz", "Hz"), "khz": ("hz", "kHz"),
    "°c": ("celsius", "°C"),
}  # fmt: skip
_STATES = {
    "standby": "standby", "stby": "standby", "running": "running", "on": "running", "run": "running",
    "off": "unpowered", "unpowered": "unpowered", "betrieb": "running", "bereitschaft": "standby",
    "aan": "running", "marche": "running",
}  # fmt: skip
_RAIL = re.compile(
    r"(?:U |rail )?([+-]?[0-9]{1,3}(?:[.,][0-9]+)?\s?V[0-9]?(?:\s?(?:SB|STBY|STANDBY|AUX|A|B|LED|S))?"
    r"|[+-]?[0-9]{1,2}V[0-9]{1,2}|V(?:CC|DD|LED|BUS|BULK|AUX|SB|STB|OUT)[0-9]?|bulk|PFC|B\+)",
    re.IGNORECASE,
)
_SIGNED_VOLTS = re.compile(r"[+-] ?[0-9]{1,3}(?:[.,][0-9])?")  # "+12"

# "12 rail", "5 stby", German "12er": a number that the word behind it makes volts.
_STANDBY = ("stby", "standby", "sb", "stb")
_BARE_VOLTS = re.compile(
    r"([+-]?[0-9]{1,3}(?:[.,][0-9])?)[ -]?(rail|line|supply|schiene|er|stby|standby|sb|stb)", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class RailHeading:
    """`unit` is written after a bare number of the column; `supply` "" where the heading says none."""

    rail: str
    quantity: str = "dc_v"
    unit: str = "V"
    supply: str = ""
    after_repair: bool = False


def any_rail_heading(heading: str) -> RailHeading:
    """The same for a column that a person calls a rail, whatever its heading."""
    bracketed = " ".join(_BRACKETED.findall(heading))
    words = [folded(word) or word.casefold() for word in re.split(r"[\s,;]+", bracketed) if word]
    body = " ".join(_BRACKETED.sub(" ", heading).split()).strip(" ,:;-") or heading
    head, _, last = body.rpartition(" ")
    if head and folded(last) in ("running", "run", "on", "unpowered", "off", "betrieb"):
        body, words = head, [*words, folded(last)]
    quantity, unit = next((_UNITS[word] for word in words if word in _UNITS), ("dc_v", "V"))
    if "ripple" in [*words, *folded(body).split()] and quantity == "dc_v":
        quantity = "ripple_v"
        body = " ".join(re.sub(r"(?i)ripple", " ", body).split()) or body
    if bare := _BARE_VOLTS.fullmatch(body):
        body = f"{bare[1]}V" + ("SB" if bare[2].casefold() in _STANDBY else "")
    if _SIGNED_VOLTS.fullmatch(body):
        body = f"{body.lstrip('+').replace(' ', '')}V"
    supply = next((_STATES[word] for word in words if word in _STATES), "")
    return RailHeading(body[:80], quantity, unit, supply, "after" in words or "nachher" in words)


def read_rail_heading(heading: str) -> RailHeading | None:
    """What a heading says of a rail, None where it names none that is known by its look."""
    read = any_rail_heading(heading)
    return read if _RAIL.fullmatch(read.rail) or obvious_rail(read.rail) else None
