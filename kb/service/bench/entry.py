"""What a person types at a bench step: read, doubted where a unit was forgotten, turned into a reading."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pydantic import ValidationError

from kb.bench.sequence_types import Entry, Step
from kb.errors import BadInput
from kb.facts.quantities import OVER_RANGE, format_si_plain, parse_quantity, parse_reading
from kb.facts.reading_lines import parse_reading_line
from kb.model import Reading, explain

_UNIT = {"ohm": "ohm", "dc_v": "V", "ripple_v": "V", "diode_v": "V"}
_BARE = re.compile(r"[+\-−]?[0-9]+(?:[.,][0-9]+)?")
# Nobody types a junction drop or a ripple of so many volts; a meter shows both in millivolts.
_DOUBTED_V = {"diode_v": 10.0, "ripple_v": 1.0}


@dataclass(frozen=True, slots=True)
class Typed:
    """The fields of a step as typed; `answer` is the button that was pressed."""

    value: str = ""
    low: str = ""
    high: str = ""
    load: str = ""
    answer: str = ""


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
    if step.kind == "confirm":
        if typed.answer not in ("yes", "no"):
            raise BadInput(
                "It is not said whether it came on.", field="value", remedy="Press one of the two buttons."
            )
        return Entry(done=typed.answer == "yes")
    unit = _UNIT[step.quantity]
    text = typed.value.strip()
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


def as_reading(step: Step, entry: Entry, written: str, *, after_repair: bool) -> Reading | None:
    """The entry as a case keeps it, None where nothing was measured or the meter showed no reading."""
    if not entry.numbers:
        return None
    extremes = sorted(given for given in (entry.min, entry.max) if given is not None)
    low = None if entry.min is None else extremes[0]
    high = None if entry.max is None else extremes[-1]
    try:
        return Reading(
            rail=step.rail,
            point=None if step.rail else step.point,
            quantity=step.quantity,
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
