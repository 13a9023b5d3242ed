"""What can hurt at each bench step, in short sentences of our own.

Common practice of mains-powered repair. No number here is a limit of any standard: which rules bind is
for the country and the licence of the person at the bench.
"""

from __future__ import annotations

from dataclasses import dataclass

STEPS: tuple[str, ...] = ("unpowered", "energise", "primary", "load", "discharge", "battery")


@dataclass(frozen=True, slots=True)
class Caution:
    """One hazard and what to do about it; `when` holds the steps of `STEPS` it belongs to."""

    key: str
    text: str
    when: tuple[str, ...]


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "stored charge",
        "The bulk capacitor can hold a deadly charge long after the plug is out: discharge it through a "
        "resistor, never with a screwdriver, then measure across it before touching anything.",
        ("unpowered", "energise", "primary", "load", "discharge", "battery"),
    ),
    Caution(
        "comes back",
        "A discharged capacitor gives back part of its charge: leave the resistor on, and measure again after every "
        "pause.",
        ("unpowered", "discharge"),
    ),
    Caution(
        "battery",
        "A battery keeps the bulk capacitor charged with the plug out: unplugging is not enough, take the battery off "
        "at its terminals first.",
        ("battery",),
    ),
    Caution(
        "high voltage",
        "Capacitors of microwave ovens and of flash units hold thousands of volts and kill at once: leave them to "
        "somebody with the tools and the training for them.",
        ("discharge",),
    ),
    Caution(
        "isolation",
        "Feed the board under test from an isolating transformer; a variable autotransformer alone does "
        "not isolate.",
        ("energise", "primary", "load"),
    ),
    Caution(
        "primary live",
        "Everything on the mains side is at mains potential while plugged in, heat sinks included, even "
        "when the set looks dead.",
        ("energise", "primary", "load"),
    ),
    Caution(
        "scope",
        "Never clip the earthed lead of an oscilloscope to the mains side, and never cut the earth of the "
        "oscilloscope instead: use a differential probe rated for the job.",
        ("energise", "primary"),
    ),
    Caution(
        "residual current",
        "Supply the bench through a residual-current device, and know that it sees neither a fault behind "
        "the isolating transformer nor a touch across both conductors.",
        ("energise", "primary", "load"),
    ),
    Caution(
        "loads dead",
        "Connect and remove loads with the mains off and the outputs measured below the voltage that the step "
        "names, never on a running board.",
        ("load",),
    ),
    Caution(
        "hot loads",
        "Load lamps and resistors get hot enough to burn skin and bench: give them air, keep them off "
        "anything that melts, and let them cool before moving them.",
        ("load",),
    ),
    Caution(
        "hot discharge",
        "Hold the discharge resistor by insulated leads: for its first moments it carries the full bulk "
        "voltage, and it gets hot.",
        ("discharge",),
    ),
    Caution(
        "not alone",
        "Do not work on live equipment alone: somebody within call must know where to switch off.",
        ("energise", "primary", "load"),
    ),
    Caution(
        "local rules",
        "Local codes and licensed practice come first: where they ask for more than this page, or for "
        "somebody else to do the work, follow them.",
        ("unpowered", "energise", "primary", "load", "discharge", "battery"),
    ),
)


# Where an instrument is wired to a computer. Common practice, no published source.
METER_CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "common earthed",
        "The black socket of a bench instrument may be joined to earth, by itself or through its network cable, USB or "
        "an oscilloscope: clipped to the mains side it is a short to earth. Use a battery meter there.",
        ("energise", "primary"),
    ),
    Caution(
        "lead sockets",
        "Look at the sockets before each connection: with a lead left in the ampere socket the meter is a short across "
        "whatever it touches, whatever it is asked to measure.",
        ("unpowered", "energise", "primary", "load"),
    ),
    Caution(
        "category",
        "Leads and instrument must be marked for the place where they are used, by measurement category and voltage; "
        "much that stands on a bench is not marked for the mains side at all.",
        ("energise", "primary"),
    ),
    Caution(
        "asks ohms",
        "Asked for ohms or a junction drop, a meter sets itself to it: only with the board unplugged and the charge "
        "measured.",
        ("unpowered",),
    ),
    Caution(
        "outputs stay",
        "The program reads supplies and loads and switches nothing: whatever is on stays on until a hand turns it off.",
        ("load",),
    ),
)


def cautions_for(step: str) -> tuple[Caution, ...]:
    """The cautions of one step of `STEPS`, the most pressing first. Raises ValueError for another step."""
    if step not in STEPS:
        raise ValueError(f"unknown step {step!r}; the steps are {', '.join(STEPS)}")
    return tuple(caution for caution in CAUTIONS if step in caution.when)
