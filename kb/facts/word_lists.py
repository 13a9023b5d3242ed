"""The words with which texts are read, from the files in `kb/facts/words`: six languages, all at once.

`kb/facts/words/README.md` says what the tables mean. Files are read once and kept.
"""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib.resources import files
from typing import Any

LANGUAGES = ("en", "de", "fr", "nl", "es", "it")
TABLES = (
    "symptoms",
    "parts",
    "failures",
    "actions",
    "results",
    "verdicts",
    "rails",
    "supply",
    "loads",
    "sections",
    "words",
)
Phrases = dict[str, tuple[str, ...]]


def _text(name: str) -> str | None:
    file = files("kb.facts").joinpath("words", name)
    return file.read_text("utf-8") if file.is_file() else None


def _loaded(name: str) -> dict[str, Any]:
    text = _text(name)
    return {} if text is None else tomllib.loads(text)


@lru_cache(maxsize=len(LANGUAGES))
def word_list(language: str) -> dict[str, Phrases]:
    """The tables of one language: table, entry, phrases. A language without a file has empty tables.

    Raises ValueError for a table that nobody reads.
    """
    data = _loaded(f"{language}.toml")
    if unknown := data.keys() - set(TABLES):
        raise ValueError(f"{language}.toml has tables that nobody reads: {', '.join(sorted(unknown))}")
    return {
        table: {entry: tuple(phrases) for entry, phrases in data.get(table, {}).items()} for table in TABLES
    }


@lru_cache(maxsize=1)
def concepts() -> dict[str, dict[str, tuple[str, ...]]]:
    """Everyday words by what they mean: concept, language, phrases."""
    return {
        concept: {
            language: tuple(phrase.strip() for phrase in phrases.split(",") if phrase.strip())
            for language, phrases in by_language.items()
        }
        for concept, by_language in _loaded("concepts.toml").items()
    }


@lru_cache(maxsize=1)
def devices() -> dict[str, tuple[str, ...]]:
    """What boards sit in, where it stands and how big it is: one name, and the words for it in all languages."""
    return {
        name: tuple(
            dict.fromkeys(
                word.strip() for words in by_language.values() for word in words.split(",") if word.strip()
            )
        )
        for table in _loaded("devices.toml").values()
        for name, by_language in table.items()
    }


@lru_cache(maxsize=1)
def told_by_device() -> frozenset[str]:
    """Those of `devices` that are devices, and no places or sizes."""
    return frozenset(_loaded("devices.toml").get("devices", {}))


@lru_cache(maxsize=3)
def _patterns(table: str, file: str = "patterns.toml") -> Phrases:
    return {name: tuple(found) for name, found in _loaded(file).get(table, {}).items()}


def symptom_patterns() -> Phrases:
    """How each symptom is said in concepts; `patterns.toml` says what its signs mean."""
    return _patterns("patterns")


def denied_patterns() -> Phrases:
    """How it is said in concepts that a symptom is not there ("fuse ok")."""
    return _patterns("denied")


def doubtful_ways() -> Phrases:
    """For each symptom the patterns, and behind `=` the phrases, that were wrong too often on labelled texts."""
    return _patterns("doubtful", "doubtful.toml")


def unproven_ways() -> Phrases:
    """For each symptom the short patterns of everyday meanings that were right on no labelled text."""
    return _patterns("unproven", "doubtful.toml")


@lru_cache(maxsize=1)
def never_mended() -> frozenset[str]:
    """Less common words a letter away from a word of the trade, folded; they are meant as they stand."""
    return frozenset((_text("never_mended.txt") or "").split())


@lru_cache(maxsize=len(LANGUAGES))
def common_words(language: str) -> tuple[str, ...]:
    """Everyday words of a language, the commonest first."""
    return tuple((_text(f"common_{language}.txt") or "").split())
