"""Free text to symptoms."""

from __future__ import annotations

import pytest

from kb.facts.symptoms import SYMPTOMS
from kb.search import Analysis, match_symptoms

ANALYSIS = Analysis()
NAMES = [(symptom.name, symptom.synonyms) for symptom in SYMPTOMS]


def read(text: str) -> dict[str, bool]:
    return {name: present for name, present, _ in match_symptoms(text, NAMES, ANALYSIS).symptoms}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("relay ticks no picture", {"relay clicks repeatedly": True, "no picture": True}),
        ("no hum", {"hum from speakers": False}),
        ("fuse not blown", {"fuse blown": False}),
        ("the fuse is not blown", {"fuse blown": False}),
        ("fuse is badly blown", {"fuse blown": True}),
        ("relay does not click", {"relay does not click": True}),
        ("no picture", {"no picture": True}),
        ("won't turn on", {"dead": True}),
        ("not dead", {"dead": False}),
        ("no hum or buzz", {"hum from speakers": False, "buzzing from the board": False}),
        ("no smoke, hum", {"smoke seen": False, "hum from speakers": True}),
        ("no visible smoke but burnt smell", {"smoke seen": False, "burnt smell": True}),
        ("buldging capaciter", {"bulging capacitor": True}),
        ("flickring", {"backlight flickers": True}),
        ("swollen elco", {"bulging capacitor": True}),
        ("caps bulging", {"bulging capacitor": True}),
        ("5 V SB low", {"standby voltage low": True}),
        ("sound ok but no picture", {"sound but no picture": True}),
        ("picture but no sound", {"picture but no sound": True}),
        ("fuse blown? no, fuse is not blown", {"fuse blown": False}),
    ],
)
def test_text_is_read_as_a_technician_means_it(text: str, expected: dict[str, bool]) -> None:
    assert read(text) == expected


def test_a_denied_click_is_the_symptom_that_says_so_where_the_list_has_it() -> None:
    assert read("doesn't click") == {"relay does not click": True}
    without = [entry for entry in NAMES if entry[0] != "relay does not click"]
    found = match_symptoms("doesn't click", without, ANALYSIS).symptoms
    assert [(name, present) for name, present, _ in found] == [("relay clicks repeatedly", False)]


@pytest.mark.parametrize(
    "text", ["read the manual", "right side", "under the board", "C9 and C91", "4k7 at 12V"]
)
def test_everyday_words_codes_and_values_are_not_mended_into_symptoms(text: str) -> None:
    assert read(text) == {}


def test_every_name_and_synonym_of_the_list_is_understood() -> None:
    for symptom in SYMPTOMS:
        for spelling in (symptom.name, *symptom.synonyms):
            found = match_symptoms(spelling, NAMES, ANALYSIS).symptoms
            assert (symptom.name, True) in [(name, present) for name, present, _ in found], spelling


def test_words_that_were_not_understood_are_given_back_as_written() -> None:
    found = match_symptoms("customer says the Telly gurgles, relay ticks, HX-210", NAMES, ANALYSIS)
    assert found.unknown_terms == ("Telly", "gurgles")
    assert found.symptoms == (("relay clicks repeatedly", True, "relay ticks"),)


@pytest.mark.parametrize(
    "text", ["", "no", "not " * 2_000, "\x00", "🙂 no 🙂", "fuse " * 5_000, '"', "\u202eno hum"]
)
def test_any_text_is_answered(text: str) -> None:
    assert match_symptoms(text, NAMES, ANALYSIS) is not None


def test_an_empty_list_understands_nothing() -> None:
    assert match_symptoms("no picture", [], ANALYSIS).symptoms == ()
