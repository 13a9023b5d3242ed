"""How parts fail: what everyday words and measured values say of which class."""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.designators import designator_letters
from kb.facts.parts import PART_CLASSES
from kb.reading.mentions import Mention
from kb.reading.readings import Found

# Concepts that say how a part failed, and the classes of which they say it; no classes: of any.
CAPACITORS = frozenset(part.name for part in PART_CLASSES if part.name.endswith("capacitor"))
FAILURE_CONCEPTS: dict[str, tuple[str, frozenset[str]]] = {
    "blown": ("open", frozenset(("fuse", "resettable fuse", "fusible resistor", "thermal cut-out"))),
    "shorted": ("shorted", frozenset()),
    "open": ("open", frozenset()),
    "bulging": ("bulging", CAPACITORS),
    "leaking": (
        "leaking electrolyte",
        CAPACITORS - {"safety capacitor", "ceramic capacitor", "film capacitor"},
    ),
    "dry": ("lost capacitance", CAPACITORS),
    "burnt": ("burnt", frozenset()),
    "charred": (
        "burnt",
        frozenset(("resistor", "transformer", "connector", "relay", "fusible resistor", "fuse")),
    ),
    "corrosion": ("corroded", frozenset()),
    "green": ("corroded", frozenset(("connector", "circuit board", "battery"))),
    "cracked": ("cracked joint", frozenset(("solder joint",))),
    "stuck": ("worn contacts", frozenset(("relay", "switch"))),
}
WET_CAPACITORS = frozenset(("electrolytic capacitor", "bulk capacitor", "polymer capacitor", "battery", None))
# Classes that wear: contacts, wipers, bearings.
WITH_CONTACTS = frozenset(
    (
        "relay",
        "switch",
        "connector",
        "potentiometer",
        "fan",
        "motor or pump",
        "keypad",
        "cable",
        "thermal cut-out",
        None,
    )
)
BAD = frozenset(("defective", "empty", "bad", "loose", "dead", "cracked", "hole"))
COMES_LOOSE = frozenset(("cable", "connector"))
# Parts that a complaint names as well.
OF_THE_DEVICE = frozenset(
    ("motor or pump", "fan", "battery", "display module", "loudspeaker or buzzer", "keypad", "heating element",
     "switch", "cable")
)  # fmt: skip


def failure_by_value(mention: Mention, quantity: str, value: float) -> str | None:
    """What a value measured at a part says of it, in SI units; None where it says nothing."""
    letters = designator_letters(mention.part or "")
    if quantity == "esr_ohm":
        return "high ESR" if value >= 1 else None
    if quantity != "ohm":
        return None
    if letters in ("Q", "D", "BD", "BR", "DB", "ZD", "FET", "CR") and value < 5:
        return "shorted"
    return "worn contacts" if letters in ("K", "RL", "RY", "RLY") and 1 < value < 1_000 else None


def set_failures_by_value(mentions: Sequence[Mention], readings: Sequence[Found]) -> None:
    """What a reading at a part says of it: a high ESR, a short, contacts that no longer close."""
    for one in readings:
        if one.subject.point is None or one.value is None:
            continue
        for mention in mentions:
            if mention.part == one.subject.point and mention.failure is None:
                mention.failure = failure_by_value(mention, one.quantity, one.value)
                if mention.failure:
                    mention.take(*one.tokens)
                break


def is_near_nominal(one: Found) -> bool:
    """Whether a reading is near its supply's volts: "0 V after F1" says where it was measured."""
    nominal = one.subject.nominal_v
    return bool(nominal and one.value is not None and abs(one.value - nominal) <= 0.1 * abs(nominal))
