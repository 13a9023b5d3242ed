"""In which section a part sits, and what class it has, where the text does not say so.

What a class implies is common practice of switch-mode supplies, no published source.
"""

from __future__ import annotations

from kb.facts.designators import designator_letters
from kb.facts.vocabulary import SECTION_OF_ROLE

SECTION_OF_CLASS = {
    "fuse": "mains input",
    "varistor": "mains input",
    "gas discharge tube": "mains input",
    "safety capacitor": "mains input",
    "line filter": "mains input",
    "film capacitor": "mains input",
    "thermal cut-out": "protection",
    "supervisor IC": "protection",
    "inrush limiter": "inrush and rectifier",
    "bridge rectifier": "inrush and rectifier",
    "bulk capacitor": "bulk and power factor stage",
    "power factor MOSFET": "bulk and power factor stage",
    "power factor controller IC": "bulk and power factor stage",
    "integrated switcher": "standby converter",
    "start-up resistor": "main converter",
    "current sense resistor": "main converter",
    "MOSFET": "main converter",
    "controller IC": "main converter",
    "transformer": "main converter",
    "optocoupler": "feedback",
    "shunt reference": "feedback",
    "relay": "enable and relay",
    "backlight driver IC": "backlight output",
    "light-emitting diode": "backlight output",
    "cold-cathode lamp": "backlight output",
    "loudspeaker or buzzer": "audio output",
    "solder joint": "board and joints",
    "circuit board": "board and joints",
    "connector": "board and joints",
    "cable": "board and joints",
}
# Classes that sit in every output; the supply that is named decides.
OF_OUTPUTS = frozenset(
    ("electrolytic capacitor", "polymer capacitor", "ceramic capacitor", "Schottky rectifier",
     "fast rectifier", "diode",
     "inductor", "linear regulator", "buck regulator", "resistor", "zener diode", "fusible resistor", "capacitor")
)  # fmt: skip
# Classes that sit in the main converter where nothing else is said.
_ANYWHERE = frozenset(("MOSFET", "controller IC", "transformer", "current sense resistor"))
# Classes on the mains side of a converter, which the standby supply has as well as the main one.
OF_CONVERTERS = frozenset(
    ("transformer", "MOSFET", "controller IC", "current sense resistor", "start-up resistor",
     "integrated switcher")
)  # fmt: skip
_OF_DRIVERS = frozenset(("MOSFET", "controller IC", "transformer", "inductor"))
_OUTPUTS = frozenset(section for section in SECTION_OF_ROLE.values() if section.endswith("output"))
# Classes that take the section of the part beside which they are said to sit: "the cap by the standby chip",
# "gate resistor of the main fet", "the transistor that drives the relay".
BESIDE_OTHERS = OF_OUTPUTS | {"bipolar transistor", "capacitor", "film capacitor", "ferrite bead", None}
_CLASS_OF_LETTERS = {
    "C": "electrolytic capacitor", "CE": "electrolytic capacitor", "EC": "electrolytic capacitor",
    "CY": "safety capacitor",
    "CX": "film capacitor", "R": "resistor", "FR": "fusible resistor", "RF": "fusible resistor", "F": "fuse",
    "FU": "fuse", "FS": "fuse",
    "D": "diode", "CR": "diode", "ZD": "zener diode", "DZ": "zener diode", "BD": "bridge rectifier",
    "BR": "bridge rectifier",
    "DB": "bridge rectifier", "Q": "MOSFET", "FET": "MOSFET", "U": "controller IC", "IC": "controller IC",
    "PC": "optocoupler",
    "OC": "optocoupler", "OK": "optocoupler", "ISO": "optocoupler", "K": "relay", "RL": "relay",
    "RLY": "relay", "RY": "relay",
    "L": "inductor", "LF": "line filter", "T": "transformer", "TF": "thermal cut-out", "MOV": "varistor",
    "RV": "varistor", "VDR": "varistor", "ZNR": "varistor",
    "NTC": "inrush limiter", "TH": "inrush limiter", "RT": "inrush limiter", "PTC": "resettable fuse",
    "CN": "connector", "J": "connector",
    "P": "connector", "TB": "connector", "S": "switch", "SW": "switch", "X": "crystal", "Y": "crystal",
    "XTAL": "crystal",
    "LED": "light-emitting diode", "LD": "light-emitting diode", "FB": "ferrite bead", "FAN": "fan",
    "M": "motor or pump", "LS": "loudspeaker or buzzer",
    "BZ": "loudspeaker or buzzer", "BT": "battery", "BAT": "battery", "VR": "potentiometer",
    "TVS": "surge suppressor diode",
    "SCR": "triac or thyristor", "TRI": "triac or thyristor", "LCD": "display module",
    "GDT": "gas discharge tube", "SG": "gas discharge tube",
    "EH": "heating element", "HR": "heating element", "HS": "heat sink or pad", "W": "cable", "XT": "crystal",
    "OP": "op-amp or comparator", "DS": "display module", "FL": "line filter", "RN": "resistor", "PCB": "circuit board",
}  # fmt: skip
# Letters of these say the kind of part and no more: another class needs a word or the family's earlier cases.
VAGUE_LETTERS = frozenset(("U", "IC", "D", "CR", "Q", "T", "VR", "R"))


def class_of_designator(part: str, failure: str | None) -> str | None:
    """What a designator's letters usually stand for, None where they say too little."""
    letters = designator_letters(part)
    if letters is None:
        return None
    if letters in ("U", "IC", "D", "CR", "T", "VR") and failure is None:
        return _CLASS_OF_LETTERS.get(letters)
    return _CLASS_OF_LETTERS.get(letters)


def section_of(
    part_class: str | None, role: str | None, said: str | None, beside: str | None = None
) -> str | None:
    """The section from what was said, the supply named in the text, and the class, in that order.

    `beside` is the role of a supply that is named right with the part: "standby transformer", "24 V fuse".
    """
    by_class = SECTION_OF_CLASS.get(part_class or "")
    if part_class in ("solder joint", "circuit board", "connector", "cable"):
        return by_class
    if said == "board and joints":
        said = None  # a joint that is named beside a part says nothing of where the part sits
    if said == "intermediate output" and role in ("standby", "logic", "backlight", "audio"):
        said = None  # "24V output" of a family of which the 24 V feeds the backlight
    if part_class in OF_CONVERTERS and (beside == "standby" or str(said).startswith("standby")):
        return "standby converter"
    if part_class == "fuse":
        # A fuse of its own in an output; one that is said to be the mains fuse carries no supply's name.
        return (
            said if said in _OUTPUTS and beside is not None else SECTION_OF_ROLE.get(beside or "", by_class)
        )
    if said is not None and (by_class is None or part_class in OF_OUTPUTS or part_class in _ANYWHERE):
        return said
    if role is not None and (part_class in OF_OUTPUTS or by_class is None):
        return SECTION_OF_ROLE.get(role)
    if part_class in _OF_DRIVERS and beside == "backlight":
        return "backlight output"
    return by_class or said
