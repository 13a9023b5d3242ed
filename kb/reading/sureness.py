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
from kb.reading.value_ends import Found


def split_by_sureness(
    matches: Sequence[Match], places: Places, readings: Sequence[Found] = ()
) -> tuple[list[Match], list[Match]]:
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
        or _is_measured_there(match, readings)
        or is_said_of_another(match, places.tokens, places, english)
        or (english and is_only_framed(match, places.tokens))
    ]
    sure = [match for match in matches if match not in unsure]
    if english:
        sure = without_told_twice(sure, places)
    return sure, [match for match in matches if match not in sure]


_SUPPLY_GONE = frozenset(("no standby voltage", "one output missing"))
_THERE = 0.5  # of its volts, from which on a supply is not missing


def _is_measured_there(match: Match, readings: Sequence[Found]) -> bool:
    """ "standby 4.9, 12 and 24 missing", "coil 12 V not there … 12 V supply 12.1": the supply has its volts."""
    if match.name not in _SUPPLY_GONE or not match.present or not match.way:
        return False
    standby = match.name == "no standby voltage"
    own = {one.subject.rail for one in readings if one.subject.first in match.places and one.subject.rail}
    for one in readings:
        of_it = one.subject.role == "standby" if standby else one.subject.rail in own
        volts = one.subject.nominal_v or (5.0 if standby else None)
        if of_it and volts and one.quantity == "dc_v" and not one.after_repair:
            return one.value is not None and one.value >= _THERE * abs(volts)
    return False


_VALUE_REACH = 3


def _has_its_value(match: Match, tokens: Sequence[Token]) -> bool:
    """ "12 V dips to 9.1": the value says so as well; "charger, no charge": no price where something charges."""
    if match.name == "does not charge":
        return any(token.folded.startswith(WHAT_CHARGES) for token in tokens[: match.first])
    behind = tokens[match.last + 1 : match.last + 1 + _VALUE_REACH]
    return match.name == "output voltage low" and any(
        token.value is not None and token.clause == tokens[match.last].clause for token in behind
    )
