"""The files of concepts and patterns fit the lists of the book."""

from __future__ import annotations

import pytest

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.word_lists import (
    LANGUAGES,
    common_words,
    concepts,
    denied_patterns,
    never_mended,
    symptom_patterns,
)
from kb.reading.patterns import RAIL_ELEMENTS, patterns

NAMES = {symptom.name for symptom in SYMPTOMS}


@pytest.mark.parametrize("concept", concepts())
def test_a_concept_has_words_in_every_language_and_no_other(concept: str) -> None:
    assert set(concepts()[concept]) == set(LANGUAGES)
    for language, phrases in concepts()[concept].items():
        assert phrases, language
        assert [phrase for phrase in phrases if phrase != " ".join(phrase.split()).lower()] == [], language


@pytest.mark.parametrize("name", [*symptom_patterns(), *denied_patterns()])
def test_patterns_are_of_symptoms_of_the_list(name: str) -> None:
    assert name in NAMES
    assert symptom_patterns().get(name) or denied_patterns().get(name)


def test_every_element_of_a_pattern_is_a_concept_a_part_or_a_supply() -> None:
    classes = {f"@{part.name}" for part in PART_CLASSES}
    known = {*concepts(), *classes, "none", "@capacitor", "@part", "rail", *RAIL_ELEMENTS.values()}
    for pattern in patterns():
        for group in pattern.groups:
            named = [name for names in group.elements for name in names] + list(group.absent)
            assert [name for name in named if name not in known] == [], pattern.name


def test_words_that_are_never_mended_are_no_everyday_words_and_stand_in_order() -> None:
    everyday = {word for language in LANGUAGES for word in common_words(language)}
    assert len(never_mended()) > 1_000
    assert not never_mended() & everyday
