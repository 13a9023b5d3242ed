"""Symptoms that a text speaks of without saying that this device has them.

What is supposed ("if the fuse should be blown"), asked to be looked for ("test whether it overheats"), expected
("expecting smoke"), said of another device ("theirs had swollen caps"), or was found and mended an earlier time
("last year the caps were swollen and were replaced").
"""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.symptoms import SYMPTOMS
from kb.reading import function_words
from kb.reading.denials import OF_HISTORY
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.mentions import Mention
from kb.reading.patterns import Match, Places
from kb.reading.tokens import Token

FOUND_BY_LOOKING = frozenset(one.name for one in SYMPTOMS if one.how in ("look", "unpowered check"))
_WARNED_REACH, _PERHAPS_REACH, _SUPPOSED_REACH, _OTHERS_REACH, _BACK_THEN_REACH = 9, 4, 11, 7, 16
_BECAUSE_OF = frozenset(
    ("for", "because", "with", "wegen", "mit", "weil", "pour", "avec", "parce", "voor", "wegens", "met", "omdat",
     "por", "porque", "con", "per", "perche")
)  # fmt: skip


def is_only_spoken_of(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """Whether the words around a symptom say that it is feared, supposed, sought, or not this device's now."""
    return (
        _is_feared(match, tokens, places)
        or _is_supposed(match, tokens, places)
        or _is_of_others(match, tokens, places)
        or _is_of_back_then(match, tokens, places)
        or _is_answered_no(match, tokens)
    )


def _is_feared(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """Whether a symptom stands in a warning or in advice ("told her it may smoke"), or is only guessed at:
    "could be a cracked joint".
    """
    sentence, clause = tokens[match.first].sentence, tokens[match.first].clause
    for span in places.before("warned", match.last, _WARNED_REACH):
        if tokens[span[0]].sentence == sentence and not set(span) & set(match.places):
            return True
    if match.name not in FOUND_BY_LOOKING and match.name not in OF_HISTORY:
        return False
    return any(
        tokens[span[0]].clause == clause for span in places.before("perhaps", match.last, _PERHAPS_REACH)
    )


def _is_supposed(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "if the fuse is blown, replace it", "check whether it gets hot": nobody says that it is so.

    What a device does under a condition ("if I tap it, it goes off") is a symptom all the same; what is found by
    looking is so or is not.
    """
    return _is_under("sought", _SUPPOSED_REACH, match, tokens, places) or (
        match.name in FOUND_BY_LOOKING and _is_under("supposed", _SUPPOSED_REACH, match, tokens, places)
    )


def _is_under(concept: str, reach: int, match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """Whether words of a concept stand before a symptom in its clause, and are none of its own."""
    return any(
        tokens[span[0]].clause == tokens[match.first].clause and not set(span) & set(match.places)
        for span in places.before(concept, match.last, reach)
    )


_NO_ALONE = frozenset(("no", "nope", "nein", "non", "nee", "nah"))
_ANSWER_REACH = 6


def _is_answered_no(match: Match, tokens: Sequence[Token]) -> bool:
    """ "dead short on 12 V? No, meter lead.": a "no" alone at the head of the next sentence."""
    return _no_behind(match.last, tokens)


def _no_behind(last: int, tokens: Sequence[Token]) -> bool:
    """Whether the sentence behind the one of token `last` answers it with "no"."""
    at = last + 1
    while at < len(tokens) and at - last <= _ANSWER_REACH and tokens[at].sentence == tokens[last].sentence:
        at += 1
    if at + 1 >= len(tokens) or tokens[at].folded not in _NO_ALONE:
        return False
    answers = tokens[at + 1].clause != tokens[at].clause or tokens[at + 1].folded in _THAT_IS
    return tokens[at].sentence == tokens[last].sentence + 1 and answers


_THAT_IS = frozenset(
    ("that", "thats", "it", "its", "this", "just", "only", "das", "es", "c", "dat", "het", "es", "e")
)


def _is_of_others(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "theirs had swollen capacitors": another device."""
    return _is_under("others", _OTHERS_REACH, match, tokens, places)


def _is_of_back_then(match: Match, tokens: Sequence[Token], places: Places) -> bool:
    """ "was in last year with no picture", "told last year that the caps were swollen": an earlier fault."""
    if match.name in OF_HISTORY:
        return False
    clause, sentence = tokens[match.first].clause, tokens[match.first].sentence
    for span in places.before("back_then", match.last, _BACK_THEN_REACH):
        if set(span) & set(match.places):
            continue
        between = range(span[-1] + 1, match.last)
        if tokens[span[0]].clause == clause and any(tokens[at].folded in _BECAUSE_OF for at in between):
            return True
        if tokens[span[0]].sentence == sentence and match.name in FOUND_BY_LOOKING:
            return True
    return False


_ALWAYS = frozenset(("others", "back_then"))  # also of what was done: then, or with another device
_UNLESS_DONE = frozenset(("sought", "supposed"))
_LENT = frozenset(("borrowed", "lent", "robbed", "geliehen", "ausgeliehen", "emprunte", "prete", "geleend", "prestado", "prestato"))  # noqa: E501  # fmt: skip


def parts_only_spoken_of(
    mentions: Sequence[Mention], tokens: Sequence[Token], hits: Sequence[Hit]
) -> frozenset[int]:
    """Which of the parts (by their place in `mentions`) are spoken of as above: "last year the relay was replaced"."""
    frames = [hit for hit in hits if hit.table == CONCEPT and hit.value in _ALWAYS | _UNLESS_DONE]
    remotes = {at for hit in hits if hit.table == CONCEPT and hit.value == "remote" for at in hit.places}
    found = set()
    for number, mention in enumerate(mentions):
        clause = tokens[mention.first].clause
        if mention.first and tokens[mention.first - 1].folded in _LENT:
            found.add(number)  # "borrowed Q3 from it for another device"
            continue
        if mention.part_class == "battery" and _is_of_remote(mention, tokens, remotes):
            found.add(number)  # "remote empty, new batteries"
            continue
        acted_here = mention.acted_at is not None and tokens[mention.acted_at].sentence == mention.sentence
        if not acted_here and _no_behind(_last_in_sentence(mention, tokens), tokens):
            found.add(number)  # "C14 bulged? no that is glue"
            continue
        for frame in frames:
            distance = mention.end - frame.last
            if not 0 < distance <= _BACK_THEN_REACH or tokens[frame.first].clause != clause:
                continue
            done = mention.acted_at is not None and tokens[mention.acted_at].folded not in function_words.NEW
            if frame.value in _ALWAYS or (not done and distance <= _SUPPOSED_REACH):
                found.add(number)
    return frozenset(found)


_REMOTE_REACH = 8


def _last_in_sentence(mention: Mention, tokens: Sequence[Token]) -> int:
    return max(at for at in (mention.last, *mention.ends) if tokens[at].sentence == mention.sentence)


def _is_of_remote(mention: Mention, tokens: Sequence[Token], remotes: set[int]) -> bool:
    return any(
        at in remotes and tokens[at].sentence == mention.sentence
        for at in range(max(0, mention.first - _REMOTE_REACH), mention.first)
    )
