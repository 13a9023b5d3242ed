"""Which symptoms are taken for said, and which are only proposed because of the way in which they were read."""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.word_lists import doubtful_ways
from kb.reading.lexicon import languages_of
from kb.reading.patterns import Match, Places
from kb.reading.said_of import is_said_of_another


def split_by_sureness(matches: Sequence[Match], places: Places) -> tuple[list[Match], list[Match]]:
    """(symptoms that may be taken for said, those that a person decides on).

    Ways of reading that are too often wrong were counted in English notes (`doubtful.toml`); words that are likely said
    of something else are known by their part in the clause (`said_of.py`).
    """
    english = "en" in languages_of(places.tokens)
    doubtful = doubtful_ways() if english else {}
    unsure = [
        match
        for match in matches
        if match.way in doubtful.get(match.name, ())
        or is_said_of_another(match, places.tokens, places, english)
    ]
    return [match for match in matches if match not in unsure], unsure
