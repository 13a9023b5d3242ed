"""Symptoms that are proposed and not taken, because they were read in a way that is too often wrong."""

from __future__ import annotations

import pytest

from kb.facts.symptoms import SYMPTOMS
from kb.facts.word_lists import denied_patterns, doubtful_ways, symptom_patterns
from kb.reading import read
from kb.reading.patterns import PHRASE


def test_a_doubtful_symptom_is_proposed_and_its_words_are_left() -> None:
    found = read("Loud hum. There is water in the bucket next to it")
    assert [one.name for one in found.symptoms] == ["hum from speakers"]
    assert [(one.name, one.words) for one in found.proposed] == [("failed after a spill or damp", "water in")]
    assert "water in" in [one.words for one in found.left]


def test_in_a_long_text_it_stands_at_its_place() -> None:
    text = "The set was on the bench all day and ran. " * 90 + "There is water in the bucket next to it."
    (one,) = read(text).proposed
    assert text[one.start : one.end] == "water in"


@pytest.mark.parametrize("name", doubtful_ways())
def test_doubtful_ways_are_of_symptoms_of_the_list_and_are_still_there(name: str) -> None:
    assert name in {symptom.name for symptom in SYMPTOMS}
    patterns = [way for way in doubtful_ways()[name] if not way.startswith(PHRASE)]
    assert set(patterns) <= {*symptom_patterns().get(name, ()), *denied_patterns().get(name, ())}
