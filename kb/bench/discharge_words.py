"""What a voltage left on a capacitor means, by the purpose of each limit."""

from __future__ import annotations

from kb.bench.checks import number, volts
from kb.bench.limits import METER_V, TOUCH_V, WET_TOUCH_V


def charge_words(name: str, left_v: float, *, came_back: bool, battery: bool, wet: bool) -> str:
    """What to do about a capacitor that is not empty enough for the meter; `name` begins the sentence."""
    meter, shown = f"{number(METER_V)} V", volts(left_v)
    first = "Disconnect the battery at its terminals: the plug is only half of it. " if battery else ""
    if came_back:
        return (
            f"{name} is back at {shown} after it was discharged: capacitors give back part of their charge. "
            f"{first}Discharge it again through the resistor and leave the resistor on until you measure."
        )
    touch = WET_TOUCH_V if wet else TOUCH_V
    if abs(left_v) > touch:
        how = "which can kill"
    else:
        where = "in wet places" if wet else "in dry places"
        how = (
            f"below the {number(touch)} V of common practice for touching {where}, and too much for the meter and "
            "every resistance check"
        )
    return (
        f"{name} still holds {shown}, {how}. {first}Discharge it through a resistor down to {meter}, then measure "
        "again before you go on: the voltage comes back a little."
    )
