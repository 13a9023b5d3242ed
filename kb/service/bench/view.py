"""A bench test as its pages show it: the steps with what was entered, and where the board stands."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from kb.bench.gauge import Gauge, gauge
from kb.bench.sequence import bench_sequence
from kb.bench.sequence_judge import BULK_STEP, counted, judge_step, next_step, stopping
from kb.bench.sequence_types import BenchSequence, SequenceVerdict, Step, StepResult
from kb.bench.sequence_verdict import sequence_verdict
from kb.errors import BadInput
from kb.model import FamilyRecord
from kb.service.bench.entry import entry_of
from kb.service.bench.family import ConnectorDrawing, bench_family, drawing
from kb.store.records.bench_runs import StoredEntry, StoredRun


@dataclass(frozen=True, slots=True)
class StepView:
    """A step with its number (from 1), what was entered, how it stands, and what is drawn."""

    number: int
    step: Step
    results: tuple[StepResult, ...]
    entries: tuple[StoredEntry, ...]
    left_out: str | None
    connect: str
    picture: ConnectorDrawing | None
    gauge: Gauge | None

    @property
    def outcome(self) -> str:
        """`right`, `doubtful`, `wrong`, `left out`, or "" while entries are missing."""
        if self.left_out is not None:
            return "left out"
        mine = counted(self.step, self.results) if self.step.repeats > 1 else self.results
        if len(mine) < self.step.repeats:
            return "wrong" if any(one.outcome == "wrong" for one in mine) else ""
        order = ("right", "doubtful", "wrong")
        return max((one.outcome for one in mine[-self.step.repeats :]), key=order.index)

    @property
    def remaining(self) -> int:
        if self.left_out is not None or self.step.optional:
            return 0
        return max(0, self.step.repeats - len(counted(self.step, self.results)))


@dataclass(frozen=True, slots=True)
class RunView:
    """A run as its pages show it. `stopped` holds the keys of the steps that nothing goes on from by itself."""

    run: StoredRun
    family: FamilyRecord
    sequence: BenchSequence
    steps: tuple[StepView, ...]
    verdict: SequenceVerdict
    next_number: int | None
    blocked: bool
    stopped: frozenset[str] = frozenset()

    @property
    def done(self) -> int:
        return sum(1 for one in self.steps if one.outcome)

    @property
    def wanted(self) -> int:
        """How many steps there are, without those that are only asked where another failed."""
        return sum(1 for one in self.steps if one.outcome or not one.step.optional)

    @property
    def name(self) -> str:
        return f"{self.family.code}, {self.run.label or 'test ' + self.run.uid[:4]}"

    @property
    def went_on(self) -> dict[str, str]:
        """The checks that a person deliberately went on from, each with the reason given."""
        return dict(self.run.setup.get("went_on", {}))

    def may_leave_out(self, step: Step) -> bool:
        """Everything but the discharge of a board that is fed from the mains as far as is known."""
        family = self.family
        return step.key != BULK_STEP or not (family.mains_v or family.bulk_v or family.bulk_uf)

    def step(self, number: int) -> StepView:
        """Raises BadInput for a number that no step has."""
        if not 1 <= number <= len(self.steps):
            raise BadInput(
                f"This test has no step {number}.", field="step", remedy="Open the test and go on from there."
            )
        return self.steps[number - 1]


def sequence_for(
    record: FamilyRecord,
    isolated: bool,
    soak_s: float,
    loads: Mapping[str, Mapping[str, object]],
    good_ohm: Mapping[str, Sequence[float]] | None = None,
    *,
    wet: bool = False,
) -> BenchSequence:
    """The steps for one board of a family with its set-up. Raises BadInput for a family that cannot be."""
    amps = {name: float(str(load["amps"])) for name, load in loads.items()}
    kinds = {name: str(load.get("kind", "")) for name, load in loads.items()}
    return bench_sequence(
        bench_family(record, good_ohm),
        isolation_stated=isolated,
        load_amps=amps,
        load_kinds=kinds,
        soak_s=soak_s,
        wet=wet,
    )


@lru_cache(maxsize=256)
def _made(written: str) -> tuple[FamilyRecord, BenchSequence]:
    """The family as it was when the test began, and its steps. A step of a test looks several times at what does not
    change from its begin to its end; the text of all that it was made from is the key."""
    family, isolated, soak_s, loads, good_ohm, wet = json.loads(written)
    record = FamilyRecord.model_validate(family)
    return record, sequence_for(record, isolated, soak_s, loads, good_ohm, wet=wet)


def view_of(run: StoredRun) -> RunView:
    """A stored run judged from its entries."""
    setup = run.setup
    made_from = run.family, run.isolated, run.soak_s, run.loads, setup.get("good_ohm"), bool(setup.get("wet"))
    record, sequence = _made(json.dumps(made_from))
    results: dict[str, list[StepResult]] = {}
    entries: dict[str, list[StoredEntry]] = {}
    known = {step.key for step in sequence.steps}
    # A test begun with an earlier version of the program may hold a step that is no longer made.
    for entry in (one for one in run.entries if one.step in known):
        typed = entry_of(
            entry.value, entry.min, entry.max, no_reading=entry.open, done=entry.done, around=entry.around
        )
        results.setdefault(entry.step, []).append(judge_step(sequence, entry.step, typed, results))
        entries.setdefault(entry.step, []).append(entry)
    steps = tuple(
        StepView(
            number,
            step,
            tuple(results.get(step.key, ())),
            tuple(entries.get(step.key, ())),
            run.left_out.get(step.key),
            str(run.loads[step.rail]["what"]) if step.load == "test load" and step.rail in run.loads else "",
            drawing(record, step),
            _gauge(sequence, step, results.get(step.key, [])),
        )
        for number, step in enumerate(sequence.steps, 1)
    )
    kept = replace(sequence, steps=tuple(step for step in sequence.steps if step.key not in run.left_out))
    upcoming = next_step(kept, results, run.setup.get("went_on", {}))
    number = next((one.number for one in steps if upcoming and one.step.key == upcoming.key), None)
    blocked = any(one.step.stops and one.outcome == "wrong" for one in steps)
    stopped = frozenset(step.key for step in stopping(kept, results))
    verdict = _verdict(sequence, kept, steps, results)
    return RunView(run, record, sequence, steps, verdict, number, blocked, stopped)


def _gauge(sequence: BenchSequence, step: Step, results: list[StepResult]) -> Gauge | None:
    if step.kind != "rail":
        return None
    spec = next(spec for spec in sequence.rails if spec.name == step.rail)
    reading = results[-1].reading if results else None
    # Without a reading the empty scale of a ripple is that of its limit, hence a ripple of none.
    if reading is None and step.quantity == "ripple_v":
        return None
    return gauge(spec, reading)


def _verdict(
    full: BenchSequence,
    kept: BenchSequence,
    steps: tuple[StepView, ...],
    results: dict[str, list[StepResult]],
) -> SequenceVerdict:
    """The verdict over the steps that were not left out; never a pass for what was not loaded at all."""
    applied = {
        str(one.step.rail): one.entries[-1].load_a
        for one in steps
        if one.step.stage == "loaded" and one.entries and one.left_out is None
    }
    found = sequence_verdict(
        kept, results, {name: amps for name, amps in applied.items() if amps is not None}
    )
    skipped = [one.step.title for one in steps if one.left_out is not None]
    if found.state != "passed":
        return found
    if any(step.stage == "loaded" for step in full.steps) and not any(
        step.stage == "loaded" for step in kept.steps
    ):
        return replace(
            found,
            state="not finished",
            sentence="Not finished: nothing was tested under load; nothing wrong so far.",
        )
    if skipped:
        sentence = found.sentence.replace("Passed every step", "Passed every step that was done", 1)
        return replace(found, sentence=f"{sentence} Left out: {', '.join(skipped)}.")
    return found


def verdict_dict(found: SequenceVerdict) -> dict[str, object]:
    """A verdict as it is kept with its run."""
    return {
        "state": found.state,
        "sentence": found.sentence,
        "failed": list(found.failed),
        "sections": list(found.sections),
        "fractions": [[name, share] for name, share in found.fractions],
        "remaining": found.remaining,
        "across": found.across,
    }
