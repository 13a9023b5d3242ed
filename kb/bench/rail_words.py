"""The sentences that say what a reading means where it was taken, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from kb.bench.checks import exact, number, sentence_start, volts
from kb.bench.circumstances import Circumstances
from kb.bench.discharge_words import charge_words
from kb.bench.limits import FAR_HIGH_FRACTION, METER_V, NEAR_FRACTION, TOUCH_V, WET_TOUCH_V
from kb.bench.rail_judgement import rests_on_mains
from kb.bench.rail_types import Measured, RailReading, RailSpec, Window


def load_safely(feed: str, *, wet: bool = False, unplug: bool = False) -> str:
    """How a load is connected: dead, never on a running board. `feed` is what is switched: mains or supply.

    `unplug` where the outputs hang on the mains: a switch in one conductor leaves them live.
    """
    below = number(WET_TOUCH_V if wet else TOUCH_V)
    off = "Unplug" if unplug else f"{feed} off"
    return f"{off}, wait until it reads below {below} V, connect the load, then {feed.lower()} on"


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
    judgement: str
    around: Circumstances

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
        return " to ".join(self.signed(extreme) for extreme in self.seen.extremes or ())

    @property
    def where(self) -> str:
        """Under which load it was read."""
        return {"none": "with nothing connected", "test load": "under test load"}.get(
            self.reading.load, "in the set"
        )


def sentence_for(finding: Finding) -> str:
    """What the reading means and what to do next, in a sentence or two."""
    said = _special(finding)
    if said is None:
        by_condition = {
            "absent": _absent,
            "pulsing": _pulsing,
            "low": _low,
            "high": _high,
            "in tolerance": _in_tolerance,
        }
        said = by_condition[finding.condition](finding)
    return sentence_start(said)


def _special(f: Finding) -> str | None:
    """The sentence of a reading that is not simply judged by its window, else None."""
    if f.asks:
        return _unit_doubt(f)
    if f.reading.quantity == "ripple_v":
        return _ripple(f)
    if f.reading.supply == "unpowered":
        return _unpowered(f)
    if f.seen.reversed:
        return _reversed(f)
    if f.around.help is not None and f.around.help.state == "held":
        return _held_up(f)
    if f.seen.half:
        return _half(f)
    if f.expected_absent:
        return _switched_in_standby(f)
    if f.spec.role == "bulk" and f.condition != "high" and f.condition != "absent":
        return _bulk(f)
    return None


def _unit_doubt(f: Finding) -> str:
    largest = f.seen.largest
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
            f"{f.name} carries {shown} of ripple, over the limit of {limit}{assumed}: make sure that the probe's "
            "ground lead is short, then measure the ESR of its filter capacitors."
        )
    if f.reading.load == "none":
        return (
            f"{f.name} carries {shown} of ripple {f.where}, which proves nothing: a worn capacitor shows its "
            "ripple only when current flows. Measure the ripple under load."
        )
    return f"{f.name} carries {shown} of ripple, within the limit of {limit}{assumed}."


def _unpowered(f: Finding) -> str:
    shown = f.signed(f.seen.value)
    if f.judgement == "good":
        meter = f"{number(METER_V)} V"
        return f"{f.name} is discharged ({shown}, {meter} or less): resistance and junction checks are true here."
    return charge_words(
        f.name,
        float(f.seen.value) * f.spec.sign,
        came_back=f.around.came_back,
        battery=f.around.battery,
        wet=f.around.wet,
    )


def _reversed(f: Finding) -> str:
    measured_v = volts(-float(f.seen.value) * f.spec.sign)
    return (
        f"{f.name} reads {measured_v}, the wrong way round: are the meter's leads exchanged (reversed) "
        "or the sign mistyped? If not, connect nothing to this rail."
    )


def _held_up(f: Finding) -> str:
    words = f.around.help.words if f.around.help else ""
    return (
        f"{f.name} reads {f.signed(f.seen.value)} while a bench supply{f' ({words})' if words else ''} holds it up: "
        "this is the bench supply's voltage and not the board's. Take the bench supply off and see whether the "
        "board goes on and starts alone."
    )


def _half(f: Finding) -> str:
    shown, other = f.signed(f.seen.value), "highest" if f.seen.half == "min" else "lowest"
    if f.seen.half == "max":
        level = ", above its window" if f.condition == "high" else ""
        return (
            f"{f.name}: only a highest of {shown} was recorded{level}, which says nothing of its lowest: "
            f"record the {other} as well."
        )
    if f.judgement == "low":
        return (
            f"{f.name} fell to {shown} {f.where}, below {f.range}, whatever its highest was: record the {other} "
            "as well, then see its capacitors."
        )
    return f"{f.name}: only a lowest of {shown} was recorded: record the {other} as well."


def _switched_in_standby(f: Finding) -> str:
    if f.condition == "absent":
        return f"{f.name} is off in standby, as a switched rail should be: enable the board, then measure it."
    if f.condition == "pulsing":
        return (
            f"{f.name} is a switched rail but comes and goes in standby ({f.watched}): "
            "something enables the supply; see the enable line and relay."
        )
    return (
        f"{f.name} is a switched rail but shows {f.signed(f.seen.value)} in standby: "
        "see whether the enable line is held on, or whether it is only an output capacitor still emptying."
    )


def _bulk(f: Finding) -> str | None:
    """The bulk voltage: before the boost it rests on the mains, and a series lamp holds it down."""
    shown = f.signed(f.seen.value)
    if f.around.series_lamp and f.condition == "low" and not rests_on_mains(f.spec, f.seen, f.around):
        return (
            f"{f.name} is held at {shown} by the series lamp, low: the board draws all that the lamp lets through. "
            f"Mains off, discharge to {number(METER_V)} V, then find the short at the bridge or the switches."
        )
    if not rests_on_mains(f.spec, f.seen, f.around):
        return None
    if f.reading.supply == "standby":
        return (
            f"{f.name} reads {shown}: it rests on the rectified mains, as it should before the power factor stage "
            "runs. Enable the board and see it rise."
        )
    if f.reading.load == "none":
        return (
            f"{f.name} reads {shown}: it rests on the rectified mains, where the power factor stage may be at rest "
            "for want of a load: not proven until loaded."
        )
    return (
        f"{f.name} reads {shown}, low: enabled and loaded it still rests on the rectified mains. See the power "
        "factor controller: its supply, its enable, its divider."
    )


def _others(names: Sequence[str]) -> str:
    return " and ".join(names)


def _absent(f: Finding) -> str:
    shown = f.signed(f.seen.value)
    if f.spec.role == "bulk":
        known = (
            "The fuse is whole, so the break lies between it and the bulk: m" if f.around.fuse_whole else "M"
        )
        return (
            f"{f.name} is missing ({shown}) under power. {known}ains off, discharge, then see the inrush limiter "
            "and the rectifier."
        )
    if f.spec.always_on and not f.spec.on_primary:
        return _always_on_absent(f, shown)
    if f.reading.load == "none":
        if f.around.steady:
            return (
                f"{f.name} is missing ({shown}) while {_others(f.around.steady)} stands: the converter runs and this "
                f"branch does not deliver. {f.around.feed} off, its resistance to ground, its rectifier, and the fuse "
                "or switch of that branch."
            )
        return (
            f"{f.name} is missing ({shown}) while enabled: "
            "make sure that the enable took, then look for a short on it."
        )
    return _absent_loaded(f, shown)


def _always_on_absent(f: Finding, shown: str) -> str:
    where = "in standby" if f.reading.supply == "standby" else "although it is always on"
    if f.reading.load == "test load" and f.around.unloaded_v is not None:
        return _absent_loaded(f, shown)
    if f.around.bulk_v is None and f.around.fuse_whole is not None:
        return (
            f"{f.name} is missing ({shown}) {where}. Nobody knows yet on which side of the bulk capacitor the break "
            "is: measure the bulk voltage, which lies at mains potential, before the standby converter is blamed."
        )
    return (
        f"{f.name} is missing ({shown}) {where}, where it belongs: see the standby converter, its supply, its "
        "start-up path, and a short on its output."
    )


def _absent_loaded(f: Finding, shown: str) -> str:
    if f.judgement == "unknown":
        return _cold_load(f, shown)
    stood = f.around.unloaded_v
    before = "" if stood is None else f", although it stood at {volts(stood)} with nothing connected"
    if stood is None:
        return (
            f"{f.name} is missing ({shown}) {f.where}: "
            "measure it unloaded to tell a dead rail from one that is held down."
        )
    return (
        f"{f.name} is missing ({shown}) {f.where}{before}: see its protection, its rectifier and capacitors, "
        "and try a smaller load."
    )


def _cold_load(f: Finding, shown: str) -> str:
    return (
        f"{f.name} is held down to {shown}: filaments connected cold draw about ten to sixteen times their running "
        f"current and hold a sound rail down, which proves nothing. {f.around.feed} off, then start with one "
        "smaller lamp, a resistor or an electronic load, or preheat the lamps."
    )


def _pulsing(f: Finding) -> str:
    if f.spec.role == "controller supply":
        return (
            f"{f.name} climbs and falls ({f.watched}): start-up works and the converter does not take over. See its "
            "capacitor, the diode of the auxiliary winding, and a short on the outputs."
        )
    if f.around.series_lamp and f.around.starved:
        return (
            f"{f.name} comes and goes ({f.watched}) with a lamp in the mains lead that lets through less than the "
            "loads want: that is the set-up. Use less load or a larger lamp before a fault is named."
        )
    if f.reading.load == "none":
        return _pulsing_unloaded(f)
    if f.reading.load == "test load":
        cold = "see whether a cold filament overloads the start, then " if _may_be_cold(f) else ""
        return (
            f"{f.name} comes and goes under test load ({f.watched}): protection is cycling; "
            f"{cold}look for a short or a dried-out capacitor."
        )
    return (
        f"{f.name} comes and goes in the set ({f.watched}): test the board on its own under a test load "
        "to tell its protection from an overload in the set."
    )


def _pulsing_unloaded(f: Finding) -> str:
    if f.spec.always_on and f.spec.role == "standby":
        return (
            f"{f.name} comes and goes ({f.watched}): it restarts again and again. {f.around.feed} off and discharged, "
            "measure the ESR of its output capacitor, then load it and try again."
        )
    # A current driver runs up beyond its nominal voltage; a supply that hunts does not.
    if f.spec.role == "backlight" and f.seen.largest > abs(exact(f.spec.nominal_v)):
        return (
            f"{f.name} comes and goes with nothing connected ({f.watched}): a current driver without its strings "
            f"runs up and shuts down by nature. {f.around.feed} off, connect the strings or "
            "another load, and measure within the first seconds before any part is suspected."
        )
    return (
        f"{f.name} comes and goes with nothing connected ({f.watched}): it may be protection or only a missing load, "
        f"so test under load before condemning it. {f.around.feed} off, load this rail, try again before any part is "
        "suspected."
    )


def _may_be_cold(f: Finding) -> bool:
    """A load whose nature is not known may be a lamp; a resistor or an electronic load is none."""
    return f.around.load_kind in ("", "lamp", "mixed")


def _lead(f: Finding, direction: str) -> str:
    beyond = {"under": "below", "over": "above"}[direction]
    return f"{f.name} reads {f.shown} {f.where}, {f.off_pct} {direction} nominal and {beyond} {f.range}"


def _low(f: Finding) -> str:
    nominal = abs(exact(f.spec.nominal_v))
    near = nominal - f.seen.value <= nominal * exact(NEAR_FRACTION)
    if f.around.drift is not None:
        return (
            f"{f.name} drifts ({f.watched}), a steady fall out of {f.range}: look at its feedback and capacitors "
            "with heat and cold."
        )
    lead = _lead(f, "under")
    if f.judgement == "not proven until loaded":
        return f"{lead}: not proven until loaded. {_load_it(f)}"
    if f.judgement == "unknown":
        return _cold_load(f, f.shown)
    if f.reading.load == "none":
        return f"{lead}: low. See its filter capacitors, rectifier and feedback."
    if not f.seen.steady and f.seen.extremes is not None:
        fell_to = f.signed(f.seen.extremes[0])
        return f"{f.name} fell to {fell_to} {f.where} ({f.watched}), below {f.range}: low. {_branch(f)}"
    if near:
        return f"{lead}: low, by little. See the ripple and ESR of its output capacitors, and how heavy the load is."
    if f.reading.load == "in the set":
        return f"{lead}: measure it under a test load to tell a weak rail from an overload in the set."
    held = "; a cold filament may hold it down, so mind how the load was started" if _may_be_cold(f) else ""
    return f"{lead}: it is held down{held}. {_branch(f)}"


def _branch(f: Finding) -> str:
    while_others = f" while {_others(f.around.steady)} stands" if f.around.steady else ""
    return f"See the capacitors and the rectifier of the {f.name} branch{while_others}."


def _load_it(f: Finding) -> str:
    """How a rail that idles is to be loaded, with the rails that it may follow."""
    if f.spec.always_on:
        return f"{f.around.feed} off, load {f.name} with a resistor, then measure again."
    leaders = [name for name in f.around.idle if name != f.name]
    what = f"{_others(leaders[:2])} and {f.name}" if leaders else "the regulated rail and this one"
    return f"Side outputs drift while they idle: {f.around.feed.lower()} off, load {what}, then measure both again."


def _high(f: Finding) -> str:
    nominal = abs(exact(f.spec.nominal_v))
    if f.spec.role == "bulk":
        return (
            f"{f.name} reads {f.shown}, {f.off_pct} over nominal and near what its capacitor bears: mains off at "
            "once, discharge, then see the divider of the power factor stage."
        )
    lead = _lead(f, "over")
    near = f.seen.value - nominal <= nominal * exact(NEAR_FRACTION)
    if f.judgement == "not proven until loaded":
        return f"{lead}: not proven until loaded. {_load_it(f)}"
    feedback = "the feedback: divider, shunt reference, optocoupler"
    if f.reading.load == "none" and f.seen.value - nominal <= nominal * exact(FAR_HIGH_FRACTION):
        return f"{lead}: high. Check the meter, then measure it loaded; if it stays, see {feedback}."
    if near:
        return f"{lead}: high, by little. Check the meter, then see {feedback}."
    return f"{lead}: high. {f.around.feed} off; connect nothing to it and see {feedback}."


def _in_tolerance(f: Finding) -> str:
    lead = f"{f.name} reads {f.signed(f.seen.value)} {f.where}, within {f.range}"
    if not f.seen.steady and f.watched:
        lead = f"{f.name} moved over {f.watched} {f.where}, within {f.range}"
    after = _notes(f)
    if any(not f.window.holds(extreme) for extreme in f.seen.extremes or ()):
        return f"{lead}, but left it for a moment ({f.watched}): clear the meter's memory and record again.{after}"
    if f.judgement == "not proven until loaded":
        how = load_safely(f.around.feed, wet=f.around.wet, unplug=f.around.on_mains_reference)
        return f"{lead}: not proven until loaded. {how}.{after}"
    if not f.marginal:
        return f"{lead}.{after}"
    return f"{lead}, but more than 5 % from nominal: marginal; it serves, so note it and go on.{after}"


def _notes(f: Finding) -> str:
    """What the circumstances add to a reading in its window."""
    notes = ""
    if f.around.help is not None and f.around.help.state == "removed":
        notes += (
            " It runs on after the bench supply was taken off; that it starts without help is not shown: "
            "repeat a cold start without help and record whether it does."
        )
    if f.around.cycled_unloaded and f.reading.load == "test load":
        notes += (
            " With nothing connected it came and went, so it wants a load: keep one on it in every later step, the "
            "cold starts as well."
        )
    if f.reading.load == "test load" and f.around.loaded:
        whose = "its" if len(f.around.loaded) == 1 else "their"
        notes += f" {_others(f.around.loaded)} carried {whose} load as well."
    if f.around.on_mains_reference:
        notes += " Its reference is the mains side of the board."
    if f.reading.load == "none" and f.around.on_mains_reference and f.spec.rated_a is not None:
        notes += " Pull one relay in, or load it otherwise, and measure again."
    return notes
