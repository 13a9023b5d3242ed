"""What a rail should be and what a meter said: the plain types the bench works on."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache

import numpy as np

from kb.bench.checks import exact, finite, positive, sentence_start
from kb.errors import BadInput
from kb.facts.vocabulary import LOADS, RAIL_ROLES, SUPPLY_STATES, Word, values

ASSUMED_TOLERANCE_PCT = 10.0
MARGINAL_PCT = 5.0
ABSENT_FRACTION = 0.1
_INPUT = re.compile(r"V[ _-]?IN$|^(?:V?IN|INPUT)\b", re.IGNORECASE)
PRIMARY_ROLES = ("bulk", "controller supply")
PULSING_FRACTION = 0.2
# The ATX guide's ripple limits are 1 % of nominal on 5 V and 12 V; taken where a family states none.
ASSUMED_RIPPLE_FRACTION = 0.01
ASSESSED_QUANTITIES = ("dc_v", "ripple_v")

_PRINTED_STEP = Decimal("0.01")


def _one_of(value: str, words: tuple[Word, ...], field: str, what: str) -> None:
    if value not in values(words):
        raise BadInput(
            f"{sentence_start(what)} “{value}” is not in the list.",
            field=field,
            remedy=f"Choose one of: {', '.join(values(words))}.",
        )


def is_input(name: str) -> bool:
    """True for the name of a rail that comes in rather than out, such as 24VIN."""
    return _INPUT.search(name) is not None


@dataclass(frozen=True, slots=True)
class RailSpec:
    """One rail of a board family, as far as it is known.

    `nominal_v` is signed; `tolerance_pct` is in per cent of nominal, `rated_a` in amperes, `ripple_mv`
    in millivolts peak to peak; None means not stated. `always_on` rails are present in standby.

    Raises:
        BadInput: for a rail that cannot exist (nominal 0, rated 0 A, tolerance over 100 %, NaN),
            naming the field and the remedy.
    """

    name: str
    role: str
    nominal_v: float
    tolerance_pct: float | None = None
    rated_a: float | None = None
    ripple_mv: float | None = None
    always_on: bool = False

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise BadInput("The rail has no name.", field="name", remedy="Name it as the board prints it.")
        _one_of(self.role, RAIL_ROLES, "role", "the rail role")
        finite(self.nominal_v, "nominal_v", f"the nominal voltage of {self.name}")
        if self.nominal_v == 0:
            raise BadInput(
                f"The nominal voltage of {self.name} is 0 V.",
                field="nominal_v",
                remedy="Type the voltage printed beside the connector, with a minus for a negative rail.",
            )
        if self.tolerance_pct is not None:
            self._check_tolerance(self.tolerance_pct)
        if self.rated_a is not None:
            remedy = "Type the current on the label or data sheet, or leave it empty if it is not known."
            positive(self.rated_a, "rated_a", f"the rated current of {self.name}", remedy)
        if self.ripple_mv is not None:
            remedy = "Type millivolts peak to peak, or leave it empty if no limit is stated."
            positive(self.ripple_mv, "ripple_mv", f"the ripple limit of {self.name}", remedy)

    def _check_tolerance(self, tolerance_pct: float) -> None:
        remedy = "Type per cent of nominal, such as 5, or leave it empty: then ±10 % is assumed and said."
        positive(tolerance_pct, "tolerance_pct", f"the tolerance of {self.name}", remedy)
        if tolerance_pct > 100:
            raise BadInput(
                f"The tolerance of {self.name} is over 100 %.", field="tolerance_pct", remedy=remedy
            )

    @property
    def on_primary(self) -> bool:
        """True when the rail is at mains potential whatever the board."""
        return self.role in PRIMARY_ROLES

    @property
    def is_input(self) -> bool:
        """True when its name says that it feeds the board (24VIN, VIN): it is measured and never loaded."""
        return is_input(self.name)

    @property
    def never_loaded(self) -> bool:
        """True when no test load goes on it, so that what it reads unloaded is all there is."""
        return self.on_primary or self.is_input

    @property
    def sign(self) -> int:
        """−1 for a negative rail, 1 otherwise: multiplied by it, right polarity is positive."""
        return -1 if self.nominal_v < 0 else 1


@dataclass(frozen=True, slots=True)
class RailReading:
    """What the meter showed on one rail, in volts; `min` and `max` where the meter recorded them.

    On a negative rail `min` and `max` may come in either order, because meters differ.

    Raises:
        BadInput: for words outside the lists, NaN, or a minimum above the maximum (positive values).
    """

    rail: str
    quantity: str = "dc_v"
    supply: str = "running"
    load: str = "none"
    value: float | None = None
    min: float | None = None
    max: float | None = None

    def __post_init__(self) -> None:
        _one_of(self.supply, SUPPLY_STATES, "supply", "the supply state")
        _one_of(self.load, LOADS, "load", "the load")
        for field in ("value", "min", "max"):
            given = getattr(self, field)
            if given is not None:
                finite(given, field, f"the {field if field == 'value' else field + 'imum'} on {self.rail}")
        if self.min is not None and self.max is not None and self.min > self.max > 0:
            raise BadInput(
                f"The minimum on {self.rail} is above its maximum.",
                field="min",
                remedy="Swap the two, or clear the meter's memory and record again.",
            )


@dataclass(frozen=True, slots=True)
class Assessment:
    """What one reading says about its rail.

    `low_v` and `high_v` bound the expected window by magnitude: on −12 V ±10 % they are −10.8 and −13.2.
    `assumed` says that the family states no tolerance; `marginal` that the rail passes but deserves a
    second look; `reversed` that the polarity was wrong; `asks` that the unit or range is doubted;
    `off_pct` is how far from nominal it lies in per cent by magnitude, above 0 for too much. `judgement` is
    one of `JUDGEMENTS` and what every page, verdict and report goes by.
    """

    rail: str
    condition: str
    low_v: float
    high_v: float
    assumed: bool
    marginal: bool
    sentence: str
    expected_absent: bool
    quantity: str = "dc_v"
    supply: str = "running"
    load: str = "none"
    reversed: bool = False
    asks: bool = False
    off_pct: float | None = None
    judgement: str = "unknown"

    @property
    def as_expected(self) -> bool:
        """True when nothing about this reading speaks against the rail."""
        unproven = self.judgement == "not proven until loaded" and self.condition == "in tolerance"
        return self.judgement == "good" or unproven


@dataclass(frozen=True, slots=True)
class Typical:
    """Typical measured values in volts: median, and the tenth and ninetieth percentile."""

    count: int
    median: float | None
    low: float | None
    high: float | None


def typical(readings: Sequence[float]) -> Typical:
    """Median and middle eight tenths (linear between order statistics) of what was measured before.

    Shape: any number of values in one unit; none at all gives a count of 0 and no figures.

    Raises:
        BadInput: when a value is not a number.
    """
    if len(readings) == 0:
        return Typical(0, None, None, None)
    checked = [finite(value, "values", "one of the measured values") for value in readings]
    low, median, high = np.quantile(checked, [0.1, 0.5, 0.9])
    return Typical(len(checked), float(median), float(low), float(high))


@dataclass(frozen=True, slots=True)
class Window:
    """The range by magnitude that a reading must lie in, in volts, bounds included."""

    low: Decimal
    high: Decimal
    assumed: bool

    def below(self, volts: Decimal) -> bool:
        """Below the lower bound, which is taken as printed to a hundredth of a volt where lower."""
        return volts < min(self.low, _printed(self.low))

    def above(self, volts: Decimal) -> bool:
        """Above the upper bound, which is taken as printed to a hundredth of a volt where higher."""
        return volts > max(self.high, _printed(self.high))

    def holds(self, volts: Decimal) -> bool:
        """Within the window, bounds included."""
        return not self.below(volts) and not self.above(volts)


def _printed(bound: Decimal) -> Decimal:
    """The bound as a table prints it: 3.3 V +5 % is printed 3.47 and not 3.465.

    Bounds under a volt stay as they are: a hundredth is no longer small against them.
    """
    return bound.quantize(_PRINTED_STEP, rounding=ROUND_HALF_UP) if bound >= 1 else bound


@lru_cache(maxsize=4096)  # a rail has few windows and very many readings
def voltage_window(spec: RailSpec, tolerance_pct: float | None = None) -> Window:
    """The window of a rail by magnitude; `tolerance_pct` overrides the family's own.

    Where neither states one ±10 % is assumed (common practice, no published source).
    """
    stated = spec.tolerance_pct if tolerance_pct is None else tolerance_pct
    share = exact(ASSUMED_TOLERANCE_PCT if stated is None else stated) / 100
    nominal = abs(exact(spec.nominal_v))
    return Window(nominal * (1 - share), nominal * (1 + share), stated is None)


def ripple_window(spec: RailSpec) -> Window:
    """From none to the family's ripple limit in volts; 1 % of nominal is assumed where none is stated."""
    if spec.ripple_mv is None:
        limit = abs(exact(spec.nominal_v)) * exact(ASSUMED_RIPPLE_FRACTION)
        return Window(Decimal(0), limit, True)
    return Window(Decimal(0), exact(spec.ripple_mv) / 1000, False)


@dataclass(frozen=True, slots=True)
class Measured:
    """A reading turned so that right polarity is positive, in volts.

    `value` is what is judged: the steady value, else the middle of the recorded extremes. `extremes`, the least and
    the most of all that was recorded, are None where the meter recorded no extreme. `half` is `max` or `min` where
    that alone was recorded, by magnitude: it says nothing of the other end.
    """

    value: Decimal
    steady: bool
    extremes: tuple[Decimal, Decimal] | None
    reversed: bool
    half: str = ""

    @property
    def swing(self) -> Decimal:
        """How far the rail moved while it was watched."""
        return self.extremes[1] - self.extremes[0] if self.extremes else Decimal(0)

    @property
    def largest(self) -> Decimal:
        """The value, or the upper extreme where that is larger."""
        return max((self.value, *(self.extremes or ())))


def measured(spec: RailSpec, reading: RailReading) -> Measured:
    """Bring a reading into the polarity of its rail.

    Raises:
        BadInput: when the reading holds no value at all, or a ripple below 0.
    """
    sign = 1 if reading.quantity == "ripple_v" else spec.sign
    value, first, last = (
        None if given is None else exact(given) * sign for given in (reading.value, reading.min, reading.max)
    )
    given = [number for number in (value, first, last) if number is not None]
    if not given:
        raise BadInput(
            f"The reading on {reading.rail} has no value.",
            field="value",
            remedy="Type what the meter shows, or its recorded minimum and maximum.",
        )
    if reading.quantity == "ripple_v" and min(given) < 0:
        raise BadInput(
            f"The ripple on {reading.rail} is below 0.",
            field="value",
            remedy="Type the ripple as volts peak to peak, such as 120 mV.",
        )
    leading = value if value is not None else max(given, key=abs)
    turned = leading < -abs(exact(spec.nominal_v)) * exact(ABSENT_FRACTION)
    if turned:
        given = [-number for number in given]
        value = None if value is None else -value
    if value is None and len(given) == 1:
        # A minimum of a negative rail is its largest by magnitude, where the meter goes by sign.
        half = "max" if (last is not None) is (sign == 1) else "min"
        return Measured(given[0], False, None, turned, half)
    extremes = (min(given), max(given)) if first is not None or last is not None else None
    judged = sum(given, Decimal(0)) / len(given) if value is None else value
    return Measured(judged, value is not None, extremes, turned)
