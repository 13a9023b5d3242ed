"""The steps of a bench sequence that need power, and each output to its ground before it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from kb.bench.checks import amps as amps_text
from kb.bench.checks import number, ohms, seconds, volts
from kb.bench.connector import ConnectorPicture, Probe, connector_picture
from kb.bench.enable import EnablePlan
from kb.bench.limits import METER_V, TOUCH_V, USUAL_MAINS_V
from kb.bench.loads import Load
from kb.bench.rail_types import RailSpec, ripple_window, voltage_window
from kb.bench.sequence_dead import ground_limits
from kb.bench.sequence_types import (
    LAMPS,
    WARM_RIPPLE,
    BenchFamily,
    BenchRail,
    Choice,
    Step,
    cautions_together,
    probes_of,
)
from kb.bench.series_lamp import through_lamp
from kb.facts.cautions import Caution
from kb.facts.vocabulary import SECTION_OF_ROLE

COLD_STARTS = 5
SERIES_LAMP_W = 60.0

_FIRST_POWER = (
    Choice(
        "dark",
        "It flashed and went dark",
        "right",
        "good",
        "The bulk capacitor charged and nothing draws much: go on with the lamp (or the limit) still in. It limits the "
        "current; it does not make the board safe to touch.",
    ),
    Choice(
        "bright",
        "It stays bright, or the supply sits at its limit",
        "wrong",
        "shorted",
        f"The board draws all that the lamp lets through. Mains off, discharge to {number(METER_V)} V, then find the "
        "short at the bridge or the switches.",
    ),
    Choice(
        "pulses",
        "It pulses",
        "doubtful",
        "pulsing",
        "The board starts and stops: its protection, or a lamp too small for it. Try a larger lamp with nothing "
        "connected before a fault is named.",
    ),
    Choice(
        "never",
        "It never lit, no current at all",
        "doubtful",
        "unknown",
        "No current flows: the lead, a switch, the fuse or the inrush limiter is open, or the bulk is charged still.",
    ),
)

_FIRST_POWER_FED = (
    Choice("dark", "The current fell to next to nothing", "right", "good", "Nothing draws much: go on."),
    Choice(
        "bright",
        "The supply sits at its limit",
        "wrong",
        "shorted",
        "The board draws all that it gets: supply off, then find the short at its input, switches and capacitors.",
    ),
    Choice(
        "pulses",
        "It pulses",
        "doubtful",
        "pulsing",
        "The board starts and stops: its protection, or a limit too low for it. Raise the limit a little with nothing "
        "connected before a fault is named.",
    ),
    Choice(
        "never",
        "No current at all",
        "doubtful",
        "unknown",
        "No current flows: the lead, the fuse or the input is open, or its polarity is wrong.",
    ),
)


def output_section(spec: RailSpec) -> str:
    """The section that is suspected first when this rail alone is wrong."""
    return SECTION_OF_ROLE.get(spec.role, "other")


class StepMaker:
    """Makes the steps of one family with its test loads (amperes and nature by rail) and soak time in seconds.

    `touch_v` is what an output has to be below before a load is connected.
    """

    def __init__(
        self,
        family: BenchFamily,
        load_amps: Mapping[str, float],
        load_kinds: Mapping[str, str],
        soak_s: float,
        touch_v: float = TOUCH_V,
    ) -> None:
        self.family = family
        self.load_amps = load_amps
        self.load_kinds = load_kinds
        self.soak_s = soak_s
        self.touch_v = touch_v
        self.feed = "Mains" if family.on_mains else "Supply"

    def picture(self, probes: tuple[Probe, ...]) -> ConnectorPicture | None:
        """The connector that the probes go on, with the nets of the family named on its pins."""
        name = next((probe.connector for probe in probes if probe.connector and probe.pin), None)
        if name is None:
            return None
        nets: dict[int, str] = {}
        for rail in self.family.rails:
            if rail.connector == name:
                nets.update(dict.fromkeys(rail.ground_pins, "ground"))
                nets.update(dict.fromkeys(rail.pins, rail.spec.name))
        enable = self.family.enable
        if enable is not None and enable.connector == name and enable.pin is not None:
            nets[enable.pin] = "enable"
        known = next((one for one in self.family.connectors if one.name == name), None)
        used = [probe.pin for probe in probes if probe.connector == name and probe.pin is not None]
        seen = max([*nets, *used])
        if known is None:
            return connector_picture(name, seen, 1, probes, nets)
        # A family that counts fewer pins than it uses is drawn with all that it uses: no step is lost.
        return connector_picture(name, max(known.pins, seen), known.rows, probes, nets)

    def to_ground(self, rail: BenchRail) -> Step:
        """An output that must not be shorted before mains goes on, by its rated load or by good boards."""
        probes, name = probes_of(rail), rail.spec.name
        short, clear, words = ground_limits(rail.spec, self.family.good_ohm.get(name, ()))
        return Step(
            key=f"unpowered.ground.{name}",
            stage="unpowered",
            kind="limit",
            title=f"{name} to ground",
            instruction=(
                "Nothing connected. Measure resistance: "
                f"red on {probes[0].where}, black on {probes[1].where}; wait until it stands still."
            ),
            expected=f"{ohms(clear)} or more; {words}",
            if_right=f"{name} is clear to ground: {words}.",
            if_wrong=(
                f"{name} is shorted to ground: {words}. Isolate the branch: its rectifier, capacitors and clamp, one "
                f"leg lifted, before {self.feed.lower()} goes on."
            ),
            section=output_section(rail.spec),
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("unpowered"),
            rail=name,
            quantity="ohm",
            right_low=clear,
            wrong_below=short,
            no_reading="right",
            stops=True,
        )

    def first_power(self) -> Step:
        """The first energising of a board that may be faulty, with its current limited."""
        limit = (
            "Put a filament lamp (no LED lamp) of about 40 to 100 W in series with the mains, or feed it from a supply "
            "with a current limit. "
            f"{self._lamp_words()}"
            if self.family.on_mains
            else "Feed it from a bench supply with its current limited to about twice what it idles at."
        )
        return Step(
            key="first power",
            stage="first power",
            kind="choice",
            title="First energising, current limited",
            instruction=f"{limit} Nothing connected to the outputs. {self.feed} on: what do you see?",
            expected="a short flash, then dark"
            if self.family.on_mains
            else "a short rush, then next to nothing",
            if_right="Nothing draws much: go on.",
            if_wrong="The board draws all that it gets: find the short before it is fed again.",
            section="inrush and rectifier" if self.family.on_mains else "protection",
            cautions=cautions_together("energise"),
            point="current limit",
            supply="standby",
            stops=True,
            minutes=2.0,
            choices=_FIRST_POWER if self.family.on_mains else _FIRST_POWER_FED,
        )

    def _lamp_words(self) -> str:
        mains_v = self.family.mains_v or USUAL_MAINS_V
        lamp = Load("lamp", "lamp", points=((mains_v, SERIES_LAMP_W / mains_v),))
        most = through_lamp(lamp, mains_v, 0.0).amps
        let_through = f"One of {number(SERIES_LAMP_W)} W lets {amps_text(most)} through a short"
        return f"{let_through}: it limits, it does not isolate."

    def standby_loaded(self, rail: BenchRail) -> Step:
        """A standby rail under its load before the board is enabled, asked for where it was off with nothing on it."""
        loaded = self.rail_step("loaded", rail)
        watch = "Let the meter record minimum and maximum for ten seconds."
        return replace(
            loaded,
            key=f"standby loaded.{rail.spec.name}",
            stage="standby",
            title=f"{rail.spec.name} in standby, under test load",
            instruction=(
                f"{self._connect_words(rail.spec, 'not enabled')} {watch} "
                f"Red on {loaded.probes[0].where}, black on {loaded.probes[1].where}."
            ),
            supply="standby",
            optional=True,
            asked_after=f"standby.{rail.spec.name}",
        )

    def rail_step(self, stage: str, rail: BenchRail) -> Step:
        """A direct voltage in standby, or running unloaded, or running under test load."""
        spec, probes = rail.spec, probes_of(rail)
        window = voltage_window(spec)
        low, high = (volts(float(bound) * spec.sign) for bound in (window.low, window.high))
        loaded = stage == "loaded"
        section = output_section(spec)
        if stage == "standby" and spec.role == "standby":
            section = "standby converter"
        watch = "Let the meter record minimum and maximum for ten seconds."
        how = {
            "standby": f"{self.feed} on, not enabled.",
            "unloaded": f"Enabled, nothing connected to the switched outputs. {watch}",
            "loaded": f"{self._connect_words(spec)} {watch}",
        }[stage]
        return Step(
            key=f"{stage}.{spec.name}",
            stage=stage,
            kind="rail",
            title=f"{spec.name} {'under test load' if loaded else 'in standby' if stage == 'standby' else 'unloaded'}",
            instruction=f"{how} Red on {probes[0].where}, black on {probes[1].where}.",
            expected=f"{low} to {high}" + (" (±10 % assumed)" if window.assumed else ""),
            if_right=f"{spec.name} stands in its window here.",
            if_wrong=f"{spec.name} is wrong where it counts."
            if loaded
            else "Missing or far off: see the suggestions. Coming and going: test under load first.",
            section=section,
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("load", "energise") if loaded else self._powered_cautions(rail),
            rail=spec.name,
            supply="standby" if stage == "standby" else "running",
            load="test load" if loaded else "none",
            extremes=True,
            minutes=3.0 if loaded else 1.0,
        )

    def _powered_cautions(self, rail: BenchRail) -> tuple[Caution, ...]:
        at_mains = rail.on_primary or self.family.mains_reference
        return cautions_together("primary", "energise") if at_mains else cautions_together("energise")

    def _off(self) -> str:
        # Where the outputs hang on the mains a switch in one conductor leaves them live.
        off = "Unplug" if self.family.mains_reference else f"{self.feed} off"
        return f"{off}, wait, and measure below {number(self.touch_v)} V at the output"

    def _connect_words(self, spec: RailSpec, state: str = "enabled") -> str:
        drawn = self.load_amps.get(spec.name)
        amount = ""
        if drawn is not None:
            share = (
                "" if spec.rated_a is None else f", {number(drawn / spec.rated_a * 100, 0)} % of its rating"
            )
            amount = f" ({amps_text(drawn)}{share})"
        lamp_out = (
            " Take the lamp out of the mains lead: it would starve the loads." if self.family.on_mains else ""
        )
        return (
            f"{self._off()}; then connect the test load to {spec.name}{amount}, and leave the loads of earlier steps "
            f"connected.{lamp_out} {self.feed} on again, {state}."
        )

    def enable(self, plan: EnablePlan | None) -> Step:
        """Switching the main converter on; without a known line the step says so."""
        line = self.family.enable
        probes: tuple[Probe, ...] = ()
        instruction = "The family states no enable line: find it, or run the board in its set."
        if plan is not None and line is not None:
            listen = " and listen for the relay" if self.family.on_mains else ""
            instruction = f"{self._off()}. {plan.sentence} {self.feed} on again{listen}."
            source = next((rail for rail in self.family.rails if rail.spec.name == line.from_rail), None)
            if line.active == "low":
                other = Probe("clip", place="ground of the outputs")
            elif source is not None and source.pins and source.connector:
                other = Probe("clip", source.connector, source.pins[0])
            else:
                other = Probe("clip", place=line.from_rail or "standby rail")
            if line.connector and line.pin is not None:
                probes = (other, Probe("clip", line.connector, line.pin))
        return Step(
            key="enable",
            stage="enable",
            kind="confirm",
            title="Enable through a resistor",
            instruction=instruction,
            expected="the relay pulls in or the switched rails come up",
            if_right="Enabled: go on with the switched rails.",
            if_wrong="Nothing happens: see the standby rail, the enable line, its driver and the relay.",
            section="enable and relay",
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("energise"),
            supply="standby",
            minutes=3.0,
        )

    def ripple(self, rail: BenchRail, *, warm: bool = False) -> Step:
        """Ripple on a loaded rail, at the start or, `warm`, at the end of the soak."""
        spec, probes = rail.spec, probes_of(rail)
        window = ripple_window(spec)
        limit = number(float(window.high) * 1000, 1)
        when = "At the end of the soak, still under test load" if warm else "Under test load"
        return Step(
            key=f"{WARM_RIPPLE}{spec.name}" if warm else f"ripple.{spec.name}",
            stage="soak" if warm else "ripple",
            kind="rail",
            title=f"{spec.name} ripple{', warm' if warm else ''}",
            instruction=(
                f"{when}, measure peak to peak with the shortest ground lead: "
                f"tip on {probes[0].where}, ground on {probes[1].where}."
            ),
            expected=f"{limit} mV or less" + (" (1 % of nominal assumed)" if window.assumed else ""),
            if_right=f"The filter of {spec.name} works.",
            if_wrong=f"Too much ripple: measure the ESR of the filter capacitors of {spec.name}.",
            section=output_section(spec),
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together(
                "load", "energise", *(("primary",) if self.family.mains_reference else ())
            ),
            rail=spec.name,
            quantity="ripple_v",
            supply="running",
            load="test load",
            minutes=3.0,
        )

    def cold_starts(self, rail: BenchRail) -> Step:
        """Repeated starts from cold, watching the rail that tells most; the load's nature decides how."""
        spec, probes = rail.spec, probes_of(rail)
        return Step(
            key="cold starts",
            stage="cold starts",
            kind="rail",
            title=f"{COLD_STARTS} cold starts",
            instruction=(
                f"{self.feed} off until the outputs are empty, then on under load: read {spec.name}. "
                f"{self._start_load(spec)} Do this {COLD_STARTS} times; a start that fails stays in the record."
            ),
            expected="the same voltage after every start",
            if_right="It starts from cold.",
            if_wrong="It does not always start: see start-up, controller supply and inrush parts.",
            section="main converter",
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("load", "energise"),
            rail=spec.name,
            supply="running",
            load="test load",
            repeats=COLD_STARTS,
            minutes=10.0,
        )

    def _start_load(self, spec: RailSpec) -> str:
        own = self.load_kinds.get(spec.name, "")
        hung = [name for name, kind in self.load_kinds.items() if kind in LAMPS]
        if not hung and own in ("resistor", "electronic"):
            return "A resistor or an electronic load draws the same cold and hot, so it stays connected."
        lamps = (
            "Cold filaments draw ten to sixteen times their running current: for the starts use resistors or an "
            "electronic load of the same current, or connect one lamp only, or preheat the lamps from another supply, "
            "or put a resistor or an inrush thermistor in series."
        )
        where = f"Lamps hang on {' and '.join(hung)}. " if hung else "If the load is made of lamps: "
        return f"{where}{lamps if hung else lamps[:1].lower() + lamps[1:]}"

    def soak(self, rail: BenchRail) -> Step:
        """A long run under load with the extremes recorded."""
        spec, probes = rail.spec, probes_of(rail)
        return Step(
            key="soak",
            stage="soak",
            kind="rail",
            title=f"Soak, {seconds(self.soak_s)}",
            instruction=(
                f"Run under test load for {seconds(self.soak_s)} with the meter on {spec.name}; start the clock, "
                "stay with it, and note smell, noise and heat."
            ),
            expected="no drift out of the window, nothing too hot",
            if_right="It holds when warm.",
            if_wrong="It fails when warm: see joints, dried-out capacitors and parts that run hot.",
            section=output_section(spec),
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("load", "energise"),
            rail=spec.name,
            supply="running",
            load="test load",
            extremes=True,
            hold_s=self.soak_s,
            minutes=self.soak_s / 60 + 1,
        )
