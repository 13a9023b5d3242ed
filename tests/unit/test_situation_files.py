"""The files of textbook and bench situations: that every name in them is one of ours and every number can be read."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from kb.facts.parts import PART_CLASSES
from kb.facts.reading_lines import parse_reading_line
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import LOADS, QUANTITIES, RESULTS, SECTIONS, SUPPLY_STATES, values

DATA = Path(__file__).parent.parent / "published" / "data"
TEXTBOOK = tomllib.loads((DATA / "textbook_unseen.toml").read_text("utf-8"))["situation"]
BENCH = tomllib.loads((DATA / "bench_situations.toml").read_text("utf-8"))["situation"]
RAILS = ("5VSB", "12V", "24V", "3V3", "BULK", "VCC", "5V", "AUDIO")
SYMPTOM_NAMES = {symptom.name for symptom in SYMPTOMS} | {"does not work"}
PART_NAMES = {part.name for part in PART_CLASSES}
ANSWERS = {
    "good", "low", "not proven until loaded", "absent", "pulsing", "high", "shorted", "open", "charged", "unknown",
}  # fmt: skip
TEXTBOOK_KEYS = {
    "name", "family", "symptoms", "readings", "tried", "leads", "among_three", "never_leads", "in_order", "why",
}  # fmt: skip
BENCH_KEYS = {
    "name", "step", "state", "rail", "nominal_v", "tolerance_pct", "rated_a", "measured", "load", "before",
    "expects", "accepts", "next", "must_not_say", "why",
}  # fmt: skip
Situation = dict[str, Any]


def _named(situation: Situation) -> str:
    return str(situation["name"])


def test_there_are_enough_situations_and_no_name_is_used_twice() -> None:
    assert len(TEXTBOOK) >= 70
    assert len(BENCH) >= 60
    for situations in (TEXTBOOK, BENCH):
        assert len({_named(situation) for situation in situations}) == len(situations)


@pytest.mark.parametrize("situation", TEXTBOOK, ids=_named)
def test_a_textbook_situation_uses_known_symptoms_and_sections(situation: Situation) -> None:
    assert situation.keys() <= TEXTBOOK_KEYS
    assert isinstance(situation["family"], bool)
    assert {name.removeprefix("!") for name in situation["symptoms"]} <= SYMPTOM_NAMES
    sections = set(values(SECTIONS))
    leads, among, never = (set(situation[key]) for key in ("leads", "among_three", "never_leads"))
    assert leads | among | never <= sections
    assert not never & (leads | among)
    assert bool(leads and among) is not situation.get("in_order", False)
    assert situation["why"].endswith(".")


@pytest.mark.parametrize("situation", TEXTBOOK, ids=_named)
def test_readings_of_a_textbook_situation_can_be_read(situation: Situation) -> None:
    for reading in situation.get("readings", ()):
        if isinstance(reading, str):
            read = parse_reading_line(reading, RAILS)
            assert read.rail in RAILS
            assert read.supply is not None
        else:
            _check_measured(
                {key: reading[key] for key in reading.keys() & {"quantity", "value", "min", "max"}}
            )
            assert ("rail" in reading) is not ("point" in reading)
            assert reading.get("rail", "5VSB") in RAILS
            assert reading.get("supply", "standby") in values(SUPPLY_STATES)


@pytest.mark.parametrize("situation", TEXTBOOK, ids=_named)
def test_fixes_tried_name_part_section_and_result(situation: Situation) -> None:
    for fix in situation.get("tried", ()):
        part, section, result = fix.split(" / ")
        assert part.split(" ", 1)[1] in PART_NAMES
        assert section in values(SECTIONS)
        assert result in values(RESULTS)


@pytest.mark.parametrize("situation", BENCH, ids=_named)
def test_a_bench_situation_uses_known_states_loads_and_answers(situation: Situation) -> None:
    assert situation.keys() <= BENCH_KEYS
    assert situation["state"] in values(SUPPLY_STATES)
    assert situation["load"] in values(LOADS)
    assert {situation["expects"], *situation.get("accepts", ())} <= ANSWERS
    assert situation["expects"] not in situation.get("accepts", ())
    assert situation["next"]
    assert situation["why"].endswith(".")
    said = situation["next"].casefold()
    assert not [piece for piece in situation["must_not_say"] if piece.casefold() in said]
    if situation["measured"]:
        _check_measured(situation["measured"])


def _check_measured(measured: Situation) -> None:
    assert measured["quantity"] in values(QUANTITIES)
    numbers = [measured[key] for key in ("min", "value", "max") if key in measured]
    assert numbers == sorted(numbers)
    assert numbers or measured.get("over_range") is True
