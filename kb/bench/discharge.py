"""Discharge a capacitor through a resistor, and choose a sensible resistor for it.

t = R·C·ln(V0/V), E = C·V0²/2, P0 = V0²/R (any textbook; held against OpenStax College Physics). The targets are
common practice and no standard's: 60 V for hands in dry places, 5 V for the meter (`kb.bench.limits`). A capacitor
gives back part of its charge: wait, and measure again. Measure before touching, always.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from kb.bench.checks import farads as farads_text
from kb.bench.checks import ohms as ohms_text
from kb.bench.checks import positive, volts, watts
from kb.bench.checks import seconds as seconds_text
from kb.bench.limits import TOUCH_V
from kb.facts.preferred import next_preferred_down

TARGET_V = TOUCH_V
WATT_RATINGS = (0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 25.0, 50.0, 100.0)
# Common practice, no published source: a wirewound resistor takes five times its watts for seconds.
_PULSE_FACTOR = 5.0
_WANTED_S = 5.0
_LARGEST_WANTED_W = 10.0
_LEAST_OHM, _MOST_OHM = 1.0, 100_000.0


@dataclass(frozen=True, slots=True)
class SuggestedResistor:
    """A preferred (E12) resistor: ohms, rated watts, and seconds until the target voltage."""

    ohms: float
    watts: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Discharge:
    """The course of a discharge: time constant and time in seconds, energy in joules, first watts and amperes."""

    ohms: float
    tau_s: float
    seconds: float
    to_v: float
    joules: float
    peak_w: float
    peak_a: float
    suggested: SuggestedResistor
    sentence: str


def discharge(farads: float, volts_0: float, ohms: float | None = None, to_v: float = TARGET_V) -> Discharge:
    """How a capacitor of `farads` charged to `volts_0` empties through `ohms` down to `to_v`.

    Without `ohms` the suggested resistor is taken. A capacitor at or below `to_v` needs 0 s.

    Raises:
        BadInput: when a value is not above 0; a target of 0 V is never quite reached.
    """
    positive(farads, "farads", "the capacitance", "Type it as printed on the can, such as 120 µF.")
    positive(volts_0, "volts", "the starting voltage", "Type the volts across the capacitor.")
    positive(to_v, "to_v", "the target voltage", "Type a few volts: 0 V is never quite reached.")
    if ohms is not None:
        positive(ohms, "ohms", "the resistance", "Type its ohms: never short a capacitor with 0 Ω.")
    suggested = suggest_resistor(farads, volts_0, to_v)
    through = suggested.ohms if ohms is None else ohms
    seconds = seconds_until(farads, volts_0, through, to_v)
    peak_w = volts_0**2 / through
    sentence = (
        f"{farads_text(farads)} at {volts(volts_0)} through {ohms_text(through)} is down to {volts(to_v)} after "
        f"{seconds_text(seconds)}, starting at {watts(peak_w)}: measure before touching, and again later: the "
        "voltage comes back a little."
    )
    if volts_0 <= to_v:
        sentence = (
            f"{volts(volts_0)} is already at or below {volts(to_v)}: measure before touching all the same."
        )
    return Discharge(
        ohms=through,
        tau_s=through * farads,
        seconds=seconds,
        to_v=to_v,
        joules=farads * volts_0**2 / 2,
        peak_w=peak_w,
        peak_a=volts_0 / through,
        suggested=suggested,
        sentence=sentence,
    )


def seconds_until(farads: float, volts_0: float, ohms: float, to_v: float) -> float:
    """Seconds until the voltage has fallen to `to_v`; 0 when it is there already."""
    return 0.0 if volts_0 <= to_v else ohms * farads * math.log(volts_0 / to_v)


def joules_between(farads: float, volts_0: float, to_v: float) -> float:
    """Energy in joules that turns into heat while the voltage falls from `volts_0` to `to_v`."""
    return farads * (volts_0**2 - to_v**2) / 2


def suggest_resistor(farads: float, volts_0: float, to_v: float = TARGET_V) -> SuggestedResistor:
    """The largest E12 resistor that is quick (about 5 s) yet needs no more than 10 W, doubling the time until so.

    The rating covers the mean power of the discharge and a fifth of its first moment (common practice,
    no published source). A capacitor below the target is taken down to a tenth of its voltage.
    """
    target = to_v if to_v < volts_0 else volts_0 / 10
    wanted_s = _WANTED_S
    while True:
        exact_ohm = wanted_s / (farads * math.log(volts_0 / target))
        ohms = next_preferred_down(min(max(exact_ohm, _LEAST_OHM), _MOST_OHM), "E12")
        seconds = seconds_until(farads, volts_0, ohms, target)
        needed_w = max(joules_between(farads, volts_0, target) / seconds, volts_0**2 / ohms / _PULSE_FACTOR)
        if needed_w <= _LARGEST_WANTED_W or ohms >= _MOST_OHM:
            break
        wanted_s *= 2
    rating = next((rating for rating in WATT_RATINGS if rating >= needed_w), math.ceil(needed_w))
    return SuggestedResistor(ohms, rating, seconds)
