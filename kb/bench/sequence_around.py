"""What a run knows around an entry: gathered from the results so far, never assumed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from kb.bench.circumstances import BenchHelp, Circumstances
from kb.bench.rail_types import Assessment
from kb.bench.sequence_types import LAMPS, BenchSequence, Entry, Step, StepResult

Results = Mapping[str, Sequence[StepResult]]
_LIMITED_STAGES = ("first power", "standby", "enable", "unloaded")


def around_of(sequence: BenchSequence, step: Step, entry: Entry, results: Results) -> Circumstances:
    """The circumstances of an entry about to be judged at a step, from everything entered before it."""
    kind = sequence.load_kinds.get(step.rail or "", "")
    # Every start from cold finds all lamps cold, on whichever rail they hang.
    starts = step.stage == "cold starts"
    lamps = [name for name, nature in sequence.load_kinds.items() if nature in LAMPS]
    powered = _latest_direct(sequence, results)
    unloaded = _unloaded(sequence, step, results)
    others = {name: found for name, found in powered.items() if name != step.rail}
    running = {name: one for name, one in others.items() if one.supply == "running"}
    limited = step.stage in _LIMITED_STAGES and bool(results.get("first power"))
    bulk = next((spec.name for spec in sequence.rails if spec.role == "bulk"), None)
    fuse = results.get("unpowered.fuse", ())
    earlier = results.get(step.key, ())
    return Circumstances(
        load_kind=kind,
        cold_load=step.load == "test load" and (kind in LAMPS or (starts and bool(lamps))),
        help=entry.help or _help_removed(sequence, step, results),
        unloaded_v=unloaded[0],
        cycled_unloaded=unloaded[1] and step.stage == "loaded",
        steady=tuple(name for name, one in running.items() if one.as_expected),
        cycling=tuple(name for name, one in running.items() if one.condition == "pulsing"),
        idle=_idle(sequence, step, results),
        loaded=_loaded(sequence, step, results),
        fuse_whole=fuse[-1].outcome == "right" if fuse else None,
        bulk_v=_value_on(sequence, results, bulk),
        mains_v=sequence.mains_v,
        series_lamp=entry.lamp_w is not None or (limited and sequence.on_mains),
        starved=entry.lamp_w is not None and step.load != "none" and sequence.load_watts > entry.lamp_w,
        drift=entry.drift,
        came_back=any(result.outcome == "right" for result in earlier),
        battery=sequence.battery,
        on_mains_reference=bool(sequence.reference),
        wet=sequence.wet,
        feed="Mains" if sequence.on_mains else "Supply",
    )


def _direct_steps(sequence: BenchSequence) -> list[Step]:
    return [step for step in sequence.steps if step.kind == "rail" and step.quantity == "dc_v"]


def _latest_direct(sequence: BenchSequence, results: Results) -> dict[str, Assessment]:
    """The latest judged direct voltage of each rail, in the order of the steps."""
    found: dict[str, Assessment] = {}
    for step in _direct_steps(sequence):
        for result in results.get(step.key, ()):
            if result.assessment is not None:
                found[str(step.rail)] = result.assessment
    return found


def _unloaded(sequence: BenchSequence, step: Step, results: Results) -> tuple[float | None, bool]:
    """(volts, came and went) of the step's rail with nothing connected, before it."""
    value, cycled = None, False
    if step.load == "none":
        return value, cycled
    for one in _direct_steps(sequence):
        entered = results.get(one.key, ())
        if one.rail == step.rail and one.load == "none" and entered and entered[-1].assessment is not None:
            cycled = entered[-1].assessment.condition == "pulsing"
            value = entered[-1].entry.value
    return value, cycled


def _switched_outputs(sequence: BenchSequence) -> list[str]:
    specs = [spec for spec in sequence.rails if not spec.always_on and not spec.never_loaded]
    specs.sort(key=lambda spec: -abs(spec.nominal_v) * (spec.rated_a or 0.0))
    return [spec.name for spec in specs]


def _has_load(results: Results, name: str) -> bool:
    return bool(results.get(f"loaded.{name}") or results.get(f"standby loaded.{name}"))


def _idle(sequence: BenchSequence, step: Step, results: Results) -> tuple[str, ...]:
    names = [name for name in _switched_outputs(sequence) if name != step.rail]
    return tuple(name for name in names if not _has_load(results, name))


def _loaded(sequence: BenchSequence, step: Step, results: Results) -> tuple[str, ...]:
    """Rails whose load was connected at an earlier step and stays on."""
    if step.stage != "loaded":
        return ()
    names = [spec.name for spec in sequence.rails if not spec.never_loaded and spec.name != step.rail]
    return tuple(name for name in names if _has_load(results, name))


def _value_on(sequence: BenchSequence, results: Results, name: str | None) -> float | None:
    values = [
        result.entry.value
        for step in _direct_steps(sequence)
        if step.rail == name
        for result in results.get(step.key, ())
        if result.entry.value is not None
    ]
    return values[-1] if values and name is not None else None


def _help_removed(sequence: BenchSequence, step: Step, results: Results) -> BenchHelp | None:
    """A rail that was held up at its last entry and is read without help now."""
    held = [
        result.entry.help
        for one in _direct_steps(sequence)
        if one.rail == step.rail
        for result in results.get(one.key, ())
        if result.entry.help is not None and result.entry.help.state == "held"
    ]
    if not held:
        return None
    last = held[-1]
    return BenchHelp("removed", last.volts, last.limit_a, last.diode)
