"""What a place can show: a value outside is asked again, since it was hardly said.

The bounds are wide on purpose: faults are what is measured here. Common practice, no published source.
"""

from __future__ import annotations

from decimal import Decimal

from kb.speech.pages import Place

# Lowest and highest of a quantity anywhere on such a board, in SI base units.
_ANYWHERE: dict[str, tuple[float, float]] = {
    "dc_v": (-500.0, 500.0),
    "ac_v": (0.0, 500.0),
    "ripple_v": (0.0, 50.0),
    "ohm": (0.0, 200e6),
    "diode_v": (0.0, 5.0),
    "farad": (0.0, 0.1),
    "esr_ohm": (0.0, 1000.0),
    "amp": (-100.0, 100.0),
    "hz": (0.0, 10e6),
    "celsius": (-40.0, 250.0),
}
# A rail that is out of control hardly doubles; half a volt more, so that small rails have room for a meter's noise.
_TIMES_NOMINAL, _MORE_V = 2.0, 0.5
_RIPPLE_OF_NOMINAL = 0.5
_NEAR = 0.1
NEEDS_UNIT = {"ripple_v": 10.0, "diode_v": 10.0, "farad": 0.0}
"""From this bare number on it must be said which unit is meant: a meter shows millivolts there, and no farads."""


def bounds(place: Place | None, quantity: str) -> tuple[float, float]:
    """The lowest and highest value that can be meant at a place, in the SI base unit of the quantity."""
    nominal = abs(place.nominal_v) if place and place.nominal_v is not None else None
    low, high = _ANYWHERE[quantity]
    if nominal is None:
        return low, high
    if quantity == "dc_v":
        most = nominal * _TIMES_NOMINAL + _MORE_V
        return -most, most
    if quantity == "ripple_v":
        return 0.0, max(1.0, nominal * _RIPPLE_OF_NOMINAL)
    return low, high


def can_be(value: Decimal, place: Place | None, quantity: str) -> bool:
    """Whether a value can be meant at a place."""
    low, high = bounds(place, quantity)
    return low <= float(value) <= high


def standing(value: Decimal, place: Place | None, quantity: str) -> int:
    """How a value stands to what its rail should show: 1 near it, -1 above, 0 anywhere else.

    A rail mostly shows what it should or less; one that is too high is rare (common practice, no published source).
    """
    nominal = abs(place.nominal_v) if place and place.nominal_v is not None else 0.0
    if quantity != "dc_v" or not nominal:
        return 0
    ratio = abs(float(value)) / nominal
    return 1 if abs(ratio - 1) <= _NEAR else -1 if ratio > 1 else 0
