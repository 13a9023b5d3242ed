"""What a person types at a bench step: read, doubted where a unit was forgotten, turned into a reading."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from pydantic import ValidationError

from kb.bench.circumstances import BenchHelp
from kb.bench.sequence_types import Entry, Step, StepResult
from kb.errors import BadInput
from kb.facts.quantities import OVER_RANGE, format_si_plain, parse_quantity, parse_reading
from kb.facts.reading_lines import parse_reading_line
from kb.model import Reading, explain

_UNIT = {"ohm": "ohm", "dc_v": "V", "ripple_v": "V", "diode_v": "V"}
_OHMS = re.compile(r"(?:Ω|ohms?|[0-9]R[0-9]*|[0-9][kM])\s*$", re.IGNORECASE)
_BARE = re.compile(r"[+\-−]?[0-9]+(?:[.,][0-9]+)?")
# Nobody types a junction drop or a ripple of so many volts; a meter shows both in millivolts.
_DOUBTED_V = {"diode_v": 10.0, "ripple_v": 1.0}


@dataclass(frozen=True, slots=True)
class Typed:
    """The fields of a step as typed; `answer` is the button that was pressed.

    `held` is how long it ran, `celsius` the hottest part, `drift` how far it moved steadily, `connected` what was
    on the rail, `lamp_w` the lamp still in the mains lead; `help` says that a bench supply held the rail up. `taken`
    is the number of the instrument's reading that the value came from, where it did.
    """

    value: str = ""
    low: str = ""
    high: str = ""
    load: str = ""
    answer: str = ""
    held: str = ""
    celsius: str = ""
    drift: str = ""
    connected: str = ""
    lamp_w: str = ""
    help: str = ""
    help_v: str = ""
    help_a: str = ""
    help_diode: str = ""
    taken: str = ""

    @property
    def kept(self) -> tuple[tuple[str, str], ...]:
        """All fields but the answer, to be sent again."""
        return tuple((one.name, getattr(self, one.name)) for one in fields(self) if one.name != "answer")


@dataclass(frozen=True, slots=True)
class Question:
    """A value that is hardly meant: nothing is kept until it is answered."""

    text: str
    meant: str
    typed: Typed


def read_entry(step: Step, typed: Typed) -> Entry:
    """The entry for a step.

    Raises:
        BadInput: naming the field, when nothing was typed or it cannot be read.
    """
    if step.kind == "choice":
        return Entry(answer=typed.answer)
    if step.kind == "confirm":
        if typed.answer not in ("yes", "no"):
            raise BadInput(
                "It is not said whether it came on.", field="value", remedy="Press one of the two buttons."
            )
        return Entry(done=typed.answer == "yes")
    entry = _measured(step, typed)
    return replace(entry, **_around(step, typed))


def _measured(step: Step, typed: Typed) -> Entry:
    unit = _UNIT[step.quantity]
    text = typed.value.strip()
    if step.quantity == "diode_v" and _OHMS.search(text):
        return Entry(value=float(parse_quantity(text, "ohm", field="value")), in_ohm=True)
    if typed.answer == "OL" and not text:
        text = "OL"
    low, high = (
        float(parse_quantity(given, unit, field=field)) if given.strip() else None
        for field, given in (("low", typed.low), ("high", typed.high))
    )
    if not text and low is None and high is None:
        raise BadInput(
            f"Nothing was entered at “{step.title}”.",
            field="value",
            remedy="Type what the meter shows" + (", or OL." if unit == "ohm" else "."),
        )
    if not text:
        return _ordered(None, low, high)
    try:
        found = parse_reading(text, unit, field="value")
    except BadInput:
        if not step.extremes:
            raise
        spread = _spread(step, text)
        if spread is None:
            raise
        return spread
    if found is OVER_RANGE:
        if step.quantity in ("dc_v", "ripple_v"):
            raise BadInput(
                "OL on a voltage range means that there is more than the range shows.",
                field="value",
                remedy="Switch the meter to a higher range; type 0 where there is no voltage.",
            )
        return Entry(open=True)
    return _ordered(float(found), low, high)


def _around(step: Step, typed: Typed) -> dict[str, Any]:
    """What was noted beside the value. Raises BadInput naming the field."""
    found: dict[str, Any] = {}
    if step.hold_s is not None:
        if not typed.held.strip():
            raise BadInput(
                "It is not said how long it ran.",
                field="held",
                remedy="Type the minutes that it really ran, such as 30, or 2 s.",
            )
        found["held_s"] = read_time_s(typed.held)
        if typed.drift.strip():
            found["drift"] = float(parse_quantity(typed.drift, "V", field="drift"))
    if typed.lamp_w.strip():
        found["lamp_w"] = _watts(typed.lamp_w)
    if typed.help and step.kind == "rail":
        volts, amps = (
            float(parse_quantity(given, unit, field=field)) if given.strip() else None
            for field, given, unit in (("help_v", typed.help_v, "V"), ("help_a", typed.help_a, "A"))
        )
        found["help"] = BenchHelp("held", volts, amps, bool(typed.help_diode))
    return found


def read_time_s(text: str) -> float:
    """Seconds from "30", "30 min", "2 s", "1.5 h" or "1:30" (minutes and seconds); a bare number is minutes.

    Raises:
        BadInput: for anything else, and for a time of 0 or over a month.
    """
    typed = text.strip().replace(",", ".")
    clock = re.fullmatch(r"(\d{1,4}):([0-5]\d)", typed)
    plain = re.fullmatch(
        r"(\d{1,6}(?:\.\d{1,3})?)\s*(s|sec|seconds?|min|minutes?|h|hours?)?", typed, re.IGNORECASE
    )
    if clock is not None:
        found = int(clock[1]) * 60.0 + int(clock[2])
    elif plain is not None:
        unit = (plain[2] or "min")[0].casefold()
        found = float(plain[1]) * {"s": 1.0, "m": 60.0, "h": 3600.0}[unit]
    else:
        raise BadInput(
            f"“{typed[:20]}” is no time.", field="held", remedy="Type minutes, such as 30, or 90 s."
        )
    if not 0 < found <= 31 * 86_400:
        raise BadInput(
            f"It cannot have run for {typed[:20]}.", field="held", remedy="Type how long it really ran."
        )
    return found


def _watts(text: str) -> float:
    found = re.fullmatch(r"(\d{1,4}(?:[.,]\d{1,2})?)\s*(?:W|watts?)?", text.strip(), re.IGNORECASE)
    if found is None or float(found[1].replace(",", ".")) <= 0:
        raise BadInput(
            f"“{text.strip()[:20]}” is no power.", field="lamp_w", remedy="Type watts, such as 60 W."
        )
    return float(found[1].replace(",", "."))


def around_dict(entry: Entry, typed: Typed) -> dict[str, Any]:
    """What was noted beside the value, as it is kept with the entry; only what was said.

    Raises:
        BadInput: for a temperature that is none.
    """
    kept: dict[str, Any] = {
        "answer": entry.answer,
        "in_ohm": entry.in_ohm,
        "held_s": entry.held_s,
        "drift": entry.drift,
        "lamp_w": entry.lamp_w,
        "connected": " ".join(typed.connected.split())[:200],
        "celsius": _celsius(typed.celsius),
        "help": None if entry.help is None else asdict(entry.help),
    }
    return {name: value for name, value in kept.items() if value not in (None, "", False)}


def _celsius(text: str) -> float | None:
    typed = text.strip()
    if not typed:
        return None
    found = re.fullmatch(r"(-?\d{1,3}(?:[.,]\d)?)\s*(?:(?:°\s*)?C)?", typed, re.IGNORECASE)
    if found is None:
        raise BadInput(
            f"“{typed[:20]}” is no temperature.",
            field="celsius",
            remedy="Type degrees Celsius, such as 62 °C.",
        )
    return float(found[1].replace(",", "."))


def entry_of(
    value: float | None,
    low: float | None,
    high: float | None,
    *,
    no_reading: bool,
    done: bool,
    around: Mapping[str, Any],
) -> Entry:
    """A kept entry as the bench computations take it; `around` as `around_dict` wrote it."""
    help_ = around.get("help")
    return Entry(
        value,
        low,
        high,
        no_reading,
        done,
        answer=str(around.get("answer", "")),
        in_ohm=bool(around.get("in_ohm")),
        held_s=around.get("held_s"),
        drift=around.get("drift"),
        help=BenchHelp(**help_) if help_ else None,
        lamp_w=around.get("lamp_w"),
    )


def _ordered(value: float | None, low: float | None, high: float | None) -> Entry:
    if low is not None and high is not None and low > high > 0:
        raise BadInput("The lowest is above the highest.", field="low", remedy="Swap the two.")
    return Entry(value=value, min=low, max=high)


def _spread(step: Step, text: str) -> Entry | None:
    """`9.4-11.48` or `12.1 min 12 max 12.3` typed into the one field, None where it is neither."""
    try:
        line = parse_reading_line(f"RAIL {text} {step.quantity.partition('_')[0]}", ["RAIL"])
    except BadInput:
        try:
            line = parse_reading_line(f"RAIL {text}", ["RAIL"])
        except BadInput:
            return None
    if line.over_range:
        return None
    value, low, high = (None if part is None else float(part) for part in (line.value, line.min, line.max))
    return _ordered(value, low, high)


def _held_down(step: Step, result: StepResult) -> bool:
    found = result.assessment
    if found is None or result.judgement != "unknown" or found.asks or found.reversed:
        return False
    return (
        step.load == "test load" and result.entry.value is not None and found.condition in ("absent", "low")
    )


def doubt(step: Step, typed: Typed, entry: Entry, asks: bool) -> Question | None:
    """The question to ask before an entry is kept: a bare number a thousand times too large.

    Raises:
        BadInput: where only a recorded extreme is that large, since the one field cannot answer for it.
    """
    largest = max((abs(one) for one in entry.numbers), default=0.0)
    if asks and abs(entry.value or 0.0) * 50 < largest:
        shown = format_si_plain(largest)
        raise BadInput(
            f"{shown} V at “{step.title}” is hardly meant: does the meter show {shown} mV?",
            field="high" if entry.max is not None else "low",
            remedy=f"Type it with its unit, such as {format_si_plain(largest / 1000)} V.",
        )
    limit = _DOUBTED_V.get(step.quantity)
    bare = bool(_BARE.fullmatch(typed.value.strip()))
    too_large = limit is not None and bare and entry.value is not None and abs(entry.value) >= limit
    if entry.value is None or not (asks or too_large):
        return None
    shown, meant = format_si_plain(entry.value), format_si_plain(entry.value / 1000)
    return Question(
        f"{shown} V at “{step.title}” is hardly meant: does the meter show {shown} mV, which is {meant} V?",
        f"{meant} V",
        typed,
    )


def as_reading(
    step: Step, entry: Entry, written: str, *, after_repair: bool, result: StepResult | None = None
) -> Reading | None:
    """The entry as a case keeps it, None where nothing was measured or the meter showed no reading."""
    if not entry.numbers:
        return None
    # What a bench supply holds up, or cold lamps hold down, is no evidence of the board's own rail.
    aside = ""
    if entry.help is not None and entry.help.state == "held":
        aside = "held up by a bench supply"
    elif result is not None and _held_down(step, result):
        aside = "held down by cold lamps"
    held = bool(aside)
    point = f"{step.rail}, {aside}"[:80] if held else None if step.rail else step.point
    extremes = sorted(given for given in (entry.min, entry.max) if given is not None)
    low = None if entry.min is None else extremes[0]
    high = None if entry.max is None else extremes[-1]
    try:
        return Reading(
            rail=None if held else step.rail,
            point=point,
            quantity="ohm" if entry.in_ohm else step.quantity,
            supply=step.supply,
            load=step.load,
            value=entry.value,
            min=low,
            max=high,
            written=written[:200],
            after_repair=after_repair,
        )
    except ValidationError as error:
        raise explain(error) from error
