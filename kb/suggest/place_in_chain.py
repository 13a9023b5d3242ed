"""Of several parts replaced on one board: which was the cause, and which only went with it.

What a person said counts. Where nobody said, the place in the chain decides: some parts die because another one
did. All pairs below are common practice, no published source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

_SHORTED = frozenset(
    {
        "bridge rectifier",
        "MOSFET",
        "power factor MOSFET",
        "IGBT",
        "integrated switcher",
        "bipolar transistor",
        "bulk capacitor",
        "varistor",
        "diode",
        "fast rectifier",
        "triac or thyristor",
        "film capacitor",
        "safety capacitor",
        "transformer",
        "gas discharge tube",
        "surge suppressor diode",
    }
)
_SWITCHES = frozenset({"MOSFET", "power factor MOSFET", "IGBT", "integrated switcher", "bipolar transistor"})

# Part class that goes with another: the classes that took it with them.
GOES_WITH: dict[str, frozenset[str]] = {
    # A fuse blows because something behind it is shorted.
    "fuse": _SHORTED,
    "fusible resistor": _SHORTED,
    "inrush limiter": _SHORTED - {"varistor", "gas discharge tube"},
    # A shorted switch sends its current through the sense resistor and its drain voltage into the driver.
    "current sense resistor": _SWITCHES,
    "controller IC": _SWITCHES - {"integrated switcher"},
    "power factor controller IC": frozenset({"power factor MOSFET"}),
    "zener diode": _SWITCHES,
    # The rectifier carries the current of a shorted switch or bulk capacitor.
    "bridge rectifier": frozenset({"MOSFET", "power factor MOSFET", "IGBT", "integrated switcher"}),
    # Joints and tracks burn under a part that draws too much.
    "circuit board": _SWITCHES | {"bridge rectifier", "varistor"},
}


class Replaced(Protocol):
    """A part that was replaced; `cause` says whether a person called it the cause, None where nobody said."""

    @property
    def part_class(self) -> str: ...

    @property
    def cause(self) -> bool | None: ...


def consequences(parts: Sequence[Replaced]) -> tuple[bool, ...]:
    """For each of the parts replaced on one board whether it only went with another.

    A part that a person called the cause, or not the cause, is taken at that word. Where one was called the cause,
    the others of which nothing was said went with it only if the table says so too: a second fault is possible.
    At least one part remains as the cause.
    """
    classes = {one.part_class for one in parts if one.cause is not False}
    found = [
        one.cause is False
        or (
            one.cause is None
            and bool(GOES_WITH.get(one.part_class, frozenset()) & (classes - {one.part_class}))
        )
        for one in parts
    ]
    if all(found) and found:
        unsaid = [place for place, one in enumerate(parts) if one.cause is None]
        found[unsaid[-1] if unsaid else -1] = False
    return tuple(found)


def presumed_cause(parts: Sequence[Replaced]) -> int | None:
    """The place of the part to preselect as the cause, None where no part was replaced.

    A part that a person called the cause, the last of several; else the last that did not go with another.
    """
    said = [place for place, one in enumerate(parts) if one.cause]
    if said:
        return said[-1]
    kept = [place for place, follows in enumerate(consequences(parts)) if not follows]
    return kept[-1] if kept else None
