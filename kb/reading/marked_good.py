"""Which parts a text says are good or bad in a word, and which only say where another part sits."""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.designators import designator_letters
from kb.reading import function_words
from kb.reading.lexicon import CONCEPT, Hit, negation_words
from kb.reading.mentions import Mention, listed
from kb.reading.part_failures import BAD, COMES_LOOSE
from kb.reading.sections import class_of_designator
from kb.reading.tokens import RAIL, VOLTS, Token

_PREPOSED = 4
_WHICH = frozenset(("main", "standby", "mains", "big", "stby", "primary", "secondary", "output"))
_PIECES = frozenset(
    ("inductor", "connector", "solder joint", "circuit board", "cable", "heat sink or pad", "fuse", "switch")
)


def mark_good(mentions: Sequence[Mention], tokens: Sequence[Token], hits: Sequence[Hit]) -> None:
    """ "fuse OK", "D5 ok": a part that was found good; "on CN2 pin 3": one that only says where."""
    good = {hit.first for hit in hits if hit.table == CONCEPT and hit.value == "ok"}
    done = {hit.first for hit in hits if hit.table == "actions"}
    bad = {hit.first for hit in hits if hit.table == CONCEPT and hit.value in BAD}
    bad |= {hit.first for hit in hits if (hit.table, hit.value) == ("words", "bad")}
    loose = {hit.first for hit in hits if hit.table == CONCEPT and hit.value == "loose"}
    news = False
    for number, mention in enumerate(mentions):
        behind = mentions[number + 1].first if number + 1 < len(mentions) else len(tokens)
        clause = tokens[mention.last].clause
        mention.only_place = _only_place(mentions, number, tokens)
        near = [
            at
            for at in range(mention.last + 1, min(mention.last + 4, behind, len(tokens)))
            if tokens[at].clause == clause
        ]
        mention.bad = any(at in bad and tokens[at - 1].folded not in negation_words() for at in near) or (
            (mention.part_class or class_of_designator(mention.part or "", None)) in COMES_LOOSE
            and any(
                at in loose for at in (*range(max(0, mention.first - 2), mention.first), mention.last + 1)
            )
        )
        if mention.only_place and any(
            one.folded in _IN | _OFF for one in tokens[max(0, mention.first - 2) : mention.first]
        ):
            mention.bad = False  # "fuse in the plug gone"
        # "replaced C9 ok", "new fuse and it works": good is the board with the new part.
        since = mentions[number - 1].last + 1 if number else 0
        ahead = range(max(since, mention.first - _PREPOSED), mention.first)
        new = any(
            tokens[at].clause == clause and (at in done or tokens[at].folded in function_words.NEW)
            for at in ahead
        ) or any(tokens[at].folded in function_words.NEW for at in near)
        if number and news and listed(mentions[number - 1], mention, tokens):
            new = True
        news = new
        mention.ok = any(at in good for at in near) and not new and not any(at in done for at in near)
        last = max((at for at in near if at in good), default=0)
        if mention.ok and any(tokens[at].folded in negation_words() for at in near if at < last):
            mention.ok = False
        mention.ok = mention.ok or _measures_well(mention, tokens, good)


_MEASURES = frozenset(("measures", "measured", "tests", "tested", "checks", "checked", "misst", "mesure", "meet", "mide", "misura"))  # noqa: E501  # fmt: skip
_CLAUSE_REACH = 6


def _measures_well(mention: Mention, tokens: Sequence[Token], good: set[int]) -> bool:
    """ "D14 looked cooked but measures fine": what a meter says of it in the next clause counts."""
    at, clause = mention.last + 1, tokens[mention.last].clause
    while at < len(tokens) and tokens[at].clause == clause and at - mention.last < _CLAUSE_REACH:
        at += 1
    behind = range(at, min(at + 4, len(tokens)))
    said = next((place for place in behind if tokens[place].folded in _MEASURES), None)
    return said is not None and said + 1 in good and tokens[said].sentence == mention.sentence


def _is_piece(mentions: Sequence[Mention], number: int) -> bool:
    """ "the coil of K2": a piece of the part behind it, which is that part's own failure."""
    before = mentions[number - 1] if number else None
    return before is None or (before.part is None and before.part_class in _PIECES)


def _is_joined(mention: Mention) -> bool:
    """ "plug of the cable burnt", "contact of the battery box": the piece is what failed."""
    return mention.part is None and mention.part_class in ("cable", "battery", "connector")


def _stands_between(token: Token) -> bool:
    """Whether a word may stand between a preposition and the part: an article, a supply, which of them it is."""
    return token.folded in function_words.ARTICLES or token.folded in _WHICH or token.kind in (VOLTS, RAIL)


def _ends_range(mentions: Sequence[Mention], number: int) -> bool:
    """ "C1 to C4": the second end is no place."""
    mention, before = mentions[number], mentions[number - 1]
    return (
        number > 0
        and bool(mention.part and before.part)
        and designator_letters(mention.part or "") == designator_letters(before.part or "")
        and mention.first - before.last <= 2
    )


_OFF = frozenset(("off", "round", "around", "inside"))  # "wire off the terminal", "hair round the fan"
_IN = frozenset(("in", "im", "dans", "en", "nel", "nella"))


def _only_place(mentions: Sequence[Mention], number: int, tokens: Sequence[Token]) -> bool:
    mention = mentions[number]
    at = mention.first - 1
    while at > 0 and mention.first - at <= 3 and _stands_between(tokens[at]):
        at -= 1  # "by the heatsink", "across the 24 V diode"
    before = tokens[at].folded if at >= 0 else ""
    after = tokens[mention.last + 1].folded if mention.last + 1 < len(tokens) else ""
    if number and before in _IN and mentions[number - 1].last == at - 1 and mention.part is None:
        return mention.part_class in (
            "connector",
            "cable",
        )  # "fuse in the plug gone", "switch in the cord open"
    return mention.part_class != "solder joint" and (
        (
            not (before == "en" and mention.part and number and mentions[number - 1].last == at - 1)
            and before in (function_words.PLACE if mention.part else function_words.PLACE | _OFF)
            and not _ends_range(mentions, number)
            and not (before in function_words.OF and _is_piece(mentions, number) and not _is_joined(mention))
        )
        or after in ("pin", "pins", "broche", "patte")
    )
