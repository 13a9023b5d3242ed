"""The test set: its readings, the pages they are said to, and what became of each."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from decimal import Decimal
from functools import cache, partial
from pathlib import Path

from kb.speech.choice import decided
from kb.speech.dialogue import Answer, Entry, answer
from kb.speech.grammar import grammar_of
from kb.speech.language import ENGLISH
from kb.speech.listener import propose, weigh
from kb.speech.meaning import Heard
from kb.speech.pages import Page, distinct, point_place, rail_place
from kb.speech.recogniser import WARPS, choose, recognise
from kb.speech.sound import speech_in
from speech import make_readings
from speech.sounds import SpokenReading

RAILS = (("5VSB", "standby", 5.0), ("3V3", "logic", 3.3), ("12V", "intermediate", 12.0), ("24V", "backlight", 24.0),
         ("BULK", "bulk", 385.0), ("VCC", "controller supply", 15.0))  # fmt: skip
PLACES = distinct(
    [rail_place(*rail, ENGLISH) for rail in RAILS]
    + [point_place(name, ENGLISH) for name in ("TP1", "TP4", "C9", "R17")]
)
CONNECTORS = distinct([point_place(name, ENGLISH) for name in ("CN1", "CN2")])
MOST_TRIES = 3


@cache
def readings() -> tuple[SpokenReading, ...]:
    """All 200, in the order of the file."""
    text = (Path(__file__).parent / "readings.toml").read_text(encoding="utf-8")
    return tuple(SpokenReading(**one) for one in tomllib.loads(text)["reading"])


def further(seed: int) -> list[SpokenReading]:
    """Two hundred readings more, made like those of the file with another seed."""
    return [SpokenReading(**one) for one in make_readings.further(seed)]


def page_of(reading: SpokenReading) -> Page:
    """The page that a reading is said to."""
    if reading.page == "step":
        return Page("step", PLACES, reading.place, reading.quantity)
    return Page("lines", PLACES) if reading.page == "lines" else Page("pins", connectors=CONNECTORS)


def hear(sound: bytes, page: Page, waiting: Entry | None = None) -> tuple[Heard | None, tuple[str, ...]]:
    """What a sound means on a page, with the product's own parts and in this process."""
    speech = speech_in(sound)
    if speech is None:
        return None, ()
    grammar = grammar_of(page, ENGLISH, answering=waiting is not None)
    found = [recognise(speech.samples, grammar, "", warp) for warp in WARPS]
    listened = propose(speech.softened, grammar)
    return decided(
        found,
        listened.proposals,
        page,
        ENGLISH,
        partial(weigh, listened.heard),
        partial(choose, speech.samples),
    )


def is_right(reading: SpokenReading, heard: Heard | None) -> bool:
    """Whether all of a reading was understood: place, quantity, number, unit, state, load, pin and side."""
    value = heard.values.get(reading.side or "value") if heard else None
    if heard is None or value is None or value.number is None or len(heard.values) != 1:
        return False
    if value.number.value != Decimal(reading.value) or value.unit != reading.unit:
        return False
    if reading.page == "step":
        return heard.place in ("", reading.place)
    if reading.page == "pins":
        return (heard.pin, heard.place) == (reading.pin, reading.place)
    said = (heard.place, heard.quantity or "dc_v", heard.state, heard.load)
    return said == (reading.place, reading.quantity, reading.state, reading.load)


def would_type(reading: SpokenReading) -> str:
    """What would be typed for the reading as it is meant."""
    from kb.speech.meaning import Value
    from kb.speech.numbers import Number

    value = Value(Number(reading.value), reading.unit)
    quantity = reading.quantity if reading.page != "step" and reading.quantity != "dc_v" else ""
    if reading.page == "pins":
        quantity = ""
    heard = Heard(place=reading.place, pin=reading.pin, quantity=quantity, state=reading.state, load=reading.load,
                  values={reading.side or "value": value})  # fmt: skip
    page = page_of(reading)
    found = answer(page, None, heard)
    entry = found.entry
    return entry.text if entry else ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a reading after at most three tries: the text that was kept, "" where none was."""

    right_at_once: bool
    kept: str
    tries: int
    sayings: tuple[str, ...]


def confirmed(reading: SpokenReading) -> Outcome:
    """Says the reading, and says yes where what is read back is what was meant and no where it is not.

    Every yes and no is spoken too, in the same voice and noise, and recognised like everything else.
    """
    page, meant = page_of(reading), would_type(reading)
    waiting: Entry | None = None
    at_once, tries, sayings = False, 0, []
    text = reading.text
    for turn in range(3 * MOST_TRIES):
        heard, words = hear(reading.sound(text), page, waiting)
        if turn == 0:
            at_once = is_right(reading, heard)
        found: Answer = answer(page, waiting, heard)
        sayings.append(f"{text} | {' '.join(words)} | {found.say}")
        if found.outcome == "keep":
            assert found.entry is not None
            return Outcome(at_once, found.entry.text, tries + 1, tuple(sayings))
        waiting = found.entry if found.outcome in ("wait", "again") else None
        if waiting is not None and not waiting.doubted:
            text = "yes" if waiting.text == meant else "no"
        else:
            text, tries = reading.text, tries + 1
            if tries >= MOST_TRIES:
                break
    return Outcome(at_once, "", tries, tuple(sayings))
