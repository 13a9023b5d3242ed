"""Good news in everyday words: a clause behind what was done in which nothing is bad."""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading import little_words
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.mentions import Mention
from kb.reading.patterns import Match
from kb.reading.tokens import CODE, NUMBER, VOLTS, Token


def well_behind(
    tokens: Sequence[Token],
    hits: Sequence[Hit],
    matches: Sequence[Match],
    mentions: Sequence[Mention],
    acted: int,
) -> list[tuple[int, int, int, str]]:
    """ "opens fine", "sews nicely", "both lit": a clause behind what was done in which nothing is bad."""
    bad = {tokens[hit.first].clause for hit in hits if hit.table == CONCEPT and hit.value in _SPOILS}
    bad |= {tokens[match.first].clause for match in matches if match.present}
    bad |= {tokens[place].clause for mention in mentions for place in range(mention.first, mention.last + 1)}
    every = frozenset(("all", "both", "beide", "alle", "tous", "toutes", "todos", "todas", "tutti", "tutte"))
    lit = {at for hit in hits if hit.table == CONCEPT and hit.value in _LIVES for at in hit.places}
    found: list[tuple[int, int, int, str]] = []
    at = acted + 1
    while at < len(tokens):
        first, clause = at, tokens[at].clause
        while at < len(tokens) and tokens[at].clause == clause:
            at += 1
        if clause == tokens[acted].clause or clause in bad or at - first > _LONGEST_PRAISE or at - first < 2:
            continue
        words = [tokens[place].folded for place in range(first, at)]
        if any(tokens[place].kind in (NUMBER, VOLTS, CODE) for place in range(first, at)):
            continue
        praised = any(word in little_words.WELL for word in words[1:])
        if praised or (
            any(word in every for word in words) and any(place in lit for place in range(first, at))
        ):
            found.append((4, first, at - 1, "cured"))
    return found


_SPOILS = frozenset(
    ("no", "stop", "blown", "dead", "defective", "missing", "trip", "no_effect", "collapse", "intermittent",
     "sometimes", "shorted", "perhaps", "warned", "burnt", "smell", "smoke")
)  # fmt: skip
_LIVES = frozenset(("lit", "react", "work", "start", "turn", "heat", "hold"))
_LONGEST_PRAISE = 7
