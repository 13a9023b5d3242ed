"""The one sentence that says what a reading means where it was taken."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from kb.bench.checks import exact, number, sentence_start, volts
from kb.bench.rail_types import Measured, RailReading, RailSpec, Window

# A rail outside a stated window by no more than this share of nominal is called near it.
_NEAR_FRACTION = Decimal("0.1")


@dataclass(frozen=True, slots=True)
class Finding:
    """All that the sentence is made from; `seen` and `window` are by magnitude, in volts."""

    spec: RailSpec
    reading: RailReading
    seen: Measured
    window: Window
    condition: str
    expected_absent: bool
    marginal: bool
    asks: bool

    @property
    def name(self) -> str:
        """The rail as the board prints it."""
        return self.spec.name

    def signed(self, magnitude: Decimal) -> str:
        """A magnitude written with the rail's own sign."""
        return volts(float(magnitude) * self.spec.sign)

    @property
    def shown(self) -> str:
        """The judged value, with more decimals where two would round it onto the bound it crosses."""
        crosses = self.condition in ("low", "high")
        rounds_onto = crosses and self.window.holds(Decimal(f"{self.seen.value:.2f}"))
        if rounds_onto:
            return f"{number(float(self.seen.value) * self.spec.sign, 4)} V"
        return self.signed(self.seen.value)

    @property
    def off_pct(self) -> str:
        """How far from nominal the judged value is, in per cent."""
        nominal = abs(exact(self.spec.nominal_v))
        return number(float(abs(self.seen.value - nominal) / nominal * 100), 1) + " %"

    @property
    def range(self) -> str:
        """The expected window, with a word where it was assumed."""
        said = f"{self.signed(self.window.low)} to {self.signed(self.window.high)}"
        return said + (" (±10 % assumed)" if self.window.assumed else "")

    @property
    def watched(self) -> str:
        """The recorded extremes in words."""
        least, most = self.seen.least, self.seen.most
        return "" if least is None or most is None else f"{self.signed(least)} to {self.signed(most)}"


def sentence_for(finding: Finding) -> str:
    """What the reading means, in one sentence."""
    if finding.asks:
        return sentence_start(_unit_doubt(finding))
    if finding.reading.quantity == "ripple_v":
        return sentence_start(_ripple(finding))
    if finding.reading.supply == "unpowered":
        return sentence_start(_unpowered(finding))
    if finding.seen.reversed:
        return sentence_start(_reversed(finding))
    if finding.expected_absent:
        return sentence_start(_switched_in_standby(finding))
    by_condition = {
        "absent": _absent,
        "pulsing": _pulsing,
        "low": _low,
        "high": _high,
        "in tolerance": _in_tolerance,
    }
    return sentence_start(by_condition[finding.condition](finding))


def _unit_doubt(f: Finding) -> str:
    largest = f.seen.value if f.seen.most is None else max(f.seen.value, f.seen.most)
    shown = number(float(largest))
    if f.reading.quantity == "ripple_v":
        return (
            f"{shown} V of ripple on {f.name} is more than the rail itself: "
            f"was it {shown} mV, or the whole voltage measured in place of its ripple?"
        )
    milli = volts(float(largest) / 1000 * f.spec.sign)
    return f"{shown} V on {f.name} cannot be: was it {shown} mV, which is {milli}? Correct the unit."


def _ripple(f: Finding) -> str:
    assumed = " (1 % of nominal assumed)" if f.window.assumed else ""
    shown, limit = (f"{number(float(v) * 1000, 1)} mV" for v in (f.seen.value, f.window.high))
    if f.condition == "high":
        return (
            f"{f.name} carries {shown} of ripple, over the limit of {limit}{assumed}: suspect its filter "
            "capacitors, after making sure that the probe's ground lead is short."
        )
    return f"{f.name} carries {shown} of ripple, within the limit of {limit}{assumed}."


def _unpowered(f: Finding) -> str:
    shown = f.signed(f.seen.value)
    if f.condition == "absent" and abs(f.seen.value) < 60:
        return f"{f.name} is discharged ({shown})."
    return f"{f.name} still holds {shown} unplugged: discharge it through a resistor and measure again."


def _reversed(f: Finding) -> str:
    measured_v = volts(-float(f.seen.value) * f.spec.sign)
    return (
        f"{f.name} reads {measured_v}, the wrong way round: are the meter's leads reversed "
        "or the sign mistyped? If not, connect nothing to this rail."
    )


def _switched_in_standby(f: Finding) -> str:
    if f.condition == "absent":
        return f"{f.name} is off in standby, as a switched rail should be."
    if f.condition == "pulsing":
        return (
            f"{f.name} is a switched rail but comes and goes in standby ({f.watched}): "
            "something enables the supply; see the enable line and relay."
        )
    return (
        f"{f.name} is a switched rail but shows {f.signed(f.seen.value)} in standby: "
        "see whether the enable line is held on, or whether it is only an output capacitor still emptying."
    )


def _absent(f: Finding) -> str:
    shown = f.signed(f.seen.value)
    if f.reading.supply == "standby":
        return f"{f.name} is missing ({shown}) in standby, where it belongs: see the standby converter."
    if f.spec.always_on:
        return f"{f.name} is missing ({shown}) although it is always on: see its converter and fuse first."
    if f.reading.load == "none":
        return (
            f"{f.name} is missing ({shown}) while enabled: "
            "make sure that the enable took, then look for a short on it."
        )
    return (
        f"{f.name} is missing ({shown}) under load: "
        "measure it unloaded to tell a dead rail from one that is held down."
    )


def _pulsing(f: Finding) -> str:
    if f.reading.load == "none":
        return (
            f"{f.name} comes and goes unloaded ({f.watched}): it may be protection or only a missing load, "
            "so test under load before condemning it."
        )
    if f.reading.load == "test load":
        return (
            f"{f.name} comes and goes under test load ({f.watched}): protection is cycling; "
            "see whether a cold filament overloads the start, then look for a short or a dried-out capacitor."
        )
    return (
        f"{f.name} comes and goes in the set ({f.watched}): test the board on its own under a test load "
        "to tell its protection from an overload in the set."
    )


def _low(f: Finding) -> str:
    shown, nominal = f.shown, abs(exact(f.spec.nominal_v))
    lead = f"{f.name} reads {shown}, {f.off_pct} under nominal and below {f.range}"
    if f.spec.role == "bulk":
        return (
            f"{lead}: with the power factor stage at rest it sits at the rectified mains, which may be all."
        )
    if nominal - f.seen.value <= nominal * _NEAR_FRACTION:
        if f.reading.load == "none":
            return f"{lead}: a rail this near often still serves; measure it under load before condemning it."
        return f"{lead}: only just outside; see its filter capacitors and how heavy the load is."
    if f.reading.load == "test load":
        return (
            f"{lead}: it is held down; a cold filament may do that, so start unloaded and switch the load in "
            "before suspecting the rail."
        )
    if f.reading.load == "in the set":
        return f"{lead}: measure it under a test load to tell a weak rail from an overload in the set."
    return f"{lead}: suspect its filter capacitors, rectifier and feedback."


def _high(f: Finding) -> str:
    shown, nominal = f.shown, abs(exact(f.spec.nominal_v))
    lead = f"{f.name} reads {shown}, {f.off_pct} over nominal and above {f.range}"
    near = f.seen.value - nominal <= nominal * _NEAR_FRACTION
    if near and f.reading.load == "none":
        return f"{lead}: unloaded rails sit high; measure it under load before condemning it."
    if near:
        return f"{lead}: only just outside; check the meter, then the feedback divider."
    return f"{lead}: connect nothing to it and see the feedback (optocoupler, shunt reference, divider)."


def _in_tolerance(f: Finding) -> str:
    lead = f"{f.name} reads {f.signed(f.seen.value)}, within {f.range}"
    if not f.seen.steady:
        lead = f"{f.name} moved over {f.watched}, its middle within {f.range}"
    if not f.marginal:
        return lead + "."
    if f.watched and (f.window.below(_known(f.seen.least)) or f.window.above(_known(f.seen.most))):
        return f"{lead}, but left it for a moment ({f.watched}): clear the meter's memory and record again."
    return f"{lead}, but more than 5 % from nominal: it serves; note it and see it under load."


def _known(extreme: Decimal | None) -> Decimal:
    return Decimal(0) if extreme is None else extreme
