"""Where the marks of a rail gauge stand, for whatever draws it."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from kb.bench.rail_types import RailReading, RailSpec, measured, ripple_window, voltage_window

# The band takes two fifths of a voltage gauge, so that a reading just outside is visibly outside.
_SCALE_HALF_WIDTHS = 2.5
_RIPPLE_SCALE = 2.5


@dataclass(frozen=True, slots=True)
class Gauge:
    """Positions from 0 (left end) to 1 (right end); None where there is nothing to draw.

    The scale runs by magnitude, so a dot on the right of the band is too much on negative rails too.
    `clipped_low` and `clipped_high` say that a mark lies beyond that end of the scale.
    """

    band_lo: float
    band_hi: float
    nominal: float | None
    dot: float | None
    whisker_lo: float | None
    whisker_hi: float | None
    scale_lo_v: float
    scale_hi_v: float
    clipped_low: bool
    clipped_high: bool


def gauge(spec: RailSpec, reading: RailReading | None = None) -> Gauge:
    """The gauge of a rail, with the reading's dot and whisker where there is a reading.

    Raises:
        BadInput: when the reading holds no value.
    """
    if reading is not None and reading.quantity == "ripple_v":
        window = ripple_window(spec)
        low, high, nominal, sign = 0.0, float(window.high) * _RIPPLE_SCALE, None, 1
    else:
        window = voltage_window(spec)
        nominal, sign = abs(spec.nominal_v), spec.sign
        reach = float(window.high - window.low) / 2 * _SCALE_HALF_WIDTHS
        low, high = nominal - reach, nominal + reach

    def place(volts: Decimal | float) -> float:
        return min(1.0, max(0.0, (float(volts) - low) / (high - low)))

    seen = None if reading is None else measured(spec, reading)
    dot = seen.value if seen is not None and seen.steady else None
    least, most = (seen.extremes if seen is not None else None) or (None, None)
    shown = [float(mark) for mark in (dot, least, most) if mark is not None]
    return Gauge(
        band_lo=place(window.low),
        band_hi=place(window.high),
        nominal=None if nominal is None else place(nominal),
        dot=None if dot is None else place(dot),
        whisker_lo=None if least is None else place(least),
        whisker_hi=None if most is None else place(most),
        scale_lo_v=sign * low,
        scale_hi_v=sign * high,
        clipped_low=any(mark < low for mark in shown),
        clipped_high=any(mark > high for mark in shown),
    )
