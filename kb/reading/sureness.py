"""Which symptoms are taken for said, and which are only proposed because of the way in which they were read."""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.word_lists import doubtful_ways, unproven_ways
from kb.reading.company import without_told_twice
from kb.reading.english_frames import is_only_framed
from kb.reading.lexicon import languages_of
from kb.reading.not_meant import WHAT_CHARGES
from kb.reading.patterns import Match, Places
from kb.reading.said_of import is_said_of_another
from kb.reading.tokens import Token


def split_by_sureness(matches: Sequence[Match], places: Places) -> tuple[list[Match], list[Match]]:
    """(symptoms that may be taken for said, those that a person decides on).

    Ways of reading that are too often wrong were counted in English notes (`doubtful.toml`), and short patterns of
    everyday meanings that were right in none of them; words that are likely said of something else are known by their
    part in the clause (`said_of.py`) and by what the sentence does with them (`english_frames.py`).
    """
    languages = languages_of(places.tokens)
    english = "en" in languages or not languages  # without everyday words the trade's English may be meant
    doubtful = doubtful_ways() if english else {}
    unproven = unproven_ways() if "en" in languages else {}
    unsure = [
        match
        for match in matches
        if (match.way in doubtful.get(match.name, ()) and not _has_its_value(match, places.tokens))
        or match.way in unproven.get(match.name, ())
        or is_said_of_another(match, places.tokens, places, english)
        or (english and is_only_framed(match, places.tokens))
    ]
    sure = [match for match in matches if match not in unsure]
    if english:
        sure = without_told_twice(sure, places)
    return sure, [match for match in matches if match not in sure]


_VALUE_REACH = 3


def _has_its_value(match: Match, tokens: Sequence[Token]) -> bool:
    """ "12 V dips to 9.1": the value says so as well; "charger, no charge": no price where something charges."""
    if match.name == "does not charge":
        return any(token.folded.startswith(WHAT_CHARGES) for token in tokens[: match.first])
    behind = tokens[match.last + 1 : match.last + 1 + _VALUE_REACH]
    return match.name == "output voltage low" and any(
        token.value is not None and token.clause == tokens[match.last].clause for token in behind
    )
