"""What a sequence of recognised words says on a page: a command, an answer, or a reading. Nothing is guessed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from kb.speech.language import SPOKEN_UNITS, Language
from kb.speech.numbers import Number, longest_number
from kb.speech.pages import Page


@dataclass(frozen=True, slots=True)
class Value:
    """A number with its unit as typed ("", where none was said), or `open` where the meter shows no reading."""

    number: Number | None
    unit: str = ""
    open: bool = False

    @property
    def text(self) -> str:
        """As it is typed into a field."""
        return "OL" if self.number is None else f"{self.number.text}{self.unit and ' ' + self.unit}"

    @property
    def twin(self) -> Value | None:
        """The value that this one sounds like."""
        if self.number is None or not self.number.twin:
            return None
        return replace(self, number=Number(self.number.twin, self.number.text))


@dataclass(frozen=True, slots=True)
class Heard:
    """What was understood. `command` of `language.COMMANDS`, or `answer` from 1 up, or values by their field.

    `values` has `value`, `lowest`, `highest`, `load current`; for a pin `red` and `black`.
    """

    command: str = ""
    answer: int = 0
    place: str = ""
    pin: int = 0
    quantity: str = ""
    state: str = ""
    load: str = ""
    values: Mapping[str, Value] = field(default_factory=dict)


@dataclass(slots=True)
class _Words:
    """The words with the place of the next one."""

    words: Sequence[str]
    at: int = 0

    @property
    def done(self) -> bool:
        return self.at >= len(self.words)

    def phrase(self, phrases: Iterable[str]) -> str:
        """The longest of the phrases that stands here, "" where none does; goes on behind it."""
        for phrase in sorted(phrases, key=lambda one: -len(one.split())):
            parts = phrase.split()
            if list(self.words[self.at : self.at + len(parts)]) == parts:
                self.at += len(parts)
                return phrase
        return ""

    def number(self, language: Language) -> Number | None:
        """The longest number that stands here; goes on behind it."""
        found = longest_number(self.words, self.at, language)
        if found is None:
            return None
        number, self.at = found
        return number


def meaning_of(words: Sequence[str], page: Page, language: Language) -> Heard | None:
    """What the words say on the page, None where they say nothing that it can mean."""
    said = _Words(words)
    phrase = said.phrase(language.commands)
    if phrase and said.done:
        return Heard(command=language.commands[phrase])
    said = _Words(words)
    if _listened(said, language) == "answer":
        number = said.number(language)
        fits = said.done and number and 1 <= number.value <= len(page.answers)
        return Heard(answer=int(number.value)) if fits and number else None
    if page.kind == "pins":
        return _pin(_Words(words), page, language)
    called = {phrase: one.name for one in page.places for phrase in one.called}
    # "twelve volts" is a value where nothing follows, and the name of a rail where a value does.
    for names in (called, {}):
        found = _reading(_Words(words), names, page, language)
        if found and (found.place or page.kind == "step"):
            return found
    return None


def _reading(said: _Words, called: Mapping[str, str], page: Page, language: Language) -> Heard | None:
    phrase = said.phrase(called)
    place = called[phrase] if phrase else ""
    values: dict[str, Value] = {}
    quantity = state = load = ""
    while not said.done:
        if phrase := said.phrase(language.quantities):
            if quantity:
                return None
            quantity = language.quantities[phrase]
        elif phrase := said.phrase((*language.states, *language.loads)):
            if phrase in language.states and not state:
                state = language.states[phrase]
            elif phrase in language.loads and not load:
                load = language.loads[phrase]
            else:
                return None
        else:
            before = said.at
            name = _listened(said, language)
            if name in ("open", ""):
                said.at, name = before, "value"
            value = _value(said, language)
            if value is None or name in values or name not in ("value", "lowest", "highest", "load current"):
                return None
            values[name] = value
    if not values or (page.kind == "step" and (state or load or quantity not in ("", page.quantity))):
        return None
    return Heard(place=place, quantity=quantity, state=state, load=load, values=values)


def _pin(said: _Words, page: Page, language: Language) -> Heard | None:
    called = {phrase: one.name for one in page.connectors for phrase in one.called}
    phrase = said.phrase(called)
    connector = called[phrase] if phrase else ""
    if _listened(said, language) != "pin":
        return None
    number = said.number(language)
    if number is None or number.value != int(number.value) or not 1 <= number.value <= 500:
        return None
    phrase = said.phrase(language.quantities)
    quantity = language.quantities[phrase] if phrase else ""
    values: dict[str, Value] = {}
    while not said.done:
        side = _listened(said, language)
        value = _value(said, language)
        if side not in ("red", "black") or side in values or value is None:
            return None
        values[side] = value
    return Heard(place=connector, pin=int(number.value), quantity=quantity, values=values) if values else None


def _listened(said: _Words, language: Language) -> str:
    phrase = said.phrase(language.listened)
    return language.listened[phrase] if phrase else ""


def _value(said: _Words, language: Language) -> Value | None:
    at = said.at
    if _listened(said, language) == "open":
        return Value(None, open=True)
    said.at = at
    number = said.number(language)
    if number is None:
        return None
    phrase = said.phrase(language.units)
    unit = language.units[phrase] if phrase else ""
    # "four kay seven", as resistors are marked (IEC 60062): 4.7 kilohms
    if unit == "kohm" and "." not in number.text and not said.done:
        at = said.at
        behind = said.number(language)
        if behind and behind.text.isdigit() and len(behind.text) == 1 and not said.phrase(language.units):
            number = Number(f"{number.text}.{behind.text}")
        else:
            said.at = at
    return Value(number, SPOKEN_UNITS[unit][1] if unit else "")
