"""The words of the trade that are fixed lists, each with the label a person reads.

The stored value is the plain English phrase itself, so that an export can be read without a
key table. Lists that a shop may extend (symptoms, part classes) live in `symptoms` and `parts`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Word:
    """One entry of a fixed list: the value that is stored and what it means at the bench."""

    value: str
    meaning: str


RAIL_ROLES: tuple[Word, ...] = (
    Word("standby", "small supply that is on whenever mains is, such as 5 V standby"),
    Word("logic", "feeds processors and logic, usually 3.3 to 5 V"),
    Word("intermediate", "feeds further converters, usually 9 to 18 V"),
    Word("backlight", "feeds lamps or LED strings of a display"),
    Word("audio", "feeds sound amplifiers"),
    Word("bulk", "rectified mains on the bulk capacitor"),
    Word("controller supply", "feeds the control circuit on the mains side"),
    Word("other", "any other supply"),
)

# The section whose work a supply of a role shows, where it shows one.
SECTION_OF_ROLE = {
    "standby": "standby output",
    "logic": "logic output",
    "intermediate": "intermediate output",
    "backlight": "backlight output",
    "audio": "audio output",
    "bulk": "bulk and power factor stage",
    "controller supply": "main converter",
}

SUPPLY_STATES: tuple[Word, ...] = (
    Word("unpowered", "unplugged and discharged"),
    Word("standby", "mains on, main converter not enabled"),
    Word("running", "mains on and enabled"),
)

LOADS: tuple[Word, ...] = (
    Word("none", "nothing connected"),
    Word("test load", "a dummy load of known size"),
    Word("in the set", "connected to the equipment it belongs to"),
)

RESULTS: tuple[Word, ...] = (
    Word("cured", "the complaint is gone"),
    Word("improved", "better, but not good"),
    Word("no change", "made no difference"),
    Word("worse", "made it worse"),
    Word("not known yet", "still to be proved"),
)

VERDICTS: tuple[Word, ...] = (
    Word("repaired", "a fault was found and cured"),
    Word("no fault found", "the board is in order as far as it was tested"),
    Word("not economical", "could be repaired, but not for a sensible price"),
    Word("not repairable", "cannot be repaired"),
    Word("declined", "the customer did not want it repaired"),
)

FOLLOW_UP_STATES: tuple[Word, ...] = (
    Word("still working", "in use and in order"),
    Word("came back with the same fault", "the fix did not last"),
    Word("came back with another fault", "something else failed"),
)

RAIL_CONDITIONS: tuple[Word, ...] = (
    Word("absent", "less than a tenth of nominal"),
    Word("low", "below its window"),
    Word("pulsing", "comes and goes"),
    Word("in tolerance", "within its window"),
    Word("high", "above its window"),
)

SECTIONS: tuple[Word, ...] = (
    Word("mains input", "inlet, fuse, varistor, line filter, switch"),
    Word("inrush and rectifier", "inrush limiter and mains rectifier"),
    Word("bulk and power factor stage", "bulk capacitor and power factor stage"),
    Word("standby converter", "primary side of the standby supply"),
    Word("standby output", "rectifier, filter and regulation of the standby rail"),
    Word("enable and relay", "on/off line, relay and their drivers"),
    Word("main converter", "primary side of the main converter"),
    Word("feedback", "optocoupler, shunt reference and divider"),
    Word("logic output", "rectifier, filter and regulation of logic rails"),
    Word("intermediate output", "rectifier, filter and regulation of intermediate rails"),
    Word("backlight output", "output or driver of the backlight"),
    Word("audio output", "output for sound amplifiers"),
    Word("protection", "over-voltage, over-current and over-temperature circuits"),
    Word("board and joints", "tracks, joints, connectors, corrosion"),
    Word("other", "anything else"),
)

QUANTITIES: tuple[Word, ...] = (
    Word("dc_v", "direct voltage, V"),
    Word("ac_v", "alternating voltage, V rms"),
    Word("ripple_v", "ripple, V peak to peak"),
    Word("ohm", "resistance, Ω"),
    Word("diode_v", "junction drop, V"),
    Word("farad", "capacitance, F"),
    Word("esr_ohm", "equivalent series resistance, Ω"),
    Word("amp", "current, A"),
    Word("hz", "frequency, Hz"),
    Word("celsius", "temperature, °C"),
)

SWITCH_KINDS: tuple[Word, ...] = (
    Word("MOSFET", "has a body diode from source to drain"),
    Word("IGBT with diode", "a diode from emitter to collector is built in"),
    Word("IGBT without diode", "shows no junction between collector and emitter"),
    Word("bipolar transistor", "shows no junction between collector and emitter"),
)

# What tells parts of one class apart where one may not stand in for the other. Safety classes as in IEC 60384-14,
# fuse characteristics and breaking capacities as in IEC 60127, both from memory.
PART_KINDS: tuple[Word, ...] = (
    Word("X1", "across the line, for peaks up to 4 kV"),
    Word("X2", "across the line, for peaks up to 2.5 kV"),
    Word("X3", "across the line, for peaks up to 1.2 kV"),
    Word("Y1", "line to earth or to the output, for peaks up to 8 kV"),
    Word("Y2", "line to earth or to the output, for peaks up to 5 kV"),
    Word("Y4", "line to earth or to the output, for peaks up to 2.5 kV"),
    Word("FF", "very quick fuse"),
    Word("F", "quick fuse"),
    Word("F H", "quick fuse with a high breaking capacity"),
    Word("F L", "quick fuse with a low breaking capacity"),
    Word("M", "medium time-lag fuse"),
    Word("T", "time-lag fuse"),
    Word("T H", "time-lag fuse with a high breaking capacity"),
    Word("T L", "time-lag fuse with a low breaking capacity"),
    Word("TT", "long time-lag fuse"),
    Word("fusible", "resistor that opens when overloaded"),
    Word("flameproof", "resistor whose coating does not burn"),
    Word("wirewound", "resistor wound of wire"),
    Word("metal film", "resistor of metal film"),
    Word("carbon film", "resistor of carbon film"),
    Word("standard", "rectifier for mains frequency"),
    Word("fast", "fast rectifier"),
    Word("ultrafast", "ultrafast rectifier"),
    Word("Schottky", "Schottky rectifier"),
    Word("general purpose", "capacitor without a stated series resistance"),
    Word("low ESR", "capacitor made for switching supplies"),
    Word("polymer", "capacitor with a solid polymer"),
    Word("C0G", "ceramic that keeps its value"),
    Word("X7R", "ceramic, ±15 % up to 125 °C"),
    Word("X5R", "ceramic, ±15 % up to 85 °C"),
    Word("Y5V", "ceramic that loses most of its value when hot or under voltage"),
)

# Lists offered as completion only: any other text is accepted as well.
BOARD_SIDES: tuple[Word, ...] = (
    Word("component side", "where most parts stand"),
    Word("solder side", "where their legs are soldered"),
)

BOARD_KINDS: tuple[str, ...] = (
    "power supply",
    "backlight driver",
    "battery charger",
    "control board",
    "display board",
    "inverter",
    "motor drive",
    "appliance power board",
)
FAILURE_MODES: tuple[str, ...] = (
    "high ESR",
    "lost capacitance",
    "leaking electrolyte",
    "bulging",
    "open",
    "shorted",
    "leaky",
    "drifted",
    "intermittent",
    "cracked joint",
    "burnt",
    "corroded",
    "worn contacts",
    "no oscillation",
)
ACTIONS: tuple[str, ...] = (
    "replace",
    "resolder",
    "clean",
    "repair track",
    "adjust",
    "remove",
    "recap section",
    "reprogram",
    "replace board",
)


def values(words: tuple[Word, ...]) -> tuple[str, ...]:
    """The stored values of a fixed list, in their order."""
    return tuple(word.value for word in words)
