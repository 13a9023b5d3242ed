"""Switch the main converter on through a resistor, so that a wrong pin does little harm."""

from __future__ import annotations

from dataclasses import dataclass

from kb.bench.checks import amps as amps_text
from kb.bench.checks import ohms as ohms_text
from kb.bench.checks import positive, volts, watts
from kb.bench.divider import rating_for
from kb.errors import BadInput
from kb.facts.preferred import next_preferred_up

ACTIVE = ("high", "low")
# Common practice, no published source: 5 mA serves a logic input and the diode of most optocouplers. A relay on the
# line wants tens of milliamperes, and then the family has to state its own resistor.
WANTED_A = 0.005


@dataclass(frozen=True, slots=True)
class EnableLine:
    """How a family is enabled: which pin, from which rail, active high or low, and its own resistor (Ω)."""

    connector: str = ""
    pin: int | None = None
    from_rail: str = ""
    active: str = "high"
    resistor_ohm: float | None = None

    def __post_init__(self) -> None:
        if self.active not in ACTIVE:
            raise BadInput(
                f"The enable line cannot be active “{self.active}”.",
                field="active",
                remedy="Choose high or low.",
            )
        if self.resistor_ohm is not None:
            remedy = "Type its ohms, such as 1 kΩ; 0 Ω would protect nothing."
            positive(self.resistor_ohm, "resistor_ohm", "the enable resistor", remedy)


@dataclass(frozen=True, slots=True)
class EnablePlan:
    """The resistor to use: ohms, greatest current (A) and power (W) in it, its rating, and what to do.

    `chosen` is True when the family states no resistor and a preferred (E12) value was chosen.
    """

    ohms: float
    amps: float
    watts: float
    rating_w: float
    chosen: bool
    sentence: str


def plan_enable(line: EnableLine, rail_v: float) -> EnablePlan:
    """The enable resistor for a line fed from (or pulled up to) `rail_v`.

    The current is what flows when the other end is at ground: the most that the input can get. Active
    low pulls the pin to ground through the resistor, which carries no more than the rail over its ohms.

    Raises:
        BadInput: when the rail is not above 0 V.
    """
    positive(rail_v, "rail_v", "the rail that feeds the enable line", "Name the standby rail of the family.")
    chosen = line.resistor_ohm is None
    ohms = next_preferred_up(rail_v / WANTED_A, "E12") if line.resistor_ohm is None else line.resistor_ohm
    amps = rail_v / ohms
    heat = amps * rail_v
    pin = f"{line.connector or 'the enable connector'} pin {line.pin if line.pin is not None else '(not known)'}"
    origin = line.from_rail or volts(rail_v)
    way = f"from {origin} to {pin}" if line.active == "high" else f"from {pin} to ground"
    why = " (preferred value for about 5 mA, which serves a logic input or an optocoupler)" if chosen else ""
    sentence = (
        f"Connect {ohms_text(ohms)}{why} {way}: at most {amps_text(amps)} and {watts(heat)}, "
        f"so a {rating_for(heat):g} W resistor is enough."
    )
    if chosen:
        sentence += " If nothing happens, the line may drive a relay: look up what it wants before a smaller resistor."
    return EnablePlan(ohms, amps, heat, rating_for(heat), chosen, sentence)
