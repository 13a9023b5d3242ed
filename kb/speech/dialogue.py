"""What happens with what was heard: read back, asked again, kept. No value is kept without its yes.

The page holds what waits and sends it along with the next sound, so that nothing is remembered here between two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from kb.errors import BadInput
from kb.facts.quantities import UNITS, OverRange, format_quantity, parse_quantity
from kb.facts.reading_lines import UNIT_OF_QUANTITY
from kb.facts.spoken_readings import WORD_OF_QUANTITY
from kb.speech.language import SPOKEN_UNITS
from kb.speech.limits import NEEDS_UNIT, bounds, can_be, standing
from kb.speech.meaning import Heard, Value
from kb.speech.numbers import by_digits
from kb.speech.pages import Page

SAY_AGAIN = "Not understood. Say it again, or type it."
_SAID_UNITS = {"V": "volts", "mV": "millivolts", "kV": "kilovolts", "A": "amps", "mA": "milliamps", "µA": "microamps",
               "Ω": "ohms", "kΩ": "kilohms", "MΩ": "megohms", "mΩ": "milliohms", "µF": "microfarads",
               "nF": "nanofarads", "pF": "picofarads", "Hz": "hertz", "kHz": "kilohertz", "°C": "degrees"}  # fmt: skip
_USUAL_UNITS = {"dc_v": ("", "V"), "diode_v": ("", "V"), "ripple_v": ("mV",)}


@dataclass(frozen=True, slots=True)
class Entry:
    """What would be entered: the field it goes into and the text, as somebody would type it.

    `field` is `value`, `lowest`, `highest` or `load current` of a step, `answer` (its number), `line` of a page of
    lines, `pin` of one of pins, or `undo`, which takes back the last one. `say` is how it is read back, `twin` the
    text and `twin_say` the words of what sounds like it. `doubted` says that it lies outside what the place can show
    and was said once.
    """

    field: str
    text: str
    say: str
    twin: str = ""
    twin_say: str = ""
    doubted: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What the page does now.

    `outcome` is `wait` (shows and reads back `entry`, which waits for its yes), `keep` (types `entry`), `do`
    (`command`), or `again` (nothing waits but what `entry` still holds). `say` is said and shown.
    """

    outcome: str
    say: str
    entry: Entry | None = None
    command: str = ""


def answer(page: Page, waiting: Entry | None, heard: Heard | None) -> Answer:
    """What to do about what was heard, while `waiting` is read back and not yet confirmed."""
    if waiting is not None and waiting.doubted:
        return _after_doubt(page, waiting, heard)
    if heard is None:
        hint = f"Say yes or no: {waiting.say}?" if waiting else SAY_AGAIN
        return Answer("again", hint, waiting)
    if heard.command:
        return _command(page, waiting, heard.command)
    if heard.answer:
        label = page.answers[heard.answer - 1]
        return _asked(Entry("answer", str(heard.answer), label))
    return _reading(page, heard)


def _after_doubt(page: Page, waiting: Entry, heard: Heard | None) -> Answer:
    """A value that the place can hardly show was said: the same one again is read back, all else begins anew."""
    if heard is None:
        return Answer("again", SAY_AGAIN, waiting)
    if heard.command == "no" or heard.command == "undo":
        return Answer("again", "Left out. Say the value.")
    if heard.command == "yes":
        return Answer("again", "Say the value itself once more.", waiting)
    if heard.command or heard.answer:
        return answer(page, None, heard)
    made = _entry(page, heard)
    if isinstance(made, Answer):
        return made
    if made.text == waiting.text and made.field == waiting.field:
        return _asked(replace(made, twin="", twin_say=""), " This is far from what it should be.")
    return _reading(page, heard)


def _command(page: Page, waiting: Entry | None, command: str) -> Answer:
    if waiting is None:
        if command in ("yes", "no"):
            return Answer("again", "Nothing waits for a yes or no.")
        if command == "undo":
            return _asked(Entry("undo", "", "Take the last one back"))
        return Answer("do", "", command=command)
    if command == "yes":
        said = "Taken back." if waiting.field == "undo" else f"Kept: {waiting.say}."
        return Answer("keep", said, waiting)
    if command == "no" and waiting.twin:
        other = Entry(waiting.field, waiting.twin, waiting.twin_say)
        return _asked(other)
    if command in ("no", "undo"):
        return Answer("again", "Left out. Say it again.")
    if command == "again":
        return _asked(waiting)
    if command == "stop":
        return Answer("do", "Left out.", command="stop")
    return Answer("again", f"First yes or no: {waiting.say}?", waiting)


def _asked(entry: Entry, more: str = "") -> Answer:
    return Answer("wait", f"{entry.say}?{more}", entry)


def _reading(page: Page, heard: Heard) -> Answer:
    made = _entry(page, heard)
    if isinstance(made, Answer):
        return made
    outside = _outside(page, heard)
    twin_outside = bool(made.twin) and bool(_outside(page, _twin(heard)))
    if not outside:
        return _asked(replace(made, twin="", twin_say="") if twin_outside else made)
    # Of two that sound alike the one that can be meant is asked for; it too counts only with its yes.
    if made.twin and not twin_outside:
        return _asked(Entry(made.field, made.twin, made.twin_say))
    doubted = Entry(made.field, made.text, made.say, doubted=True)
    return Answer("again", f"{made.say} is outside what {outside}. Say it again.", doubted)


def _twin(heard: Heard) -> Heard:
    return replace(heard, values={name: value.twin or value for name, value in heard.values.items()})


def _entry(page: Page, heard: Heard) -> Entry | Answer:
    """What would be entered, or what to say where that cannot be."""
    if page.kind == "step" and heard.place and heard.place != page.here:
        return Answer("again", f"This step measures {page.here or 'no rail'}, not {heard.place}.")
    problem = _without_unit(page, heard)
    if problem:
        return Answer("again", problem)
    try:
        for name, value in heard.values.items():
            _si(value, _quantity(page, heard, name))
    except BadInput as error:
        return Answer("again", f"{error.message} Say it again.")
    text, say = _written(page, heard), _said(page, heard)
    field = {"lines": "line", "pins": "pin"}.get(page.kind) or next(iter(heard.values))
    if not any(value.twin for value in heard.values.values()):
        return Entry(field, text, say)
    twin = _twin(heard)
    return Entry(field, text, say, _written(page, twin), _said(page, twin))


def _quantity(page: Page, heard: Heard, name: str = "value") -> str:
    """The quantity of a value: that of the step, or as it was said, or as its unit has it."""
    value = heard.values[name]
    unit = (
        next((base for base, typed in SPOKEN_UNITS.values() if typed == value.unit), "") if value.unit else ""
    )
    if page.kind == "step":
        if name == "load current":
            return "amp"
        return "ohm" if page.quantity == "diode_v" and unit == "ohm" else page.quantity
    if heard.quantity:
        return heard.quantity
    if page.kind == "pins":
        return "diode_v" if unit == "V" else "ohm"
    implied = {"A": "amp", "ohm": "ohm", "F": "farad", "Hz": "hz", "degC": "celsius"}
    return implied.get(unit, "dc_v" if not value.open else "ohm")


def doubts(page: Page, heard: Heard) -> int:
    """How many things are doubtful about what was heard: it ranks ways to hear one sound, and refuses none.

    3 where it could not be entered at all, 2 for a value outside what its place can show, 1 for a unit in which the
    quantity is seldom said (volts and drops in volts, ripple in millivolts; common practice, no published source),
    1 for ohms at a step that measures a drop, 1 for parts of a millivolt.
    """
    if heard.command or heard.answer:
        return 0
    if isinstance(_entry(page, heard), Answer):
        return 3
    found = 2 if _outside(page, heard) else 0
    of_a_drop = page.quantity == "diode_v"
    found += of_a_drop and any(_quantity(page, heard, name) == "ohm" for name in heard.values)
    for name, value in heard.values.items():
        usual = _USUAL_UNITS.get(_quantity(page, heard, name))
        if usual:
            found += value.unit not in usual
            found += value.unit == "mV" and value.number is not None and "." in value.number.text
    return found


def standings(page: Page, heard: Heard) -> int:
    """How many of the values are near what their rail should show, less those above it; only ranks, like `doubts`."""
    if heard.command or heard.answer or page.kind == "pins" or isinstance(_entry(page, heard), Answer):
        return 0
    place = page.place(heard.place or page.here)
    found = 0
    for name, value in heard.values.items():
        quantity = _quantity(page, heard, name)
        si = _si(value, quantity)
        found += standing(si, place, quantity) if si is not None else 0
    return found


def _without_unit(page: Page, heard: Heard) -> str:
    """What to say of a bare number that is hardly meant in the base unit, "" where there is nothing to say."""
    for name, value in heard.values.items():
        quantity = _quantity(page, heard, name)
        least = NEEDS_UNIT.get(quantity)
        if (
            value.number is not None
            and not value.unit
            and least is not None
            and abs(value.number.value) >= least
        ):
            wanted = "microfarads" if quantity == "farad" else "volts or millivolts"
            return f"{value.number.text} of what? Say it with {wanted}."
    return ""


def _si(value: Value, quantity: str) -> Decimal | None:
    """The value in its SI base unit through the strict parser, None for over-range. Raises BadInput."""
    try:
        return parse_quantity(value.text, UNIT_OF_QUANTITY[quantity])
    except OverRange:
        return None


def _outside(page: Page, heard: Heard) -> str:
    """How to name the place whose bounds a value leaves, "" where all can be meant."""
    name_of = heard.place or page.here
    place = page.place(name_of) if page.kind != "pins" else None
    for name, value in heard.values.items():
        quantity = _quantity(page, heard, name)
        si = _si(value, quantity)
        where = None if quantity == "amp" else place
        if si is not None and not can_be(si, where, quantity):
            low, high = (format_quantity(one, UNIT_OF_QUANTITY[quantity]) for one in bounds(where, quantity))
            return f"{name_of or 'a meter'} can show ({low} to {high})"
    return ""


def _written(page: Page, heard: Heard) -> str:
    """The entry as somebody would type it; the strict parsers read it like anything that is typed."""
    values = heard.values
    if page.kind == "pins":
        sides = " / ".join(values[side].text if side in values else "-" for side in ("red", "black"))
        drop = _quantity(page, heard, next(iter(values))) == "diode_v"
        return f"{heard.place} {heard.pin}: {'-, ' if drop else ''}{sides}".strip()
    if page.kind == "step":
        return next(iter(values.values())).text
    quantity = _quantity(page, heard, next(iter(values)))
    numbers = [
        f"{word} {values[name].text}"
        for name, word in (("lowest", "min"), ("highest", "max"))
        if name in values
    ]
    if "value" in values:
        numbers.insert(0, values["value"].text)
    words = [
        heard.place,
        WORD_OF_QUANTITY[quantity],
        *numbers,
        heard.state,
        "" if heard.load == "none" else heard.load,
    ]
    if heard.load == "none" and heard.state:
        words.append("no load")
    return " ".join(word for word in words if word)


def _said(page: Page, heard: Heard) -> str:
    """The entry as it is read back: with its place, the number a second time by digits where it could be another."""
    parts = []
    name_of = heard.place or (page.here if page.kind == "step" else "")
    place = page.place(name_of)
    if name_of:
        parts.append(place.said if place and place.said else name_of)
    if heard.pin:
        parts.append(f"pin {heard.pin}" + (f", {by_digits(str(heard.pin))}" if heard.pin > 12 else ""))
    first = next(iter(heard.values))
    quantity = _quantity(page, heard, first)
    if quantity not in ("dc_v", "ohm", "amp") or page.kind == "pins":
        parts.append(
            {"ripple_v": "ripple", "ac_v": "A C", "diode_v": "drop", "ohm": "resistance"}.get(quantity, "")
        )
    for name, value in heard.values.items():
        parts.append(
            ("" if name == "value" else f"{name} ") + _said_value(value, _quantity(page, heard, name))
        )
    parts += [heard.state, {"none": "unloaded", "": ""}.get(heard.load, heard.load)]
    return ", ".join(part for part in parts if part)


def _said_value(value: Value, quantity: str) -> str:
    if value.number is None:
        return "no reading"
    unit = value.unit or UNITS[UNIT_OF_QUANTITY[quantity]].symbol
    said = f"{value.number.text.replace('-', 'minus ')} {_SAID_UNITS.get(unit, unit)}"
    return f"{said}, {by_digits(value.number.text)}" if value.twin else said


def entry_of(given: Mapping[str, object]) -> Entry:
    """What a page sends back of what waits. Raises BadInput where it is none."""
    texts = {name: given.get(name, "") for name in ("field", "text", "say", "twin", "twin_say")}
    if not all(isinstance(one, str) and len(one) <= 200 for one in texts.values()) or not texts["field"]:
        raise BadInput(
            "What waits for its yes is not as it was sent.", field="waiting", remedy="Say the value again."
        )
    return Entry(**{name: str(one) for name, one in texts.items()}, doubted=given.get("doubted") is True)
