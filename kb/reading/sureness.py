"""Which symptoms are taken for said, and which are only proposed because of the way in which they were read."""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.word_lists import doubtful_ways
from kb.reading.lexicon import languages_of
from kb.reading.patterns import Match
from kb.reading.tokens import Token


def split_by_sureness(matches: Sequence[Match], tokens: Sequence[Token]) -> tuple[list[Match], list[Match]]:
    """(symptoms that may be taken for said, those that a person decides on).

    Ways of reading that are too often wrong were counted in English notes (`doubtful.toml`).
    """
    doubtful = doubtful_ways() if "en" in languages_of(tokens) else {}
    unsure = [match for match in matches if match.way in doubtful.get(match.name, ())]
    return [match for match in matches if match not in unsure], unsure
