"""The bench's own loads and what they draw.

Tungsten lamps are re-rated by I = I0 (V/V0)^0.55, an exponent in common use: it was found in public articles on
lamp re-rating, and the handbook that these name was not read. Cold filament resistance is a tenth to about a
sixteenth of hot: the resistivity of tungsten at 20 °C against that at 2000 to 3000 K (table with the test data).
Measured points always come before the law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from kb.bench.checks import finite, positive
from kb.errors import BadInput

LOAD_KINDS = ("resistor", "lamp", "electronic")
LAMP_EXPONENT = 0.55
COLD_RATIO_LOW = 10.0
COLD_RATIO_HIGH = 16.5


@dataclass(frozen=True, slots=True)
class Load:
    """One kind of load on the shelf and how many there are.

    `points` are measured (volts, amperes); a resistor may give `ohm` instead. `max_w` is the rated power,
    `max_v` the highest voltage (a lamp's rating, by default its highest measured point). An electronic
    load draws what it is set to between `min_v` and `max_v`, up to `max_a` and `max_w`. Filaments with the same
    `base` share one contact of a lamp, and `count` is the number of lamps.

    Raises:
        BadInput: for 0 Ω, no watts, points that fall back, or anything else that cannot be a load.
    """

    name: str
    kind: str
    points: tuple[tuple[float, float], ...] = ()
    max_w: float | None = None
    count: int = 1
    ohm: float | None = None
    tolerance_pct: float | None = None
    max_v: float | None = None
    max_a: float | None = None
    min_v: float | None = None
    base: str = ""

    def __post_init__(self) -> None:
        if self.kind not in LOAD_KINDS:
            raise BadInput(
                f"{self.name} is of no known kind of load.",
                field="kind",
                remedy=f"Choose one of: {', '.join(LOAD_KINDS)}.",
            )
        if self.count < 1:
            raise BadInput(
                f"The count of {self.name} is below 1.", field="count", remedy="Type how many there are."
            )
        for field in ("max_w", "max_v", "max_a", "ohm", "tolerance_pct"):
            given = getattr(self, field)
            if given is not None:
                remedy = "Type what is printed on it, or leave the field empty if it is not known."
                if field == "ohm":
                    remedy = "A load of 0 Ω is a short circuit: type its resistance in ohms."
                positive(given, field, f"the {_FIELD_WORDS[field]} of {self.name}", remedy)
        if self.tolerance_pct is not None and self.tolerance_pct >= 100:
            raise BadInput(
                f"The tolerance of {self.name} is 100 % or more.",
                field="tolerance_pct",
                remedy="Type per cent, such as 5.",
            )
        self._check_points()
        self._check_kind()

    def _check_points(self) -> None:
        for volts, amps in self.points:
            finite(volts, "points", f"a measured voltage of {self.name}")
            finite(amps, "points", f"a measured current of {self.name}")
        rising = sorted(self.points)
        bad = any(volts <= 0 or amps <= 0 for volts, amps in rising) or any(
            later[0] == sooner[0] or later[1] < sooner[1] for sooner, later in pairwise(rising)
        )
        if bad:
            raise BadInput(
                f"The measured points of {self.name} do not rise.",
                field="points",
                remedy="Give each voltage once, above 0, with a current that does not fall as it rises.",
            )

    def _check_kind(self) -> None:
        if self.kind == "resistor" and self.ohm is None and not self.points:
            raise BadInput(
                f"The resistance of {self.name} is missing.",
                field="ohm",
                remedy="Type its ohms, or one measured voltage and current.",
            )
        if self.kind == "lamp" and not self.points:
            raise BadInput(
                f"{self.name} has no measured point.",
                field="points",
                remedy="Give at least one voltage and current, such as its rated volts and watts ÷ volts.",
            )
        rising = sorted(self.points)
        if self.kind == "lamp" and any(
            later[0] / later[1] <= sooner[0] / sooner[1] for sooner, later in pairwise(rising)
        ):
            raise BadInput(
                f"The measured points of {self.name} are no filament: its resistance must rise with the voltage.",
                field="points",
                remedy="Measure again once it burns steadily: the current grows by less than the voltage does.",
            )
        if self.kind == "electronic" and self.max_a is None:
            raise BadInput(
                f"The highest current of {self.name} is missing.",
                field="max_a",
                remedy="Type the current limit from its front panel.",
            )

    @property
    def rated_w(self) -> float | None:
        """Rated power in watts, None if unknown; a lamp is by default rated at its highest measured point."""
        if self.max_w is not None or self.kind != "lamp":
            return self.max_w
        volts, amps = max(self.points)
        return volts * amps

    @property
    def rated_v(self) -> float:
        """Highest voltage across one element, in volts; unlimited for a resistor that states none."""
        if self.max_v is not None:
            return self.max_v
        return max(self.points)[0] if self.kind == "lamp" else math.inf


_FIELD_WORDS = {
    "max_w": "rated power",
    "max_v": "highest voltage",
    "max_a": "highest current",
    "ohm": "resistance",
    "tolerance_pct": "tolerance",
}


def resistance(load: Load) -> float:
    """Ohms of a resistor, from its value or else the mean of its measured points."""
    if load.ohm is not None:
        return load.ohm
    return sum(volts / amps for volts, amps in load.points) / len(load.points)


def amps_at(load: Load, volts: float) -> float:
    """Steady (hot) current in amperes of one element with `volts` across it.

    A lamp follows a power law between its measured points and V^0.55 beyond them; it never draws more
    than its cold filament would. An electronic load answers its highest allowed current.
    """
    if volts <= 0:
        return 0.0
    if load.kind == "resistor":
        return volts / resistance(load)
    if load.kind == "electronic":
        if volts < (load.min_v or 0.0) or volts > load.rated_v:
            return 0.0
        limit = load.max_a or 0.0
        return limit if load.max_w is None else min(limit, load.max_w / volts)
    return min(_lamp_amps(sorted(load.points), volts), volts / cold_resistance(load)[0])


def _lamp_amps(points: list[tuple[float, float]], volts: float) -> float:
    below = [point for point in points if point[0] <= volts]
    above = [point for point in points if point[0] >= volts]
    if below and above:
        (v1, i1), (v2, i2) = below[-1], above[0]
        if v1 == v2:
            return i1
        exponent = math.log(i2 / i1) / math.log(v2 / v1)
        return i1 * (volts / v1) ** exponent
    v0, i0 = below[-1] if below else above[0]
    return i0 * (volts / v0) ** LAMP_EXPONENT


def cold_resistance(load: Load) -> tuple[float, float]:
    """Least and greatest cold resistance in ohms: about a sixteenth and a tenth of hot for a lamp.

    Hot is the highest measured point. A resistor answers its own value twice.
    """
    if load.kind == "lamp":
        volts, amps = max(load.points)
        hot = volts / amps
        return hot / COLD_RATIO_HIGH, hot / COLD_RATIO_LOW
    ohm = resistance(load) if load.kind == "resistor" else math.inf
    return ohm, ohm


def cold_amps_at(load: Load, volts: float) -> tuple[float, float]:
    """Least and greatest switch-on current in amperes of one element with `volts` across it."""
    if load.kind == "electronic":
        return 0.0, amps_at(load, volts)
    least_ohm, most_ohm = cold_resistance(load)
    return volts / most_ohm, volts / least_ohm
