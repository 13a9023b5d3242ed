"""Make the bench sequence of a family from its rails, connectors, enable line and mains section.

Order: dead checks, standby, enable, every switched rail unloaded and under test load, ripple, cold starts,
soak. Limits are common practice with no published source; windows are the family's own.
"""

from __future__ import annotations

from collections.abc import Mapping

from kb.bench.checks import amps as amps_text
from kb.bench.checks import number, positive, seconds, volts
from kb.bench.connector import ConnectorPicture, Probe, connector_picture
from kb.bench.enable import EnablePlan, plan_enable
from kb.bench.rail_types import RailSpec, ripple_window, voltage_window
from kb.bench.sequence_dead import mains_checks
from kb.bench.sequence_types import BenchFamily, BenchRail, BenchSequence, Step, cautions_together, probes_of
from kb.errors import BadInput
from kb.facts.cautions import Caution

COLD_STARTS = 5
SOAK_S = 1800.0
SHORT_OHM, CLEAR_OHM = 1.0, 10.0

_OUTPUT_SECTIONS = {
    "standby": "standby output",
    "logic": "logic output",
    "intermediate": "intermediate output",
    "backlight": "backlight output",
    "audio": "audio output",
    "bulk": "bulk and power factor stage",
    "controller supply": "main converter",
    "other": "other",
}


def output_section(spec: RailSpec) -> str:
    """The section that is suspected first when this rail alone is wrong."""
    return _OUTPUT_SECTIONS[spec.role]


def bench_sequence(
    family: BenchFamily,
    *,
    isolation_stated: bool = False,
    load_amps: Mapping[str, float] | None = None,
    soak_s: float = SOAK_S,
) -> BenchSequence:
    """The steps for one board of this family.

    Steps that measure the energised primary are left out, and named as such, unless an isolation
    transformer is stated. `load_amps` says what current the test load draws from each rail.

    Raises:
        BadInput: when two rails share a name or an amount is not above 0.
    """
    names = [rail.spec.name for rail in family.rails]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise BadInput(f"Two rails are named {twice}.", field="rails", remedy="Give each rail its own name.")
    positive(soak_s, "soak_s", "the soak time", "Type seconds, such as 1800.")
    for name, drawn in (load_amps or {}).items():
        positive(drawn, "load_amps", f"the test load on {name}", "Type amperes, such as 3.")
    maker = _Maker(family, load_amps or {}, soak_s)
    outputs = [rail for rail in family.rails if not rail.on_primary]
    primary = [rail for rail in family.rails if rail.on_primary]
    plan = _enable_plan(family)
    steps = [*mains_checks(family), *(maker.to_ground(rail) for rail in outputs)]
    steps += [maker.rail_step("standby", rail) for rail in outputs if rail.spec.always_on]
    if isolation_stated:
        steps += [maker.rail_step("standby" if rail.spec.always_on else "unloaded", rail) for rail in primary]
    if any(not rail.spec.always_on for rail in outputs):
        steps.append(maker.enable(plan))
    steps += [maker.rail_step("unloaded", rail) for rail in outputs if not rail.spec.always_on]
    loaded = [rail for rail in outputs if not rail.is_input]
    steps += [maker.rail_step("loaded", rail) for rail in loaded]
    steps += [maker.ripple(rail) for rail in loaded]
    leading = _leading_rail(loaded)
    if leading is not None:
        steps += [maker.cold_starts(leading), maker.soak(leading)]
    order = ("unpowered", "standby", "enable", "unloaded", "loaded", "ripple", "cold starts", "soak")
    steps.sort(key=lambda step: order.index(step.stage))
    return BenchSequence(
        family=family.code,
        steps=tuple(steps),
        cautions=cautions_together("unpowered", "discharge", "energise", "load"),
        rails=tuple(rail.spec for rail in family.rails if isolation_stated or not rail.on_primary),
        enable=plan,
        left_out=() if isolation_stated else _left_out(family, primary),
        on_mains=family.on_mains,
    )


def _left_out(family: BenchFamily, primary: list[BenchRail]) -> tuple[str, ...]:
    names = [rail.spec.name for rail in primary] or (["the bulk voltage"] if family.bulk_v else [])
    if not names:
        return ()
    return (
        f"{', '.join(names)} under power: on the mains side, so left out until an isolating transformer is stated.",
    )


def _enable_plan(family: BenchFamily) -> EnablePlan | None:
    if family.enable is None:
        return None
    feeding = next((r.spec for r in family.rails if r.spec.name == family.enable.from_rail), None)
    if feeding is None:
        feeding = next((r.spec for r in family.rails if r.spec.role == "standby"), None)
    if feeding is None or feeding.nominal_v <= 0:
        return None
    return plan_enable(family.enable, feeding.nominal_v)


def _leading_rail(outputs: list[BenchRail]) -> BenchRail | None:
    """The rail that tells most about a start: the switched one with the most rated power."""
    switched = [rail for rail in outputs if not rail.spec.always_on] or outputs
    return max(switched, key=lambda r: abs(r.spec.nominal_v) * (r.spec.rated_a or 0.0), default=None)


class _Maker:
    def __init__(self, family: BenchFamily, load_amps: Mapping[str, float], soak_s: float) -> None:
        self.family = family
        self.load_amps = load_amps
        self.soak_s = soak_s
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
        """An output that must not be shorted before mains goes on."""
        probes = probes_of(rail)
        return Step(
            key=f"unpowered.ground.{rail.spec.name}",
            stage="unpowered",
            kind="limit",
            title=f"{rail.spec.name} to ground",
            instruction=f"Measure resistance: red on {probes[0].where}, black on {probes[1].where}.",
            expected=f"{number(CLEAR_OHM)} Ω or more, once the capacitors have charged",
            if_right=f"{rail.spec.name} is not shorted.",
            if_wrong=(
                f"{rail.spec.name} is shorted to ground: see its rectifier, capacitors and clamp "
                f"before {self.feed.lower()} goes on."
            ),
            section=output_section(rail.spec),
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("unpowered"),
            rail=rail.spec.name,
            quantity="ohm",
            right_low=CLEAR_OHM,
            wrong_below=SHORT_OHM,
            stops=True,
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
        how = {
            "standby": f"{self.feed} on, not enabled.",
            "unloaded": "Enabled, nothing connected; let the meter record minimum and maximum for ten seconds.",
            "loaded": self._load_words(spec) + " Let the meter record minimum and maximum for ten seconds.",
        }[stage]
        return Step(
            key=f"{stage}.{spec.name}",
            stage=stage,
            kind="rail",
            title=f"{spec.name} {'under test load' if loaded else 'in standby' if stage == 'standby' else 'unloaded'}",
            instruction=f"{how} Red on {probes[0].where}, black on {probes[1].where}.",
            expected=f"{low} to {high}" + (" (±10 % assumed)" if window.assumed else ""),
            if_right=f"{spec.name} stands in its window here.",
            if_wrong=(
                f"{spec.name} fails where it counts."
                if loaded
                else "Missing or low: see the suggestions. Coming and going: test under load first."
            ),
            section=section,
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("load", "energise") if loaded else self._powered_cautions(rail),
            rail=spec.name,
            supply="standby" if stage == "standby" else "running",
            load="test load" if loaded else "none",
            extremes=stage != "standby",
            minutes=3.0 if loaded else 1.0,
        )

    def _powered_cautions(self, rail: BenchRail) -> tuple[Caution, ...]:
        return cautions_together("primary", "energise") if rail.on_primary else cautions_together("energise")

    def _load_words(self, spec: RailSpec) -> str:
        drawn = self.load_amps.get(spec.name)
        if drawn is None:
            return f"Connect the test load to {spec.name}."
        share = "" if spec.rated_a is None else f", {number(drawn / spec.rated_a * 100, 0)} % of its rating"
        return f"Connect the test load to {spec.name} ({amps_text(drawn)}{share})."

    def enable(self, plan: EnablePlan | None) -> Step:
        """Switching the main converter on; without a known line the step says so."""
        line = self.family.enable
        probes: tuple[Probe, ...] = ()
        instruction = "The family states no enable line: find it, or run the board in its set."
        if plan is not None and line is not None:
            listen = " and listen for the relay" if self.family.on_mains else ""
            instruction = f"{self.feed} off. {plan.sentence} {self.feed} on again{listen}."
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

    def ripple(self, rail: BenchRail) -> Step:
        """Ripple on a loaded rail."""
        spec, probes = rail.spec, probes_of(rail)
        window = ripple_window(spec)
        limit = number(float(window.high) * 1000, 1)
        return Step(
            key=f"ripple.{spec.name}",
            stage="ripple",
            kind="rail",
            title=f"{spec.name} ripple",
            instruction=(
                "Under test load, measure peak to peak with the shortest ground lead: "
                f"tip on {probes[0].where}, ground on {probes[1].where}."
            ),
            expected=f"{limit} mV or less" + (" (1 % of nominal assumed)" if window.assumed else ""),
            if_right=f"The filter of {spec.name} works.",
            if_wrong=f"Too much ripple: see the filter capacitors of {spec.name}.",
            section=output_section(spec),
            probes=probes,
            picture=self.picture(probes),
            cautions=cautions_together("load", "energise"),
            rail=spec.name,
            quantity="ripple_v",
            supply="running",
            load="test load",
            minutes=3.0,
        )

    def cold_starts(self, rail: BenchRail) -> Step:
        """Repeated starts from cold, watching the rail that tells most."""
        spec, probes = rail.spec, probes_of(rail)
        return Step(
            key="cold starts",
            stage="cold starts",
            kind="rail",
            title=f"{COLD_STARTS} cold starts",
            instruction=(
                f"{self.feed} off until the outputs are empty and the lamps cold, then on under test load: "
                f"read {spec.name}. Do this {COLD_STARTS} times."
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

    def soak(self, rail: BenchRail) -> Step:
        """A long run under load with the extremes recorded."""
        spec, probes = rail.spec, probes_of(rail)
        return Step(
            key="soak",
            stage="soak",
            kind="rail",
            title=f"Soak, {seconds(self.soak_s)}",
            instruction=(
                f"Run under test load for {seconds(self.soak_s)} with the meter recording {spec.name}; stay with it, "
                "and note smell, noise and heat."
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
