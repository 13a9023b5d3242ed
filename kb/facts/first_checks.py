"""What to look at first on any board of a kind, before there are records to go by.

Common practice, no published source. Every list is in the order in which it is done, unplugged first.
"""

from __future__ import annotations

from collections.abc import Collection

_FIRST = (
    "Unplug, discharge the bulk capacitor through a resistor, and measure it before touching anything.",
    "Look and smell: bulging or leaking capacitors, burnt parts, cracked joints, corrosion.",
)
_MAINS = (
    "Fuse: continuity. A blown fuse asks for a shorted part behind it.",
    "Mains rectifier: a junction drop one way and nothing the other way, on each leg.",
    "Main switch: no short from drain to source.",
)
_OUTPUTS = "Each output rail to its ground: no short."
_LAST = "Only then power, through an isolating transformer and with the current limited: standby rail first."

_BY_KIND: dict[str, tuple[str, ...]] = {
    "power supply": (*_MAINS, _OUTPUTS),
    "appliance power board": (
        *_MAINS,
        "Dropper capacitor or small mains converter, where the board has one: value and fuse resistor.",
        _OUTPUTS,
        "Relay contacts: open at rest, not welded.",
    ),
    "battery charger": (
        *_MAINS,
        "With the battery off: battery terminals not shorted, output rectifier blocking backwards.",
        "Battery fuse and temperature sensor: continuity and a plausible resistance.",
    ),
    "backlight driver": (
        "Supply pins to ground: no short.",
        "Boost switch and rectifier: no short.",
        "Each lamp or LED string by itself: continuity and connectors, none open.",
    ),
    "inverter": (
        "Supply fuse: continuity.",
        "Each switch of the bridge: no short from drain to source, gate not leaky.",
        "Transformer and output: no short, no burnt winding.",
    ),
    "motor drive": (
        *_MAINS,
        "Each switch of the bridge: no short, gate resistors whole.",
        "Motor windings by themselves: equal resistances, none to the frame.",
    ),
    "control board": (
        "Supply pins to ground: no short.",
        "Regulators: no short from input to output or output to ground.",
        "Connectors and keys: clean, no bent pins, no wet residue.",
    ),
    "display board": (
        "Supply pins to ground: no short.",
        "Ribbon cables and connectors: seated, clean, not cracked.",
        "Regulators: no short from output to ground.",
    ),
}


# The symptoms that a check looks for: once they are answered it need not be done.
_LOOKS_FOR: dict[str, frozenset[str]] = {
    _MAINS[0]: frozenset(("fuse blown",)),
    _MAINS[1]: frozenset(("mains rectifier shorted",)),
    _MAINS[2]: frozenset(("main switch shorted",)),
    _OUTPUTS: frozenset(("output rail shorted to ground",)),
}


def first_checks(kind: str | None = None, known: Collection[str] = ()) -> tuple[str, ...]:
    """The checks for a kind of board, those of a power supply where the kind is not known.

    Checks that look for symptoms in `known`, because they are noted or a reading answers them, are left out.
    """
    checks = (*_FIRST, *_BY_KIND.get(kind or "", _BY_KIND["power supply"]), _LAST)
    return tuple(check for check in checks if not _LOOKS_FOR.get(check, frozenset()) & set(known))
