"""Judge the entries of a bench sequence, one by one, and say which step comes next."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from kb.bench.checks import exact, number, ohms, seconds, volts
from kb.bench.circumstances import Circumstances
from kb.bench.discharge_words import charge_words
from kb.bench.limits import RIPPLE_GREW, SHORT_OHM, SOAK_SHARE
from kb.bench.rail_types import Assessment, RailReading, RailSpec
from kb.bench.rails import assess
from kb.bench.sequence_around import around_of
from kb.bench.sequence_types import WARM_RIPPLE, BenchSequence, Entry, Step, StepResult
from kb.errors import BadInput

Results = Mapping[str, Sequence[StepResult]]
BULK_STEP = "unpowered.bulk"


def judge_step(sequence: BenchSequence, key: str, entry: Entry, results: Results | None = None) -> StepResult:
    """Judge what was entered at one step, in the light of the `results` before it.

    Raises:
        BadInput: when the step is unknown or nothing that it needs was entered.
    """
    step = sequence.step(key)
    around = around_of(sequence, step, entry, results or {})
    if step.kind == "confirm":
        if not entry.done:
            return StepResult(key, "wrong", step.if_wrong, entry)
        return StepResult(key, "right", step.if_right, entry, judgement="good")
    if step.kind == "choice":
        return _judge_choice(step, entry)
    if not entry.numbers and not entry.open:
        raise BadInput(
            f"Nothing was entered at “{step.title}”.",
            field="value",
            remedy="Type what the meter shows, or OL.",
        )
    if step.kind == "rail":
        return _beside_the_start(step, _judge_rail_step(sequence, step, entry, around), results or {})
    found = _judge_limits(step, entry, around)
    return _after_a_wrong_one(step, found, (results or {}).get(key, ()))


def _beside_the_start(step: Step, found: StepResult, results: Results) -> StepResult:
    """The ripple at the end of a soak beside the ripple at its start; the judgement by the limit stands."""
    if not step.key.startswith(WARM_RIPPLE):
        return found
    start = [one.entry.value for one in results.get(f"ripple.{step.rail}", ()) if one.entry.value is not None]
    now = found.entry.value
    if not start or now is None:
        return found
    cold = start[-1]
    sentence = f"{found.sentence} At the start it was {volts(cold)}."
    if now >= cold * RIPPLE_GREW and found.outcome == "right":
        sentence += (
            " The series resistance of an electrolytic capacitor falls as it warms, so ripple that grows with heat "
            "is a fault coming: measure the capacitors' ESR, and look at what gets hot near them."
        )
    return replace(found, sentence=sentence)


def _after_a_wrong_one(step: Step, found: StepResult, earlier: Sequence[StepResult]) -> StepResult:
    """A dead check that was wrong and is right now: nobody knows yet whether the part or the contact changed."""
    if not (step.stops and earlier and earlier[-1].outcome == "wrong" and found.outcome == "right"):
        return found
    if step.key == BULK_STEP:
        return found
    before = "no reading" if earlier[-1].entry.open else _shown(step, earlier[-1].entry)
    sentence = (
        f"{found.sentence} Before it showed {before}: where no part was changed the probes did not touch, the first "
        "time or now. Be sure which before power."
    )
    return replace(found, sentence=sentence)


def _judge_choice(step: Step, entry: Entry) -> StepResult:
    chosen = next((one for one in step.choices if one.key == entry.answer), None)
    if chosen is None:
        raise BadInput(
            f"It is not said what was seen at “{step.title}”.",
            field="value",
            remedy="Press one of the buttons.",
        )
    return StepResult(step.key, chosen.outcome, chosen.sentence, entry, judgement=chosen.judgement)


def _judge_limits(step: Step, entry: Entry, around: Circumstances) -> StepResult:
    if not entry.numbers:
        return _judge_no_reading(step, entry)
    if (step.quantity == "ohm" or entry.in_ohm) and min(entry.numbers) < 0:
        raise BadInput(
            f"The resistance at “{step.title}” is below 0.",
            field="value",
            remedy="Discharge, zero the meter and measure again: a charged capacitor reads below 0.",
        )
    if step.key == BULK_STEP:
        return _judge_charge(step, entry, around)
    measured = [_outcome(step, value, in_ohm=entry.in_ohm) for value in entry.numbers]
    outcome, judgement = max(measured, key=lambda one: ("right", "doubtful", "wrong").index(one[0]))
    shown = _shown(step, entry)
    sentence = {
        "right": f"{shown}: {_lower(step.if_right)}",
        "doubtful": (
            f"{shown}, expected {step.expected}: measure again with a part lifted out of circuit; note it and go on."
        ),
        "wrong": f"{shown}: {_lower(step.if_wrong)}",
    }[outcome]
    return StepResult(step.key, outcome, sentence, entry, judgement=judgement)


def _lower(sentence: str) -> str:
    """A sentence's start in the middle of another; names such as 5VSB stay as they are."""
    return sentence[:1].lower() + sentence[1:] if sentence[:2].istitle() or sentence[:2] == "A " else sentence


def _shown(step: Step, entry: Entry) -> str:
    unit = ohms if step.quantity == "ohm" or entry.in_ohm else volts
    return " to ".join(dict.fromkeys(unit(value) for value in sorted(entry.numbers)))


def _judge_no_reading(step: Step, entry: Entry) -> StepResult:
    """The meter showed nothing: right for a rail that is no short, wrong for a fuse, by the part for a junction."""
    if step.no_reading == "right":
        return StepResult(step.key, "right", step.if_right, entry, judgement="good")
    sentence = step.if_open or f"No reading at all: open. {step.if_wrong}"
    judgement = "open" if step.no_reading == "wrong" else "unknown"
    return StepResult(step.key, step.no_reading, sentence, entry, judgement=judgement)


def _judge_charge(step: Step, entry: Entry, around: Circumstances) -> StepResult:
    largest = max(entry.numbers, key=abs)
    outcome, judgement = _outcome(step, largest, in_ohm=False)
    if outcome == "right":
        return StepResult(step.key, outcome, f"{volts(largest)}. {step.if_right}", entry, judgement=judgement)
    sentence = charge_words(
        "The bulk capacitor", largest, came_back=around.came_back, battery=around.battery, wet=around.wet
    )
    return StepResult(step.key, "wrong", sentence, entry, judgement="charged")


def _outcome(step: Step, value: float, *, in_ohm: bool) -> tuple[str, str]:
    """(outcome, judgement) of one number against the limits of a step."""
    shown = exact(value)
    if in_ohm and step.quantity == "diode_v":
        # A resistance where a junction is expected tells a short, and nothing else for sure.
        return ("wrong", "shorted") if value <= SHORT_OHM else ("doubtful", "unknown")
    low, high, below, above = (
        None if bound is None else exact(bound)
        for bound in (step.right_low, step.right_high, step.wrong_below, step.wrong_above)
    )
    if (low is None or shown >= low) and (high is None or shown <= high):
        return "right", "good"
    if below is not None and shown <= below:
        return "wrong", step.below
    if above is not None and shown >= above:
        return "wrong", step.above
    return "doubtful", "unknown"


def _judge_rail_step(sequence: BenchSequence, step: Step, entry: Entry, around: Circumstances) -> StepResult:
    spec = _spec(sequence, step)
    value = 0.0 if entry.open and not entry.numbers else entry.value
    reading = RailReading(spec.name, step.quantity, step.supply, step.load, value, entry.min, entry.max)
    found = assess(spec, reading, around)
    outcome, sentence, judgement = _rail_outcome(step, found, around), found.sentence, found.judgement
    if is_short_soak(step, entry):
        held = seconds(entry.held_s or 0.0)
        sentence = f"{sentence} It ran for {held} of the {seconds(step.hold_s or 0.0)} that were planned: no soak yet."
        if outcome == "right":
            outcome, judgement = "doubtful", "unknown"
    elif entry.drift and outcome == "right":
        way = "fell" if entry.drift < 0 else "rose"
        sentence = f"{sentence} It {way} steadily by {volts(abs(entry.drift))} meanwhile and stayed within its limits."
    return StepResult(step.key, outcome, sentence, entry, reading, found, judgement)


def is_short_soak(step: Step, entry: Entry) -> bool:
    """True for an entry that was made before the planned time had passed."""
    return step.hold_s is not None and entry.held_s is not None and entry.held_s < step.hold_s * SOAK_SHARE


def _rail_outcome(step: Step, found: Assessment, around: Circumstances) -> str:
    if found.as_expected:
        return "right"
    if found.judgement in ("unknown", "not proven until loaded"):
        return "doubtful"
    if found.condition == "pulsing" and (step.load == "none" or around.starved):
        return "doubtful"
    return "wrong"


def _spec(sequence: BenchSequence, step: Step) -> RailSpec:
    found = sequence.spec(step.rail)
    if found is None:
        raise BadInput(
            f"The family no longer has the rail {step.rail}.",
            field="rail",
            remedy="Start the sequence again.",
        )
    return found


def next_step(sequence: BenchSequence, results: Results, went_on: Collection[str] = ()) -> Step | None:
    """The step to go on with, or None when all is done or nothing more may be done.

    A check that failed before power comes again until it is right. `went_on` names the checks that a person
    deliberately went on from: then the other dead checks follow, those of the parts that fail together first
    asked for now, and never a step under power.
    """
    stopped = stopping(sequence, results)
    held = [step for step in stopped if step.key not in went_on]
    if held:
        return held[0]
    # A rail that is too high is gone on from in full; a dead check or a short at first power never into power.
    stopped = [step for step in stopped if step.stops]
    if stopped:
        first = min(sequence.steps.index(step) for step in stopped)
        powered = sequence.steps[first].powered
        return next(
            (
                step
                for step in sequence.steps
                if not step.powered and not powered and not results.get(step.key)
            ),
            None,
        )
    upcoming = next(
        (step for step in sequence.steps if missing(step, results) or _asked_for(step, results)), None
    )
    return None if upcoming is not None and upcoming.powered and sequence.refused else upcoming


def _asked_for(step: Step, results: Results) -> bool:
    """A step that another one asks for: its rail stood off its window and is left to the load."""
    before = results.get(step.asked_after, ()) if step.asked_after else ()
    if not before or results.get(step.key):
        return False
    found = before[-1].assessment
    return before[-1].judgement == "not proven until loaded" and found is not None and not found.as_expected


def stopping(sequence: BenchSequence, results: Results) -> list[Step]:
    """The steps whose wrong outcome keeps everything after them from being done.

    Beside the checks that `stops` marks it is any rail that stands too high: nothing is connected to it.
    """
    return [
        step
        for step in sequence.steps
        if final(step, results) == "wrong"
        and (step.stops or (step.quantity == "dc_v" and results[step.key][-1].judgement == "high"))
    ]


def missing(step: Step, results: Results) -> int:
    """How many entries a step still wants; an optional one wants none, a soak cut short does not count."""
    return 0 if step.optional else max(0, step.repeats - len(counted(step, results.get(step.key, ()))))


def counted(step: Step, entered: Sequence[StepResult]) -> list[StepResult]:
    """The entries that count: no soak cut short, and of repeated starts none that proves nothing."""
    return [
        one
        for one in entered
        if not is_short_soak(step, one.entry) and not (step.repeats > 1 and one.judgement == "unknown")
    ]


def final(step: Step, results: Results) -> str | None:
    """The outcome that counts: the last entry, or the worst of the last round of a repeated step."""
    entered = results.get(step.key, ())
    if not entered:
        return None
    order = ("right", "doubtful", "wrong")
    mine = (counted(step, entered) or entered) if step.repeats > 1 else entered
    return max((result.outcome for result in mine[-step.repeats :]), key=order.index)


def rated_share(amps: float, rated_a: float | None) -> float | None:
    """The share of a rail's rating that a load reached; None when the rating is not known."""
    return None if rated_a is None else amps / rated_a


def share_words(share: float) -> str:
    """A share of a rating in per cent."""
    return f"{number(share * 100, 0)} %"
