"""From what was measured to the one judgement that every page, verdict and report goes by."""

from __future__ import annotations

from decimal import Decimal

from kb.bench.checks import exact
from kb.bench.circumstances import Circumstances
from kb.bench.limits import FAR_HIGH_FRACTION, METER_V, NEAR_FRACTION, RECTIFIED_FRACTION, USUAL_MAINS_V
from kb.bench.rail_types import (
    ABSENT_FRACTION,
    PULSING_FRACTION,
    Measured,
    RailReading,
    RailSpec,
    Window,
)

_PEAK = Decimal(2).sqrt()


def judged_condition(
    spec: RailSpec, reading: RailReading, seen: Measured, window: Window, around: Circumstances
) -> str:
    """One of the five conditions of a rail.

    A steady fall or rise that a log shows is drift and no pulsing: its end is judged. Under load a recorded
    extreme outside the window counts where no steady value stands against it.
    """
    nominal = abs(exact(spec.nominal_v))
    if around.drift is not None and seen.extremes is not None:
        return _level(seen.extremes[0 if around.drift < 0 else 1], nominal, window)
    if seen.swing > nominal * exact(PULSING_FRACTION):
        return "pulsing"
    level = _level(seen.value, nominal, window)
    if level == "in tolerance" and seen.extremes is not None and not seen.steady and reading.load != "none":
        least, most = seen.extremes
        return _level(least, nominal, window, above=most)
    return level


def _level(value: Decimal, nominal: Decimal, window: Window, *, above: Decimal | None = None) -> str:
    if abs(value) < nominal * exact(ABSENT_FRACTION):
        return "absent"
    if window.below(value):
        return "low"
    return "high" if window.above(value if above is None else above) else "in tolerance"


def rectified_mains(spec: RailSpec, around: Circumstances) -> Decimal | None:
    """The peak of the mains, in volts, for a bulk rail that a power factor stage lifts above it; else None.

    Without a stated mains 230 V is taken.
    """
    peak = exact(around.mains_v or USUAL_MAINS_V) * _PEAK
    lifted = spec.role == "bulk" and abs(exact(spec.nominal_v)) > peak * Decimal("1.08")
    return peak if lifted else None


def rests_on_mains(spec: RailSpec, seen: Measured, around: Circumstances) -> bool:
    """True where a boosted bulk shows no more than the rectified mains."""
    peak = rectified_mains(spec, around)
    return peak is not None and abs(seen.value - peak) <= peak * exact(RECTIFIED_FRACTION)


def judgement_of(
    spec: RailSpec,
    reading: RailReading,
    seen: Measured,
    condition: str,
    expected_absent: bool,
    asks: bool,
    around: Circumstances,
) -> str:
    """One of `JUDGEMENTS` for a direct voltage."""
    if asks or seen.reversed:
        return "unknown"
    if reading.supply == "unpowered":
        largest = max(abs(number) for number in (seen.value, *(seen.extremes or ())))
        return "good" if largest <= exact(METER_V) else "charged"
    if around.help is not None and around.help.state == "held":
        return "unknown"
    if seen.half:
        return _half_judged(seen.half, condition)
    if expected_absent:
        return "good" if condition == "absent" else "unknown" if condition == "in tolerance" else "high"
    if spec.role == "bulk" and rests_on_mains(spec, seen, around):
        return "good" if reading.supply == "standby" else _bulk_running(reading)
    if condition == "in tolerance":
        proven = reading.load != "none" or spec.never_loaded
        return "good" if proven else "not proven until loaded"
    if reading.load == "none" and _left_to_the_load(spec, seen, condition):
        return "not proven until loaded"
    if reading.load == "test load" and around.cold_load and condition in ("absent", "low"):
        # Filaments that see more than half of the rail are hot within the seconds that it is watched.
        return "unknown" if seen.value < abs(exact(spec.nominal_v)) / 2 else condition
    return condition


def _half_judged(half: str, condition: str) -> str:
    """What one end alone proves: a highest that is too high, a lowest that is too low (or above everything)."""
    if condition == "high":
        return "high"
    return "low" if half == "min" and condition in ("absent", "low") else "unknown"


def _bulk_running(reading: RailReading) -> str:
    """Enabled and loaded it should boost; with no load the power factor stage may rest."""
    return "low" if reading.load != "none" else "not proven until loaded"


def _left_to_the_load(spec: RailSpec, seen: Measured, condition: str) -> bool:
    """True where a reading with nothing connected is off, but not so far that the load need not be asked.

    A standby rail is regulated by itself: idle it may sit a little low, and has no reason to sit high.
    Switched rails follow the loaded one and drift either way.
    """
    if spec.never_loaded:
        return False
    nominal = abs(exact(spec.nominal_v))
    if condition == "low":
        return not spec.always_on or nominal - seen.value <= nominal * exact(NEAR_FRACTION)
    if condition == "high":
        return not spec.always_on and seen.value - nominal <= nominal * exact(FAR_HIGH_FRACTION)
    return False
