"""The paragraphs of the customer's report, in plain words; each says only what the case and its test recorded."""

from __future__ import annotations

from typing import Any

from kb.bench.rail_types import RailSpec, is_input
from kb.bench.sequence_judge import is_short_soak
from kb.model import Attempt, CaseRecord
from kb.service.bench.report_text import (
    NOT_A_SAFETY_TEST,
    PLAIN_ACTIONS,
    PLAIN_FAILURES,
    PLAIN_ROLES,
    PLAIN_STAGES,
)
from kb.service.bench.view import RunView, StepView

_FULL = 0.995


_SEEN = {
    "dark": "went dark or drew next to nothing",
    "bright": "stays bright or at the limit",
    "pulses": "pulses",
    "never": "no current",
    "yes": "came on",
    "no": "did not come on",
}


def seen(answer: str) -> str:
    """What was seen at a step, from what the button that was pressed is kept as; other words as they are."""
    return _SEEN.get(answer, answer)


def asked(record: CaseRecord) -> str:
    """What the customer wanted."""
    if record.complaint:
        return f"You brought a board of type {record.family} with these words: “{record.complaint}”"
    return f"You asked us to test a board of type {record.family}."


def share(amps: float | None, spec: RailSpec) -> str:
    """A load in plain words, "" where none was noted."""
    if amps is None:
        return ""
    if spec.rated_a is None:
        return f"{amps:.2g} A"
    return f"{amps / spec.rated_a * 100:.0f} % of what it is made for"


def plain_name(spec: RailSpec) -> str:
    """A rail as somebody who knows nothing of electronics may call it."""
    if is_input(spec.name):
        return f"supply that feeds the board {spec.name}"
    return f"{PLAIN_ROLES.get(spec.role, 'supply')} {spec.name}"


def time_words(seconds: float) -> str:
    """A time as it was: "2 seconds", "30 minutes", "1.5 hours"."""
    if seconds < 120:
        return f"{seconds:.0f} second{'' if round(seconds) == 1 else 's'}"
    if seconds < 7200:
        return f"{seconds / 60:.3g} minutes"
    return f"{seconds / 3600:.3g} hours"


def tested(test: RunView | None) -> str:
    """How the board was tested, by what was entered."""
    if test is None:
        return "The board was looked over and measured on the bench; no full bench test was made."
    sentences = [_course(test), *_loads(test), *_starts(test), *_soak(test), *_help(test)]
    return " ".join(sentences)


def _course(test: RunView) -> str:
    stages = {one.step.stage for one in test.steps if one.entries}
    days = sorted({entry.entered_at.date().isoformat() for one in test.steps for entry in one.entries})
    when = f"On {days[0]}" if len(days) < 2 else f"Between {days[0]} and {days[-1]}"
    after = " after the repair" if test.run.after_repair else ""
    words = (
        ("unpowered", "unplugged, for short circuits and blown parts"),
        ("first power", "switched on with the current limited"),
        ("standby", "in standby"),
        ("unloaded", "switched on with nothing connected"),
        ("loaded", "under load, with test loads drawing current in place of your set"),
        ("ripple", "for how smooth its voltages are"),
    )
    how = [text for stage, text in words if stage in stages]
    course = f": {', then '.join(how)}" if how else ""
    return f"{when}{after} the board was tested by itself on our bench{course}."


def _loads(test: RunView) -> list[str]:
    loaded = []
    for one in test.steps:
        if one.step.stage == "loaded" and one.entries:
            spec = test.sequence.spec(one.step.rail)
            if spec is not None:
                words = share(one.entries[-1].load_a, spec)
                loaded.append(f"{plain_name(spec)}: {words or 'not noted'}")
    return [f"Load put on each supply: {'; '.join(loaded)}."] if loaded else []


def _starts(test: RunView) -> list[str]:
    starts = [one for one in test.steps if one.step.stage == "cold starts" and one.entries]
    if not starts:
        return []
    results = starts[0].results
    good = sum(result.outcome == "right" for result in results)
    count = f"{len(results)} time{'' if len(results) == 1 else 's'}"
    if good == len(results):
        return [f"It was started from cold {count} and started as it should each time."]
    return [f"It was started from cold {count}; {good} of these starts were as they should be."]


def _soak(test: RunView) -> list[str]:
    soaks = [one for one in test.steps if one.step.hold_s is not None and one.entries]
    if not soaks:
        return []
    last = soaks[0].results[-1]
    if last.entry.held_s is None:
        return ["It then ran under load; for how long was not noted."]
    ran = f"It then ran under load for {time_words(last.entry.held_s)}"
    if is_short_soak(soaks[0].step, last.entry):
        return [f"{ran}, shorter than the long run that was planned."]
    hottest = [entry.around["celsius"] for entry in soaks[0].entries if "celsius" in entry.around]
    return [f"{ran}.", *([f"The hottest part we measured then had {hottest[-1]:g} °C."] if hottest else [])]


def _help(test: RunView) -> list[str]:
    held = [
        one
        for one in test.steps
        if any(result.entry.help is not None and result.entry.help.state == "held" for result in one.results)
    ]
    if not held:
        return []
    names = ", ".join(dict.fromkeys(str(one.step.rail) for one in held))
    starts = [one for one in test.steps if one.step.stage == "cold starts"]
    alone = starts and starts[0].outcome == "right" and all(r.entry.help is None for r in starts[0].results)
    after = (
        "afterwards it started without that help"
        if alone
        else "that it starts without that help was not shown"
    )
    return [f"For a part of the test {names} was held up by a supply of ours; {after}."]


def found(record: CaseRecord, test: RunView | None, readings: list[dict[str, Any]]) -> str:
    """What was tried and what of it helped, and what stood out of order."""
    lines = [_repair(attempt) for attempt in record.attempts]
    wrong = [f"{one['name']}: {one['condition']}" for one in readings if one["off"]]
    elsewhere = _failed_elsewhere(test)
    if wrong:
        lines.append("Found out of order: " + "; ".join(wrong) + ".")
    if elsewhere:
        lines.append("Failed: " + "; ".join(elsewhere) + ".")
    if readings and not wrong and not elsewhere:
        lines.append("Every supply drawn below was measured within its limits.")
    if not record.attempts:
        lines.append("No repair of the board is recorded.")
    return " ".join(lines)


def _failed_elsewhere(test: RunView | None) -> tuple[str, ...]:
    """Stages of a failed test that the drawn voltages do not show, such as a ripple or a long run."""
    if test is None or test.verdict.state != "failed":
        return ()
    drawn = ("standby", "unloaded", "loaded")
    return tuple(
        dict.fromkeys(
            PLAIN_STAGES[one.step.stage]
            for one in test.steps
            if one.outcome == "wrong" and one.step.stage not in drawn
        )
    )


_RESULTS = {
    "cured": "",
    "improved": ", which made it better but not good",
    "no change": ", which made no difference",
    "worse": ", which made it worse",
    "not known yet": "; whether that is enough is still to be proved",
}


def _repair(attempt: Attempt) -> str:
    part = f"{attempt.part_class} {attempt.part}".strip()
    wrong = f" ({PLAIN_FAILURES.get(attempt.failure, attempt.failure)})" if attempt.failure else ""
    done = PLAIN_ACTIONS.get(attempt.action, f"was dealt with ({attempt.action})")
    return f"The {part}{wrong} {done}{_RESULTS[attempt.result]}."


def means(record: CaseRecord, test: RunView | None, kind: str) -> str:
    """What follows for the customer."""
    passed = test is not None and test.verdict.state == "passed"
    if record.verdict == "repaired":
        proven = passed and test is not None and test.run.after_repair
        proof = (
            "Afterwards it passed our bench test, as far as that is described above."
            if proven
            else "Please try it in your set."
        )
        return f"The fault on this board was found and repaired. {proof}"
    if record.verdict == "no fault found" or (record.verdict is None and passed):
        return _in_order(kind, passed=passed)
    if record.verdict == "not economical":
        return "The board could be repaired, but not for a price that makes sense. We advise against it."
    if record.verdict == "not repairable":
        return "The board cannot be repaired. It needs to be replaced."
    if test is not None and test.verdict.state == "failed":
        return "The board is faulty. We will tell you what a repair would cost before going on."
    return "The work on this board is not finished."


def _in_order(kind: str, *, passed: bool) -> str:
    supply = kind in ("", "power supply")
    where = (
        "in what the supply feeds, in a cable or a connector, or in the board that switches the supply on"
        if supply
        else "in another board, in a cable or in a connector"
    )
    noun = "supply" if supply else "board"
    opening = (
        f"As far as it was tested, this {noun} is in order."
        if passed
        else f"No fault of this {noun} was found, though it did not go through our whole test."
    )
    return (
        f"{opening} The fault is then most likely elsewhere in the set: {where}. "
        "A fault that shows only now and then may have stayed away while we tested."
    )


def not_tested(test: RunView | None) -> str:
    """What the customer must not take for tested."""
    lines = []
    if test is None:
        lines.append("The board was not put through a full bench test.")
    else:
        missing = dict.fromkeys(PLAIN_STAGES[one.step.stage] for one in test.steps if _undone(one))
        if missing:
            lines.append("Not done, or only in part: " + "; ".join(missing) + ".")
        if test.sequence.left_out:
            lines.append("The side of the board that is connected to the mains was measured unplugged only.")
        shares = [part for _, part in test.verdict.fractions]
        if any(part is not None and part < _FULL for part in shares):
            lines.append("The supplies were not loaded to the full of what they are made for.")
        if shares and any(part is None for part in shares):
            lines.append("How heavily some of the supplies were loaded is not known.")
    lines.append("The other parts of your set were not tested.")
    lines.append(NOT_A_SAFETY_TEST)
    return " ".join(lines)


def _undone(place: StepView) -> bool:
    return bool(place.remaining or place.left_out) and not place.step.optional
