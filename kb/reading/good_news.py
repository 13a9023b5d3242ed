"""Good news in everyday words: a clause behind what was done in which nothing is bad."""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading import function_words
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.mentions import Mention
from kb.reading.patterns import Match
from kb.reading.tokens import CODE, NUMBER, SIGN, VOLTS, Token


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
        praised = any(word in function_words.WELL for word in words[1:])
        if praised or (
            any(word in every for word in words) and any(place in lit for place in range(first, at))
        ):
            found.append((4, first, at - 1, "cured"))
    return found


_NO_ALONE = frozenset(("no", "nope", "nein", "non", "nee"))


def answered_no(tokens: Sequence[Token], mentions: Sequence[Mention]) -> list[tuple[int, int, int, str]]:
    """ "C61 replaced - no. C44 replaced - yes": a "no" that stands alone behind what was done."""
    done = [mention for mention in mentions if mention.acted_at is not None or mention.bad]
    found: list[tuple[int, int, int, str]] = []
    for at, token in enumerate(tokens):
        if token.folded not in _NO_ALONE or not at:
            continue
        begins = tokens[at - 1].kind == SIGN or tokens[at - 1].clause != token.clause
        ends = at + 1 == len(tokens) or tokens[at + 1].kind == SIGN or tokens[at + 1].clause != token.clause
        behind = any(_is_behind(mention, at, tokens) for mention in done)
        if begins and ends and behind:
            found.append((0, at, at, "no change"))
    return found


def _is_behind(mention: Mention, at: int, tokens: Sequence[Token]) -> bool:
    """Whether a word stands behind what was done, in its sentence: "Q1 got a bulge?? changed, no"."""
    sentences = {mention.sentence}
    if mention.acted_at is not None:
        sentences.add(tokens[mention.acted_at].sentence)
    return mention.end < at and tokens[at].sentence in sentences


_SPOILS = frozenset(
    ("no", "stop", "blown", "dead", "defective", "missing", "trip", "no_effect", "collapse", "intermittent",
     "sometimes", "shorted", "perhaps", "warned", "burnt", "smell", "smoke")
)  # fmt: skip
_LIVES = frozenset(("lit", "react", "work", "start", "turn", "heat", "hold"))
_LONGEST_PRAISE = 7


def cure_what_came_before(
    mentions: Sequence[Mention], tokens: Sequence[Token], hits: Sequence[Hit], good: frozenset[str]
) -> None:
    """ "works after replacing C9", "after changing C9 the picture is back": what was done stands behind "after".

    `good` names the concepts that say that a board does its work.
    """
    nots = {hit.first for hit in hits if hit.table == CONCEPT and hit.value in _SPOILS}
    well = {hit.first for hit in hits if hit.table == CONCEPT and hit.value in good}
    well |= {at for at, token in enumerate(tokens) if token.folded in function_words.BACK_AGAIN}
    for mention in mentions:
        at = mention.acted_at
        if at is None or mention.result is not None:
            continue
        led = [place for place in range(max(0, at - 2), at) if tokens[place].folded in function_words.AFTER]
        if not led or tokens[led[0]].clause != tokens[at].clause:
            continue
        sentence = tokens[at].sentence
        near = range(max(0, led[0] - _LONGEST_PRAISE), min(len(tokens), mention.last + _LONGEST_PRAISE))
        places = [
            place for place in near if tokens[place].sentence == sentence and not at <= place <= mention.last
        ]
        before = [place for place in places if place < led[0] and tokens[place].clause == tokens[at].clause]
        behind = [place for place in places if place > max(at, mention.last)]
        for side in (before, behind):
            if well.intersection(side) and not nots.intersection(side):
                mention.result = "cured"
