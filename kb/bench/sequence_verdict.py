"""Where a board stands after the entries of its bench sequence; never more than was measured."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from kb.bench.rails import RailVerdict, rail_verdict
from kb.bench.rails_together import across_rails
from kb.bench.sequence_judge import Results, final, missing, rated_share, share_words
from kb.bench.sequence_types import BenchSequence, SequenceVerdict, Step


def sequence_verdict(
    sequence: BenchSequence, results: Results, load_amps: Mapping[str, float] | None = None
) -> SequenceVerdict:
    """Where the board stands after these entries (a list per step key, in the order of entry).

    `load_amps` is the highest current applied to each rail; a pass states what share of the rating it was.
    """
    rails = _rail_verdicts(sequence, results)
    # Rails on the mains side are never loaded on purpose, so nothing more is asked of them.
    loaded = {step.rail for step in sequence.steps if step.stage == "loaded"}
    wrong = [step for step in sequence.steps if final(step, results) == "wrong"]
    charged = [step for step in wrong if step.below == "charged"]
    wrong = [step for step in wrong if step not in charged]
    failed_rails = [verdict.rail for verdict in rails if verdict.state == "suspect"]
    # A rail that was wrong unloaded but is in order under load is forgiven; any other wrong step is not.
    cleared = {verdict.rail for verdict in rails if verdict.state == "in order"}
    wrong = [step for step in wrong if not (step.stage == "unloaded" and step.rail in cleared)]
    failed = list(dict.fromkeys([*failed_rails, *(step.rail or step.title for step in wrong)]))
    remaining = sum(missing(step, results) for step in sequence.steps)
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
    elif remaining or unsettled or charged or sequence.refused:
        state, sentence = "not finished", _unfinished_sentence(remaining, unsettled, charged)
    else:
        state, sentence = "passed", _passed_sentence(sequence, fractions)
    sections = _sections(sequence, wrong, failed_rails)
    across = across_rails(sequence, results)
    if across is not None and across.section and failed:
        sections = tuple(dict.fromkeys((across.section, *sections)))
    return SequenceVerdict(
        state=state,
        sentence=sentence + _help_sentence(sequence, results),
        failed=tuple(failed),
        sections=sections,
        fractions=fractions,
        rail_sentences=tuple((verdict.rail, _rail_sentence(verdict, wrong, results)) for verdict in rails),
        remaining=remaining,
        across="" if across is None else across.sentence,
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


def _rail_sentence(verdict: RailVerdict, wrong: Sequence[Step], results: Results) -> str:
    """The rail's own sentence, or at which steps it failed where its last reading alone would hide that."""
    if verdict.state == "suspect":
        return verdict.sentence
    mine = [step for step in wrong if step.rail == verdict.rail]
    if not mine:
        return verdict.sentence
    failed = []
    for step in mine:
        entered = results[step.key][-step.repeats :]
        bad = sum(one.outcome == "wrong" for one in entered)
        failed.append(f"{step.title} ({bad} of {len(entered)} wrong)" if step.repeats > 1 else step.title)
    return f"{verdict.rail} failed at: {', '.join(failed)}. Otherwise: {verdict.sentence}"


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


def _unfinished_sentence(remaining: int, unsettled: Sequence[str], charged: Sequence[Step]) -> str:
    parts = ["the bulk capacitor is still charged"] if charged else []
    if remaining:
        parts.append(f"{remaining} entr{'y' if remaining == 1 else 'ies'} to go")
    if unsettled:
        parts.append(f"{', '.join(unsettled)} not proven yet")
    said = ", ".join(parts) or "the steps under power were not done"
    return f"Not finished: {said}; nothing wrong so far."


def _passed_sentence(sequence: BenchSequence, fractions: Sequence[tuple[str, float | None]]) -> str:
    shares = [
        f"{name} at {share_words(share)} of its rating"
        if share is not None
        else f"{name} at a load of unknown share"
        for name, share in fractions
    ]
    tested = f" Tested under load: {', '.join(shares)}." if shares else ""
    return f"Passed every step of the sequence for {sequence.family}.{tested} No more than this was measured."


def _help_sentence(sequence: BenchSequence, results: Results) -> str:
    """Whether the board starts alone, where a bench supply helped it at some time."""
    helped = [
        (step, result)
        for step in sequence.steps
        for result in results.get(step.key, ())
        if result.entry.help is not None and result.entry.help.state == "held"
    ]
    if not helped:
        return ""
    step, result = helped[-1]
    starts = results.get("cold starts", ())[-5:]
    alone = [one for one in starts if one.entry.help is None]
    proven = len(alone) == len(starts) and bool(starts) and all(one.outcome == "right" for one in alone)
    words = result.entry.help.words if result.entry.help else ""
    ending = (
        f"afterwards it made {len(alone)} cold starts without help."
        if proven
        else "that it starts without help is not shown."
    )
    return f" {step.rail} was held up by a bench supply{f' ({words})' if words else ''} during the test; {ending}"
