"""Symptoms that are proposed and not taken, because they were read in a way that is too often wrong."""

from __future__ import annotations

import pytest

from kb.facts.symptoms import SYMPTOMS
from kb.facts.word_lists import denied_patterns, doubtful_ways, symptom_patterns, unproven_ways
from kb.reading import ReadSymptom, read
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


@pytest.mark.parametrize(
    ("text", "taken", "offered"),
    [
        # what shows something is not dead
        (
            "it sometimes doesn't respond, taps bring it back",
            {"intermittent", "responds to tapping or flexing"},
            {"dead"},
        ),
        ("display shows missing segments, dead", {"display shows garbage"}, {"dead"}),
        # a wide name beside the narrower one that its words tell
        ("standby light comes on, 2 seconds later relay drops out again", {"starts then shuts down"}, set()),
        # only what names the picture is as good beside another symptom
        ("relay clicks repeatedly, no picture", {"relay clicks repeatedly", "no picture"}, set()),
        ("relay clicks repeatedly, screen stays black", {"relay clicks repeatedly"}, {"no picture"}),
        # what others had or saw
        ("the previous shop found a dry joint", set(), {"cracked solder joint seen"}),
        (
            "our neighbours told us that it smells burnt but now it sparks",
            {"arcing or sparks"},
            {"burnt smell"},
        ),
        ("according to the seller it was dropped", {"dropped or mechanical damage"}, set()),
        # another thing of the device, or what it is made for
        ("VHF set: rx ok, final dead", set(), {"dead"}),
        ("I heard a click", set(), {"relay clicks repeatedly"}),
        ("the strobe light flashes at half rate", set(), {"standby light blinks"}),
        # words with two meanings
        ("RT1 open", set(), {"inrush limiter open"}),
        ("NTC RT1 open", {"inrush limiter open"}, set()),
        ("panel dark", set(), {"no picture"}),
        ("Pfeil leuchtet nicht", set(), {"no standby light"}),
    ],
)
def test_what_is_likely_said_of_something_else_is_offered_and_not_taken(
    text: str, taken: set[str], offered: set[str]
) -> None:
    found = read(text)
    assert {one.name for one in found.symptoms if one.present} == taken
    assert {one.name for one in found.proposed} >= offered


def test_what_a_short_pattern_says_that_was_never_right_is_offered_in_english_alone() -> None:
    found = read("the meter was on the bench and the picture is missing today")
    assert (names_of(found.symptoms), names_of(found.proposed)) == (set(), {"no picture"})
    assert names_of(read("das Gerät ist an und das Bild fehlt heute").symptoms) == {"no picture"}


def names_of(found: tuple[ReadSymptom, ...]) -> set[str]:
    return {one.name for one in found}


@pytest.mark.parametrize("name", unproven_ways())
def test_unproven_ways_are_patterns_that_are_still_there(name: str) -> None:
    assert set(unproven_ways()[name]) <= set(symptom_patterns()[name])


@pytest.mark.parametrize("name", doubtful_ways())
def test_doubtful_ways_are_of_symptoms_of_the_list_and_are_still_there(name: str) -> None:
    assert name in {symptom.name for symptom in SYMPTOMS}
    patterns = [way for way in doubtful_ways()[name] if not way.startswith(PHRASE)]
    assert set(patterns) <= {*symptom_patterns().get(name, ()), *denied_patterns().get(name, ())}
