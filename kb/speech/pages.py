"""What a page can mean: its rails and points with what they are called, its fields, its answers."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from kb.speech.language import Language
from kb.speech.numbers import number_of

LONGEST_NAME = 24
"""Longer names are typed: nobody spells them with two probes in hand."""
MOST_PLACES = 60
_PART = re.compile(r"[0-9]+|[A-Za-z]+|[.+-]")
_VOLTS = re.compile(r"([+-]?)([0-9]{1,3})(?:\.([0-9]{1,2}))?V([0-9]{0,2})(?![0-9])", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Place:
    """A rail or test point: as the records spell it, what it may be called, and what it should carry.

    `nominal_v` is in volts, None where that is not known; `said` how it is read back.
    """

    name: str
    called: tuple[str, ...]
    nominal_v: float | None = None
    said: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """What can be said on one page.

    `kind` is `step` (one value at one place, of one quantity), `lines` (a reading a line, with its place) or `pins`
    (a pin of a connector a line). `fields` are those beside the value that a step has (lowest, highest, load
    current), `answers` the labels of its buttons in order.
    """

    kind: str
    places: tuple[Place, ...] = ()
    here: str = ""
    quantity: str = ""
    fields: tuple[str, ...] = ()
    answers: tuple[str, ...] = ()
    connectors: tuple[Place, ...] = ()

    def place(self, name: str) -> Place | None:
        """The rail or point of that name."""
        return next((one for one in self.places if one.name == name), None)

    @property
    def quantities(self) -> tuple[str, ...]:
        """The quantities whose units may be said."""
        if self.kind == "step":
            also = ("ohm",) if self.quantity == "diode_v" else ()
            load = ("amp",) if "load current" in self.fields else ()
            return (self.quantity, *also, *load)
        if self.kind == "pins":
            return ("ohm", "diode_v")
        return ("dc_v", "ac_v", "ripple_v", "ohm", "diode_v", "farad", "esr_ohm", "amp", "hz", "celsius")


def rail_place(name: str, role: str, nominal_v: float | None, language: Language) -> Place:
    """A rail with what it is called: by its name, letter by letter where no word is known, and by its role."""
    called = list(spoken_names(name, language))
    called += [phrase for phrase, meant in language.roles.items() if meant == role]
    return Place(name, tuple(dict.fromkeys(called)), nominal_v, _read_back(name))


def point_place(name: str, language: Language) -> Place:
    """A test point or part, called by its designator."""
    return Place(name, spoken_names(name, language), None, _read_back(name))


def distinct(places: Sequence[Place]) -> tuple[Place, ...]:
    """The places, each with the names that no other has, and without those that are left with none.

    Where several rails have one role, none of them is called by it.
    """
    kept = [one for one in places if len(one.name) <= LONGEST_NAME][:MOST_PLACES]
    counted = Counter(phrase for one in kept for phrase in one.called)
    made = (
        replace(one, called=tuple(phrase for phrase in one.called if counted[phrase] == 1)) for one in kept
    )
    return tuple(one for one in made if one.called)


def spoken_names(name: str, language: Language) -> tuple[str, ...]:
    """What a printed name is called: 5VSB is "five volt standby", "five volt ess bee" and "five vee ess bee"."""
    volts = _VOLTS.match(name.strip())
    if volts is None:
        return tuple(dict.fromkeys(_spelled(name, language)))
    sign, whole, part, behind = volts.groups()
    decimals = part or behind
    number = number_words(int(whole), language)[-1:]
    if decimals:
        number = [f"{one} {language.point[0]} {_digits(decimals, language)}" for one in number]
    signs = [f"{language.minus[0]} "] if sign == "-" and language.minus else [""]
    units = [phrase for phrase, unit in language.units.items() if unit == "V"]
    rest = name.strip()[volts.end() :]
    tails = _spelled(rest, language) if rest else [""]
    found = []
    for before in signs:
        for one in number:
            middles = units + ([language.letters["v"]] if "v" in language.letters and not decimals else [])
            found += [
                " ".join(f"{before}{one} {middle} {tail}".split()) for middle in middles for tail in tails
            ]
    if behind and "v" in language.letters:
        head = f"{number_words(int(whole), language)[0]} {language.letters['v']} {_digits(behind, language)}"
        found += [f"{head} {tail}".strip() for tail in tails]
    return tuple(dict.fromkeys(found))


def _spelled(text: str, language: Language) -> list[str]:
    """The ways to say a piece of a name: by the words in it, and letter by letter."""
    words: list[str] = []
    letters: list[str] = []
    for part in _PART.findall(text):
        if part.isdigit():
            said = number_words(int(part), language) if len(part) < 4 and part[0] != "0" else []
            words.append(said[0] if said else _digits(part, language))
            letters.append(_digits(part, language))
        elif part.isalpha():
            spelled = " ".join(language.letters.get(letter, "") for letter in part.lower())
            known = language.names.get(part.lower())
            if known is None and part[0] in "vV" and part[1:].lower() in language.names:
                known = f"{language.letters.get('v', '')} {language.names[part[1:].lower()]}"
            words.append(known or spelled)
            letters.append(spelled)
        elif part == "-" and not words and language.minus:
            words.append(language.minus[0])
            letters.append(language.minus[0])
    return list(dict.fromkeys(" ".join(" ".join(one).split()) for one in (words, letters)))


def _digits(text: str, language: Language) -> str:
    by_digit = {number: phrase for phrase, number in reversed(list(language.digits.items()))}
    return " ".join(by_digit[int(letter)] for letter in text)


def number_words(number: int, language: Language) -> list[str]:
    """The ways to say a whole number below 1000, the shortest first; digit by digit where there are no words."""
    by_number = {
        value: phrase for phrase, value in reversed(list({**language.small, **language.tens}.items()))
    }
    if number in by_number:
        return [by_number[number]]
    if number < 10 or not language.tens:
        return [_digits(str(number), language)]
    if number < 100:
        return [f"{by_number[number // 10 * 10]} {_digits(str(number % 10), language)}"]
    head, tail = divmod(number, 100)
    hundred = f"{_digits(str(head), language)} {language.hundred[0]}"
    if not tail:
        return [hundred]
    rest = number_words(tail, language)[0]
    ways = [f"{hundred} {language.joined_by[0]} {rest}", f"{hundred} {rest}"]
    return [way for way in ways if number_of(way.split(), language)]


def _read_back(name: str) -> str:
    """A name for the browser's voice, which would say 5VSB in one breath."""
    return re.sub(r"(?<=[0-9])V(?=[A-Z]|$)", " volt ", name).replace("SB", "standby").strip()
