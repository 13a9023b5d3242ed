"""The word lists with which texts are read: whole in every language, and one word means one thing."""

from __future__ import annotations

import tomllib
import unicodedata
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import (
    ACTIONS,
    FAILURE_MODES,
    LOADS,
    RAIL_ROLES,
    RESULTS,
    SECTIONS,
    SUPPLY_STATES,
    VERDICTS,
    values,
)

WORDS = Path(__file__).resolve().parents[2] / "kb" / "facts" / "words"
LANGUAGES = ("en", "de", "fr", "nl", "es", "it")
TABLES: dict[str, tuple[str, ...]] = {
    "symptoms": tuple(symptom.name for symptom in SYMPTOMS),
    "parts": tuple(part.name for part in PART_CLASSES),
    "failures": FAILURE_MODES,
    "actions": ACTIONS,
    "results": tuple(value for value in values(RESULTS) if value != "not known yet"),
    "verdicts": tuple(dict.fromkeys((*values(VERDICTS), "declined"))),
    "rails": values(RAIL_ROLES),
    "supply": values(SUPPLY_STATES),
    "loads": values(LOADS),
    "sections": values(SECTIONS),
    "words": (
        "negation",
        "joins",
        "clause_ends",
        "after_repair",
        "minutes",
        "hours",
        "cost",
        "pulses",
        "from_to",
        "cause",
        "consequence",
        "measured",
        "good",
        "bad",
        "articles",
    ),
}
ONE_MEANING = tuple(table for table in TABLES if table != "words")


@cache
def word_list(language: str) -> dict[str, dict[str, list[str]]]:
    data: Any = tomllib.loads((WORDS / f"{language}.toml").read_text("utf-8"))
    return data


@cache
def common_words(language: str) -> tuple[str, ...]:
    return tuple((WORDS / f"common_{language}.txt").read_text("utf-8").split())


def without_accents(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text.lower().replace("ß", "ss"))
    return "".join(char for char in plain if not unicodedata.combining(char))


@cache
def articles(language: str) -> frozenset[str]:
    return frozenset(without_accents(word) for word in word_list(language)["words"]["articles"])


@cache
def folded(language: str, phrase: str) -> str:
    """Lower case without accents, signs between words and articles."""
    spaced = "".join(char if char.isalnum() else " " for char in without_accents(phrase))
    return " ".join(word for word in spaced.split() if word not in articles(language))


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_word_list_has_the_tables_and_keys_of_the_book_and_no_others(language: str) -> None:
    assert list(word_list(language)) == list(TABLES)
    for table, names in TABLES.items():
        assert set(word_list(language)[table]) == set(names), table


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_entry_has_words_and_each_is_lower_case_and_trimmed(language: str) -> None:
    for table, rows in word_list(language).items():
        for name, phrases in rows.items():
            assert phrases, (table, name)
            for phrase in phrases:
                assert phrase == " ".join(phrase.split()).lower(), (table, name, phrase)
                assert phrase


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_symptom_can_be_said_in_two_ways_at_least(language: str) -> None:
    few = [name for name, phrases in word_list(language)["symptoms"].items() if len(phrases) < 2]
    assert few == []


@pytest.mark.parametrize("table", ONE_MEANING)
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_phrase_of_a_table_means_two_things_in_one_language(language: str, table: str) -> None:
    meanings: dict[str, set[str]] = {}
    for name, phrases in word_list(language)[table].items():
        for phrase in phrases:
            meanings.setdefault(folded(language, phrase), set()).add(name)
    assert {phrase: names for phrase, names in meanings.items() if len(names) > 1} == {}


@pytest.mark.parametrize("table", ONE_MEANING)
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_phrase_consists_of_articles_only(language: str, table: str) -> None:
    for name, phrases in word_list(language)[table].items():
        assert [phrase for phrase in phrases if not folded(language, phrase)] == [], name


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_single_everyday_word_is_a_symptom(language: str) -> None:
    everyday = {folded(language, word) for word in common_words(language)[:500]}
    single = {
        (name, phrase)
        for name, phrases in word_list(language)["symptoms"].items()
        for phrase in phrases
        if folded(language, phrase) in everyday
    }
    assert single == set()


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_everyday_words_of_a_language_are_many_and_each_stands_once(language: str) -> None:
    words = common_words(language)
    assert len(words) == len(set(words)) >= 2500
    assert [word for word in words if word != word.lower() or not word.replace("'", "").isalpha()] == []


@pytest.mark.parametrize("table", ONE_MEANING)
def test_no_phrase_means_two_things_in_two_languages_as_texts_are_read_in_all_at_once(table: str) -> None:
    meanings: dict[str, set[str]] = {}
    for language in LANGUAGES:
        for name, phrases in word_list(language)[table].items():
            for phrase in phrases:
                meanings.setdefault(folded(language, phrase), set()).add(name)
    assert {phrase: names for phrase, names in meanings.items() if len(names) > 1} == {}


@pytest.mark.parametrize("table", ["symptoms", "parts", "failures"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_single_word_is_an_everyday_word_of_another_language_with_another_meaning(
    language: str, table: str
) -> None:
    found = set()
    for other in LANGUAGES:
        everyday = {folded(other, word) for word in common_words(other)[:1000]}
        for name, phrases in word_list(language)[table].items():
            same = {folded(other, phrase) for phrase in word_list(other)[table][name]}
            words = {folded(language, phrase) for phrase in phrases}
            if other != language:
                found |= {(other, name, word) for word in words & everyday - same}
    assert found == set()
