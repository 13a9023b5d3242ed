"""What a value says of its supply: near its volts, off them, swinging; and the symptom that it shows."""

from __future__ import annotations

from kb.reading.subjects import Subject
from kb.reading.value_ends import NEAR, Found

_STANDBY_NEAR = 0.05
_RATED_NEAR = 0.03  # where the text says what it should be
_NOISE = 1e-9  # of binary fractions: a value on the bound is within
_ABSENT = 0.1
_SHORT_OHM = 2.0
# Rectified 230 V mains up to a power factor stage's output, and the supply of a running controller; common practice.
_BULK = (280.0, 420.0)
_VCC = (10.0, 20.0)
_SWING_V = 2.0  # between where controllers give up and start, at the least; common practice


def is_near(one: Found) -> bool:
    """Whether a voltage is what its supply should have."""
    nominal = one.subject.nominal_v
    if one.quantity != "dc_v" or one.value is None:
        return False
    if one.subject.role == "bulk" and _BULK[0] <= one.value <= _BULK[1]:
        return True  # rectified mains, or behind a power factor stage
    if one.subject.role == "controller supply" and _VCC[0] <= one.value <= _VCC[1]:
        return True
    return bool(nominal) and abs(one.value - (nominal or 0.0)) <= _near(one.subject) * abs(nominal or 0.0)


def _near(subject: Subject, usual: float = NEAR) -> float:
    """How far a supply may be off, as a share of its volts: what its family states, as on the bench."""
    return usual if subject.tolerance is None else subject.tolerance + _NOISE


def swings(one: Found) -> bool:
    """ "VCC 9 to 16": a controller that starts and gives up again and again."""
    return (
        one.subject.role == "controller supply"
        and one.quantity == "dc_v"
        and not one.after_repair
        and one.value is None
        and one.low is not None
        and one.high is not None
        and one.high - one.low >= _SWING_V
    )


def _never_reached(one: Found) -> str | None:
    """ "12 V max 9.4": a supply of which the most that was read is too little."""
    nominal = one.subject.nominal_v
    if one.high is None or not nominal or one.supply == "unpowered":
        return None
    if one.subject.role in ("bulk", "controller supply") or one.high >= (1 - _near(one.subject)) * nominal:
        return None
    return "standby voltage low" if one.subject.role == "standby" else "output voltage low"


def _sagged(one: Found) -> str | None:
    """ "sags from 12.1 to 8.4": a supply that is good and gives way."""
    nominal = one.subject.nominal_v
    if not nominal or one.low is None or one.subject.role in ("bulk", "controller supply"):
        return None
    if one.low >= (1 - _near(one.subject)) * nominal:
        return None
    return "standby voltage low" if one.subject.role == "standby" else "output voltage low"


def symptom_of(one: Found) -> str | None:
    """The symptom that a value shows by itself, None where it shows none."""
    subject = one.subject
    if one.quantity == "esr_ohm" and one.value is not None and one.value >= 1 and subject.point:
        return "high ESR found"
    if one.quantity == "ohm" and subject.rail and one.value is not None and one.value < _SHORT_OHM:
        if subject.role in ("bulk", "controller supply"):
            return None
        return (
            "standby rail shorted to ground" if subject.role == "standby" else "output rail shorted to ground"
        )
    if one.quantity != "dc_v" or not subject.rail:
        return None
    volts = one.value if one.value is not None else one.low
    if volts is None:
        return _never_reached(one)
    if one.low is not None and one.value is not None:
        return _sagged(one)
    if subject.role == "controller supply":
        return "controller supply missing" if one.value is None or volts < 1 else None
    if subject.role == "bulk":
        return "bulk voltage missing" if abs(volts) < 30 else None
    nominal = subject.nominal_v or (5.0 if subject.role == "standby" else None)
    if not nominal or (one.supply in ("standby", "unpowered") and not subject.always_on):
        return None
    share = volts / nominal
    if subject.role == "standby":
        if share < _ABSENT:
            return "no standby voltage"
        return (
            "standby voltage low"
            if share < 1 - _near(subject, _STANDBY_NEAR) and one.value is not None
            else None
        )
    if share < _ABSENT and one.value is not None:
        return "one output missing"
    near = _near(subject, _RATED_NEAR if subject.rated else NEAR)
    if share < 1 - near and one.value is not None:
        return "output voltage low"
    return "output voltage high" if share > 1 + near else None
