"""Voltage dividers, dropper resistors and resistors side by side, in preferred values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from kb.bench.checks import positive
from kb.errors import BadInput
from kb.facts.preferred import SERIES, nearest_preferred, next_preferred_up

# Common practice, no published source: a film resistor runs at half its watts at most.
_WATT_HEADROOM = 2.0
_SMALL_RATINGS = (0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 25.0, 50.0, 100.0)
_OHM_REMEDY = "Type its ohms, such as 4k7."


@dataclass(frozen=True, slots=True)
class Divider:
    """Volts at the tap, amperes through the top resistor, watts in each, ohms the tap looks like."""

    top_ohm: float
    bottom_ohm: float
    out_v: float
    amps: float
    top_w: float
    bottom_w: float
    source_ohm: float


@dataclass(frozen=True, slots=True)
class Dropper:
    """A series resistor: exact and preferred ohms, the current that flows with it, its heat and rating."""

    exact_ohm: float
    ohms: float
    amps: float
    watts: float
    rating_w: float


def rating_for(watts: float) -> float:
    """The smallest usual rating in watts that leaves the resistor at half its rating or less."""
    return next(
        (rating for rating in _SMALL_RATINGS if rating >= watts * _WATT_HEADROOM * (1 - 1e-9)),
        float(math.ceil(watts * _WATT_HEADROOM)),
    )


def divider(in_v: float, top_ohm: float, bottom_ohm: float, load_ohm: float | None = None) -> Divider:
    """A divider from `in_v` (either sign) to ground, with or without a load across its bottom resistor.

    Raises:
        BadInput: when a resistance is not above 0.
    """
    positive(top_ohm, "top_ohm", "the top resistor", _OHM_REMEDY)
    positive(bottom_ohm, "bottom_ohm", "the bottom resistor", _OHM_REMEDY)
    lower = bottom_ohm
    if load_ohm is not None:
        positive(load_ohm, "load_ohm", "the load on the tap", _OHM_REMEDY)
        lower = in_parallel((bottom_ohm, load_ohm))
    amps = in_v / (top_ohm + lower)
    out_v = amps * lower
    return Divider(
        top_ohm,
        bottom_ohm,
        out_v,
        amps,
        amps**2 * top_ohm,
        out_v**2 / bottom_ohm,
        in_parallel((top_ohm, bottom_ohm)),
    )


def choose_divider(in_v: float, out_v: float, amps: float, series: str = "E24") -> Divider:
    """The preferred pair whose tap lies nearest to `out_v` with about `amps` through it.

    All bottom values within a factor of two of the wanted one are tried with their nearest top values.

    Raises:
        BadInput: when the tap is not between 0 and the input, or the series is unknown.
    """
    positive(in_v, "in_v", "the input voltage", "Type the volts that are divided.")
    positive(out_v, "out_v", "the wanted voltage", "Type the volts wanted at the tap.")
    positive(amps, "amps", "the divider's current", "Type amperes, such as 1 mA.")
    if out_v >= in_v:
        raise BadInput(
            "The wanted voltage is not below the input.", field="out_v", remedy="A divider can only lower it."
        )
    if series not in SERIES:
        raise BadInput(
            f"{series} is no series of preferred values.",
            field="series",
            remedy=f"Use one of: {', '.join(SERIES)}.",
        )
    wanted = out_v / amps
    bottoms = {
        nearest_preferred(wanted * 2 ** (step / len(SERIES[series])), series)
        for step in range(-len(SERIES[series]), len(SERIES[series]) + 1)
    }
    pairs = [
        divider(in_v, nearest_preferred(bottom * (in_v / out_v - 1), series), bottom)
        for bottom in sorted(bottoms)
    ]
    return min(pairs, key=lambda pair: (round(abs(pair.out_v - out_v), 9), abs(math.log(pair.amps / amps))))


def dropper(from_v: float, to_v: float, amps: float, series: str = "E24") -> Dropper:
    """A series resistor that drops `from_v` to `to_v` at `amps`, the next preferred value up.

    Raises:
        BadInput: when nothing is to be dropped or the current is not above 0.
    """
    positive(amps, "amps", "the current", "Type amperes, such as 20 mA.")
    positive(from_v - to_v, "to_v", "the voltage to drop", "The supply must be above what it feeds.")
    exact_ohm = (from_v - to_v) / amps
    ohms = next_preferred_up(exact_ohm, series)
    flowing = (from_v - to_v) / ohms
    watts = flowing**2 * ohms
    return Dropper(exact_ohm, ohms, flowing, watts, rating_for(watts))


def in_parallel(ohms: Sequence[float]) -> float:
    """Resistance in ohms of several resistors side by side.

    Raises:
        BadInput: when there is none or one is not above 0.
    """
    if not ohms:
        raise BadInput("No resistor was given.", field="ohms", remedy="Give at least one.")
    for one in ohms:
        positive(one, "ohms", "a resistor", _OHM_REMEDY)
    return 1 / sum(1 / one for one in ohms)


def shunt_reference_output(reference_v: float, top_ohm: float, bottom_ohm: float) -> float:
    """Output volts that a shunt reference of `reference_v` holds with this feedback divider: Vref (1 + R1/R2).

    Raises:
        BadInput: when a value is not above 0.
    """
    positive(reference_v, "reference_v", "the reference voltage", "Type it, such as 2.5 V.")
    positive(top_ohm, "top_ohm", "the top resistor", _OHM_REMEDY)
    positive(bottom_ohm, "bottom_ohm", "the bottom resistor", _OHM_REMEDY)
    return reference_v * (1 + top_ohm / bottom_ohm)
