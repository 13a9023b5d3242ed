"""Parts tried one after another, of which nothing but the result is said."""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading import function_words
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.mentions import Mention
from kb.reading.tokens import NUMBER, SIGN, Token

_CHANGED_NOTHING = frozenset((("results", "no change"), (CONCEPT, "no_effect")))
_CURED = frozenset(
    (
        ("results", "cured"),
        ("verdicts", "repaired"),
        *((CONCEPT, name) for name in ("cured", "ok", "work", "start", "picture", "sound")),
    )
)


def mark_tried_in_turn(mentions: Sequence[Mention], tokens: Sequence[Token], hits: Sequence[Hit]) -> None:
    """ "C5 -> same, U3 -> works", "1) C5 no change 2) C7 ok": parts tried in turn, with nothing but the result.

    The first of them must have changed nothing: "U1 ok" alone says that it is good.
    """
    _mark_first_and_then(mentions, tokens)
    ends = {hit.first: hit for hit in hits if (hit.table, hit.value) in _CHANGED_NOTHING}
    good = {hit.first for hit in hits if (hit.table, hit.value) in _CURED}
    tried = False
    for mention in mentions:
        if not mention.part or mention.action or mention.failure or mention.bad or mention.only_place:
            continue
        at = mention.last + 1
        while at < len(tokens) and at <= mention.last + 2 and tokens[at].kind == SIGN:
            at += 1
        same = at < len(tokens) and tokens[at].sentence == mention.sentence
        hit = ends.get(at)
        if (
            hit is not None
            and tokens[at].folded in function_words.ALSO
            and _is_listed_fault(mention, mentions)
        ):
            mention.bad = True  # "C4 ESR 30 ohm, C5 same"
            continue
        if same and hit is not None and _ends_here(hit.last, tokens):
            tried = True
        elif not (tried and same and at in good):
            continue
        mention.action, mention.acted_at, mention.ok = "replace", mention.first, False


def _mark_first_and_then(mentions: Sequence[Mention], tokens: Sequence[Token]) -> None:
    """ "first tried C5, then Q3, in the end it was T1": parts tried in turn, of which only the last can have cured."""
    row: list[Mention] = []
    for mention in mentions:
        before = range(max(0, mention.first - _LEADS), mention.first)
        words = {tokens[at].folded for at in before if tokens[at].sentence == mention.sentence}
        if row and mention.sentence == row[-1].sentence and words & (function_words.THEN | _IN_THE_END):
            row.append(mention)
            continue
        _settle_row(row)
        begins = words & function_words.TRIED_FIRST and (
            mention.action == "replace" or words & function_words.TRIED or mention.action is None
        )
        row = [mention] if begins and mention.part and mention.failure is None and not mention.ok else []
    _settle_row(row)


def _settle_row(row: list[Mention]) -> None:
    if len(row) < _A_ROW:
        return
    for mention in row:
        if mention.action is None:
            mention.action, mention.acted_at, mention.ok = "replace", mention.first, False
    for mention in row[:-1]:
        mention.result = mention.result or "no change"


def _is_listed_fault(mention: Mention, mentions: Sequence[Mention]) -> bool:
    """Whether a part before it in its sentence was not replaced yet, so that "same" speaks of that one's fault."""
    return any(
        other.sentence == mention.sentence
        and other.last < mention.first
        and other.part
        and other.action is None
        for other in mentions
    )


_LEADS = 6  # tokens before a part that lead to it
_A_ROW = 2
_IN_THE_END = frozenset(("end", "finally", "ende", "schluss", "fin", "eind", "final", "fine"))


def _ends_here(at: int, tokens: Sequence[Token]) -> bool:
    """Whether a clause ends behind token `at`, or the next in a list begins."""
    if at + 1 >= len(tokens) or tokens[at + 1].kind in (SIGN, NUMBER):
        return True
    return tokens[at + 1].clause != tokens[at].clause
