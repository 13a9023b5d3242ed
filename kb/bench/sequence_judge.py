"""Judge the entries of a bench sequence and say where the board stands; never more than was measured."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from kb.bench.checks import exact, number
from kb.bench.rail_types import Assessment, RailReading, RailSpec
from kb.bench.rails import RailVerdict, assess, rail_verdict
from kb.bench.sequence_types import BenchSequence, Entry, SequenceVerdict, Step, StepResult
from kb.errors import BadInput

Results = Mapping[str, Sequence[StepResult]]

# Unloaded rails within a tenth of nominal are left for the loaded step to decide (common practice).
_NEAR_FRACTION = 0.1


def judge_step(sequence: BenchSequence, key: str, entry: Entry) -> StepResult:
    """Judge what was entered at one step.

    Raises:
        BadInput: when the step is unknown or nothing that it needs was entered.
    """
    step = sequence.step(key)
    if step.kind == "confirm":
        if not entry.done:
            return StepResult(key, "wrong", step.if_wrong, entry)
        return StepResult(key, "right", step.if_right, entry)
    if not entry.numbers and not entry.open:
        raise BadInput(
            f"Nothing was entered at “{step.title}”.",
            field="value",
            remedy="Type what the meter shows, or OL.",
        )
    if step.kind == "rail":
        return _judge_rail_step(sequence, step, entry)
    return _judge_limits(step, entry)


def _judge_limits(step: Step, entry: Entry) -> StepResult:
    if not entry.numbers:
        # No reading: right for a junction the wrong way round and for a rail that is no short; an open fuse
        # or a junction that never conducts is wrong.
        outcome = "right" if step.right_high is None else "wrong"
        sentence = step.if_right if outcome == "right" else f"No reading at all: open. {step.if_wrong}"
        if outcome == "wrong" and step.quantity == "diode_v":
            sentence = f"No reading at all: an open junction, or no contact. Section: {step.section}."
        return StepResult(step.key, outcome, sentence, entry)
    if step.quantity == "ohm" and min(entry.numbers) < 0:
        raise BadInput(
            f"The resistance at “{step.title}” is below 0.",
            field="value",
            remedy="Discharge, zero the meter and measure again: a charged capacitor reads below 0.",
        )
    outcome = max(
        (_outcome(step, value) for value in entry.numbers), key=("right", "doubtful", "wrong").index
    )
    sentence = {
        "right": step.if_right,
        "doubtful": f"Expected {step.expected}: measure again with a part lifted out of circuit; note it and go on.",
        "wrong": step.if_wrong,
    }[outcome]
    return StepResult(step.key, outcome, sentence, entry)


def _outcome(step: Step, value: float) -> str:
    shown = exact(value)
    low, high, below, above = (
        None if bound is None else exact(bound)
        for bound in (step.right_low, step.right_high, step.wrong_below, step.wrong_above)
    )
    if (low is None or shown >= low) and (high is None or shown <= high):
        return "right"
    beyond = (below is not None and shown <= below) or (above is not None and shown >= above)
    return "wrong" if beyond else "doubtful"


def _judge_rail_step(sequence: BenchSequence, step: Step, entry: Entry) -> StepResult:
    spec = _spec(sequence, step)
    value = 0.0 if entry.open and not entry.numbers else entry.value
    reading = RailReading(spec.name, step.quantity, step.supply, step.load, value, entry.min, entry.max)
    found = assess(spec, reading)
    return StepResult(
        step.key, _rail_outcome(spec, step, entry, found), found.sentence, entry, reading, found
    )


def _rail_outcome(spec: RailSpec, step: Step, entry: Entry, found: Assessment) -> str:
    if found.as_expected:
        return "right"
    if found.asks or found.reversed:
        return "doubtful"
    if step.load != "none" or step.quantity != "dc_v":
        return "wrong"
    if found.condition == "pulsing":
        return "doubtful"
    near = entry.value is not None and abs(abs(entry.value) - abs(spec.nominal_v)) <= _NEAR_FRACTION * abs(
        spec.nominal_v
    ) * (1 + 1e-9)
    return "doubtful" if near else "wrong"


def _spec(sequence: BenchSequence, step: Step) -> RailSpec:
    found = next((spec for spec in sequence.rails if spec.name == step.rail), None)
    if found is None:
        raise BadInput(
            f"The family no longer has the rail {step.rail}.",
            field="rail",
            remedy="Start the sequence again.",
        )
    return found


def next_step(sequence: BenchSequence, results: Results) -> Step | None:
    """The step to go on with, or None when all is done or a dead check forbids mains.

    A step that came out wrong before mains may be entered again after the repair; its last result counts.
    """
    if _blocking(sequence, results):
        return next((step for step in sequence.steps if not step.powered and _missing(step, results)), None)
    return next((step for step in sequence.steps if _missing(step, results)), None)


def _missing(step: Step, results: Results) -> int:
    return max(0, step.repeats - len(results.get(step.key, ())))


def _blocking(sequence: BenchSequence, results: Results) -> list[Step]:
    return [step for step in sequence.steps if step.stops and _final(step, results) == "wrong"]


def _final(step: Step, results: Results) -> str | None:
    """The outcome that counts: the last entry, or the worst of the last round of a repeated step."""
    entered = results.get(step.key, ())
    if not entered:
        return None
    order = ("right", "doubtful", "wrong")
    return max((result.outcome for result in entered[-step.repeats :]), key=order.index)


def rated_share(amps: float, rated_a: float | None) -> float | None:
    """The share of a rail's rating that a load reached; None when the rating is not known."""
    return None if rated_a is None else amps / rated_a


def sequence_verdict(
    sequence: BenchSequence, results: Results, load_amps: Mapping[str, float] | None = None
) -> SequenceVerdict:
    """Where the board stands after these entries (a list per step key, in the order of entry).

    `load_amps` is the highest current applied to each rail; a pass states what share of the rating it was.
    """
    rails = _rail_verdicts(sequence, results)
    # Rails on the mains side are never loaded on purpose, so nothing more is asked of them.
    loaded = {step.rail for step in sequence.steps if step.stage == "loaded"}
    wrong = [step for step in sequence.steps if _final(step, results) == "wrong"]
    failed_rails = [verdict.rail for verdict in rails if verdict.state == "suspect"]
    # A rail that was wrong unloaded but is in order under load is forgiven; any other wrong step is not.
    cleared = {verdict.rail for verdict in rails if verdict.state == "in order"}
    wrong = [step for step in wrong if not (step.stage == "unloaded" and step.rail in cleared)]
    failed = list(dict.fromkeys([*failed_rails, *(step.rail or step.title for step in wrong)]))
    remaining = sum(_missing(step, results) for step in sequence.steps)
    applied = load_amps or {}
    fractions = tuple(
        (spec.name, rated_share(applied[spec.name], spec.rated_a) if spec.name in applied else None)
        for spec in sequence.rails
        if spec.name in loaded
    )
    unsettled = [
        verdict.rail for verdict in rails if verdict.state == "not proven" and verdict.rail in loaded
    ]
    if failed:
        state, sentence = "failed", _failed_sentence(failed, wrong)
    elif remaining or unsettled:
        state, sentence = "not finished", _unfinished_sentence(remaining, unsettled)
    else:
        state, sentence = "passed", _passed_sentence(sequence, fractions)
    return SequenceVerdict(
        state=state,
        sentence=sentence,
        failed=tuple(failed),
        sections=_sections(sequence, wrong, failed_rails),
        fractions=fractions,
        rail_sentences=tuple((verdict.rail, verdict.sentence) for verdict in rails),
        remaining=remaining,
    )


def _rail_verdicts(sequence: BenchSequence, results: Results) -> list[RailVerdict]:
    verdicts = []
    for spec in sequence.rails:
        found = [
            result.assessment
            for step in sequence.steps
            if step.rail == spec.name
            for result in results.get(step.key, ())[-step.repeats :]
            if result.assessment is not None
        ]
        if found:
            verdicts.append(rail_verdict(found))
        else:
            verdicts.append(RailVerdict(spec.name, "not measured", f"{spec.name} was not measured."))
    return verdicts


def _sections(sequence: BenchSequence, wrong: Sequence[Step], failed_rails: Sequence[str]) -> tuple[str, ...]:
    """Suspected sections, most often named first; two or more dead switched rails point to what they share."""
    counts = Counter(step.section for step in wrong)
    for step in sequence.steps:
        if step.rail in failed_rails and step.stage == "loaded" and step not in wrong:
            counts[step.section] += 1
    missing_together = {step.rail for step in wrong if step.stage in ("unloaded", "loaded")}
    if len(missing_together) > 1:
        counts["main converter"] += len(wrong) + 1
    return tuple(section for section, _ in counts.most_common())


def _failed_sentence(failed: Sequence[str], wrong: Sequence[Step]) -> str:
    first = f" First: {wrong[0].title}." if wrong and wrong[0].title not in failed else ""
    return f"Failed on {', '.join(failed)}.{first}"


def _unfinished_sentence(remaining: int, unsettled: Sequence[str]) -> str:
    parts = []
    if remaining:
        parts.append(f"{remaining} entr{'y' if remaining == 1 else 'ies'} to go")
    if unsettled:
        parts.append(f"{', '.join(unsettled)} not proven yet")
    return f"Not finished: {', '.join(parts)}; nothing wrong so far."


def _passed_sentence(sequence: BenchSequence, fractions: Sequence[tuple[str, float | None]]) -> str:
    shares = [
        f"{name} at {number(share * 100, 0)} % of its rating"
        if share is not None
        else f"{name} at a load of unknown share"
        for name, share in fractions
    ]
    tested = f" Tested under load: {', '.join(shares)}." if shares else ""
    return f"Passed every step of the sequence for {sequence.family}.{tested} No more than this was measured."
