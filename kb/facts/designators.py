"""Reference designators (C9, CN2) and the keys by which codes and rail names are compared.

Class letters: IEEE Std 315-1975, clause 22, as listed by public glossaries; letters that boards carry
beside the standard are common practice, no published source.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

IEEE_315 = "IEEE 315-1975"
COMMON_PRACTICE = "common practice"


@dataclass(frozen=True, slots=True)
class ClassLetters:
    """What the letters of a designator stand for, the likeliest kind first."""

    letters: str
    kinds: tuple[str, ...]
    source: str


def _standard(letters: str, *kinds: str) -> ClassLetters:
    return ClassLetters(letters, kinds, IEEE_315)


def _practice(letters: str, *kinds: str) -> ClassLetters:
    return ClassLetters(letters, kinds, COMMON_PRACTICE)


# A kind after the first of a standard row is what boards print as well: D for LED, VR for potentiometer.
CLASS_LETTERS: tuple[ClassLetters, ...] = (
    _standard("A", "assembly"),
    _standard("AT", "attenuator"),
    _standard("B", "motor or fan", "battery", "sensor"),
    _standard("BT", "battery"),
    _standard("C", "capacitor"),
    _standard("CB", "circuit breaker", "capacitor"),
    _standard("CR", "diode"),
    _standard("D", "diode", "light-emitting diode", "bridge rectifier", "zener diode"),
    _standard("DL", "delay line"),
    _standard("DS", "display or lamp", "light-emitting diode"),
    _standard("E", "terminal or spark gap", "ferrite bead"),
    _standard("F", "fuse"),
    _standard("FL", "filter"),
    _standard("G", "generator or oscillator"),
    _standard("H", "hardware"),
    _standard("HR", "heater"),
    _standard("J", "connector", "wire link"),
    _standard("K", "relay"),
    _standard("L", "inductor"),
    _standard("LS", "loudspeaker"),
    _standard("M", "meter", "motor or fan"),
    _standard("MK", "microphone"),
    _standard("MP", "mechanical part"),
    _standard("P", "connector", "potentiometer"),
    _standard("PS", "power supply"),
    _standard("Q", "transistor", "triac or thyristor"),
    _standard("R", "resistor", "potentiometer"),
    _standard("RT", "thermistor"),
    _standard("RV", "varistor", "potentiometer"),
    _standard("S", "switch"),
    _standard("T", "transformer", "transistor"),
    _standard("TB", "terminal board"),
    _standard("TC", "thermocouple"),
    _standard("TP", "test point"),
    _standard("U", "integrated circuit", "optocoupler"),
    _standard("V", "tube", "transistor", "diode"),
    _standard("VR", "voltage regulator or zener diode", "potentiometer", "varistor"),
    _standard("W", "cable", "wire link"),
    _standard("X", "socket", "connector", "crystal"),
    _standard("Y", "crystal", "Y capacitor"),
    _standard("Z", "network", "zener diode"),
    _practice("BAT", "battery"),
    _practice("BD", "bridge rectifier", "ferrite bead"),
    _practice("BR", "bridge rectifier"),
    _practice("BZ", "buzzer"),
    _practice("CE", "capacitor"),
    _practice("CN", "connector"),
    _practice("CX", "X capacitor"),
    _practice("CY", "Y capacitor"),
    _practice("DB", "bridge rectifier"),
    _practice("DZ", "zener diode"),
    _practice("EC", "capacitor"),
    _practice("FAN", "motor or fan"),
    _practice("FB", "ferrite bead"),
    _practice("FET", "transistor"),
    _practice("FR", "fusible resistor"),
    _practice("FS", "fuse"),
    _practice("FU", "fuse"),
    _practice("EH", "heater"),
    _practice("GDT", "gas discharge tube"),
    _practice("HS", "heat sink"),
    _practice("IC", "integrated circuit", "optocoupler"),
    _practice("ISO", "optocoupler"),
    _practice("JP", "wire link"),
    _practice("LCD", "display or lamp"),
    _practice("LD", "light-emitting diode"),
    _practice("LED", "light-emitting diode"),
    _practice("LF", "line filter"),
    _practice("MOV", "varistor"),
    _practice("NTC", "thermistor"),
    _practice("OC", "optocoupler"),
    _practice("OK", "optocoupler"),
    _practice("OP", "integrated circuit"),
    _practice("PC", "optocoupler"),
    _practice("PCB", "circuit board"),
    _practice("PTC", "thermistor"),
    _practice("RF", "fusible resistor"),
    _practice("RL", "relay"),
    _practice("RLY", "relay"),
    _practice("RN", "resistor network"),
    _practice("RY", "relay"),
    _practice("SCR", "triac or thyristor"),
    _practice("SG", "spark gap"),
    _practice("SW", "switch"),
    _practice("TF", "thermal fuse"),
    _practice("TH", "thermistor", "thermal fuse"),
    _practice("TR", "transistor", "transformer", "triac or thyristor"),
    _practice("TRI", "triac or thyristor"),
    _practice("TVS", "surge suppressor"),
    _practice("VDR", "varistor"),
    _practice("XT", "crystal"),
    _practice("XTAL", "crystal"),
    _practice("ZD", "zener diode"),
    _practice("ZNR", "varistor"),
)

_BY_LETTERS = {entry.letters: entry for entry in CLASS_LETTERS}
_SHAPE = re.compile(r"([A-Z]{1,4})[ _-]?([0-9]{1,4})[ _-]?([A-Z]?)")
# CR2032 is a coin cell, by its kind, its width and its height (IEC 60086; from memory).
_COIN_CELL = re.compile(r"CR(?:10|11|12|16|20|23|24|30)[0-9]{2}")
_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2212"), "-")
_SEPARATORS = re.compile(r"[\s\-_./]+")


def is_designator(text: str) -> bool:
    """Whether `text` is known class letters, one to four digits and at most one letter more: `C9`, `Q901A`."""
    return _split(text) is not None


def normalise_designator(text: str) -> str:
    """`"c 9"`, `"C-9"` and `"C9"` give `"C9"`; leading zeros stay, for a board may carry C9 and C09.

    Text that is no designator comes back folded (NFKC) with its spaces tidied.
    """
    parts = _split(text)
    return "".join(parts) if parts else " ".join(unicodedata.normalize("NFKC", text).split())


def designator_letters(text: str) -> str | None:
    """The class letters of a designator, in capitals, or None when `text` is no designator."""
    parts = _split(text)
    return parts[0] if parts else None


def kinds_for_letters(letters: str) -> tuple[str, ...]:
    """Kinds of part that class letters stand for, likeliest first; empty when the letters are unknown."""
    entry = _BY_LETTERS.get(_folded(letters).strip().upper())
    return entry.kinds if entry else ()


def kinds_of_designator(text: str) -> tuple[str, ...]:
    """Kinds of part that the designator `text` may be, likeliest first; empty when it is none."""
    letters = designator_letters(text)
    return kinds_for_letters(letters) if letters else ()


def code_key(code: str) -> str:
    """Key by which codes and aliases are the same: NFKC, case and the separators space - _ . / ignored."""
    return _SEPARATORS.sub("", _folded(code).casefold())


def designator_key(part: str) -> str:
    """Key by which a part of a board is the same however its designator is written: C9, c 9 and C-9 are one."""
    return code_key(normalise_designator(part))


@lru_cache(maxsize=4096)  # the same few names again and again, twice for each reading
def rail_key(name: str) -> str:
    """Key by which rail names are the same: as `code_key`, and a leading plus is ignored.

    A leading minus is kept (-12V is another rail than +12V), so is a sign at the end (B+, V-), and so is
    the decimal mark: 3.3V, 3,3 V and 3V3 are one rail and 33V another.
    """
    folded = _folded(name).casefold().strip()
    minus = "-" if folded.startswith("-") else ""
    body = folded.lstrip("+- ")
    sign = body[-1] if body[-1:] in ("+", "-") and len(body) > 1 else ""
    body = re.sub(r"(?<=[0-9])[.,](?=[0-9])", "\x00", body.removesuffix(sign))
    body = _SEPARATORS.sub("", body).replace("\x00", ".")
    body = re.sub(r"^([0-9]+)v([0-9]{1,2})(?![0-9.])", r"\1.\2v", body)
    return minus + body + sign


def _folded(text: str) -> str:
    return unicodedata.normalize("NFKC", text).translate(_DASHES)


def _split(text: str) -> tuple[str, str, str] | None:
    found = _SHAPE.fullmatch(_folded(text).strip().upper())
    if found is None or found[1] not in _BY_LETTERS or _COIN_CELL.fullmatch("".join(found.groups())):
        return None
    return found[1], found[2], found[3]
