"""A page as a grammar, in the JSpeech Grammar Format (Sun Microsystems, W3C Note of 5 June 2000).

Tags and weights are not used: what the words mean is worked out from the words (`meaning.py`), and no value is made
likelier than another, so that the likely one is not heard in place of the one that was said. `automaton.py` makes
what the recogniser takes of it.
"""

from __future__ import annotations

from collections.abc import Iterable

from kb.facts.reading_lines import UNIT_OF_QUANTITY
from kb.speech.language import SPOKEN_UNITS, Language
from kb.speech.pages import Page, Place

_HEAD = "#JSGF V1.0 UTF-8 en;\ngrammar bench;\n"


def grammar_of(page: Page, language: Language, *, answering: bool = False) -> str:
    """The grammar of a page; `answering` where a value waits for its yes or no."""
    rules = {"digit": _any(language.digits), "command": _any(_commands(language, answering))}
    rules |= _number_rules(language)
    tops = ["<command>"]
    readings = _readings(page, language, rules)
    if readings:
        rules["reading"] = " | ".join(readings)
        tops.append("<reading>")
    if page.answers:
        said = [phrase for phrase, meant in language.listened.items() if meant == "answer"]
        if said:
            rules["answer"] = f"{_any(said)} <digit>"
            tops.append("<answer>")
    lines = [f"public <said> = {' | '.join(tops)};"] + [f"<{name}> = {rule};" for name, rule in rules.items()]
    return _HEAD + "\n".join(lines) + "\n"


def _commands(language: Language, answering: bool) -> list[str]:
    wanted = ("yes", "no", "again", "undo", "stop") if answering else None
    return [phrase for phrase, meant in language.commands.items() if wanted is None or meant in wanted]


def _number_rules(language: Language) -> dict[str, str]:
    whole = ["<digit>", "<digit> <digit>", "<digit> <digit> <digit>"]
    rules = {"pin_number": "<digit> | <digit> <digit>"}
    if language.small:
        rules["small"] = _any(language.small)
        whole.append("<small>")
    if language.tens:
        rules["nonzero"] = _any(phrase for phrase, number in language.digits.items() if number)
        rules["tens"] = _any(language.tens)
        rules["below"] = "<small> | <tens> | <tens> <nonzero>"
        rules["pin_number"] = "<digit> | <below>"
        whole += ["<tens>", "<tens> <nonzero>", "<nonzero> <below>"]
    if language.hundred:
        both = f"[{_any(language.joined_by)}] (<below> | <nonzero>)"
        rules["hundreds"] = f"<nonzero> {_any(language.hundred)} [{both}]"
        whole.append("<hundreds>")
    rules["whole"] = " | ".join(whole)
    signs = _any((*language.minus, *language.plus))
    sign = f"[{signs}] " if signs else ""
    decimals = "<digit> [<digit> [<digit>]]"
    rules["number"] = f"{sign}(<whole> [<point> {decimals}] | <point> {decimals})"
    rules["point"] = _any(language.point)
    return rules


def _readings(page: Page, language: Language, rules: dict[str, str]) -> list[str]:
    if page.kind == "pins":
        return [_pin_rule(page, language, rules)]
    if page.kind == "step":
        here = _called(one for one in page.places if one.name == page.here)
        value = " | ".join(
            _value(one, language) for one in page.quantities[: 2 if page.quantity == "diode_v" else 1]
        )
        found = [f"[{here}] ({value})" if here else value] if page.quantity else []
        for one in page.fields:
            name = _listened(language, one)
            of = "amp" if one == "load current" else page.quantity
            if name:
                found.append(f"{name} ({_value(of, language)})")
        return found
    places = _called(page.places)
    if not places:
        return []
    rules["place"] = places
    rules["state"], rules["load"] = _any(language.states), _any(language.loads)
    around = "[<state>] [<load>]" if rules["state"] and rules["load"] else ""
    rules["measured"] = " | ".join(_measured(language))
    return [f"<place> (<measured>) {around}"] + (["<place> <state> [<load>] (<measured>)"] if around else [])


def _measured(language: Language) -> Iterable[str]:
    """A value of each quantity with the words for it; direct volts go without any."""
    low, high = _listened(language, "lowest"), _listened(language, "highest")
    volts = _value("dc_v", language)
    yield volts
    if low and high:
        yield f"{low} ({volts}) {high} ({volts})"
    for phrase, quantity in language.quantities.items():
        yield f"{phrase} ({_value(quantity, language)})"


def _value(quantity: str, language: Language) -> str:
    """A number with the units of its quantity, or what is said where the meter shows no reading."""
    wanted = UNIT_OF_QUANTITY[quantity]
    units = [phrase for phrase, unit in language.units.items() if SPOKEN_UNITS[unit][0] == wanted]
    found = "<number>" + (f" [{_any(units)}]" if units else "")
    marks = [
        phrase for phrase in units if language.units[phrase] == "kohm" and phrase == language.letters.get("k")
    ]
    if quantity == "ohm" and marks:
        found += f" | <whole> {_any(marks)} <digit>"
    open_ = _listened(language, "open")
    if quantity in ("ohm", "diode_v") and open_:
        found += f" | {open_}"
    return found


def _pin_rule(page: Page, language: Language, rules: dict[str, str]) -> str:
    pin, red, black = (_listened(language, name) for name in ("pin", "red", "black"))
    connectors = _called(page.connectors)
    if connectors:
        rules["connector"] = connectors
    quantity = _any(phrase for phrase, meant in language.quantities.items() if meant in ("ohm", "diode_v"))
    rules["side"] = f"({red} | {black}) ({_value('ohm', language)} | {_value('diode_v', language)})"
    before = "[<connector>] " if connectors else ""
    return f"{before}{pin} <pin_number> " + (f"[{quantity}] " if quantity else "") + "<side> [<side>]"


def _listened(language: Language, meant: str) -> str:
    return _any(phrase for phrase, one in language.listened.items() if one == meant)


def _called(places: Iterable[Place]) -> str:
    return _any(phrase for one in places for phrase in one.called)


def _any(phrases: Iterable[str]) -> str:
    """One of the phrases; "" where there are none."""
    found = list(dict.fromkeys(phrases))
    return f"({' | '.join(found)})" if found else ""
