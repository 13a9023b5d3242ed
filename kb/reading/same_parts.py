"""Parts that are named more than once, and what was done without naming a part, brought together."""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading.mentions import Mention
from kb.reading.sections import class_of_designator

_SENTENCES_APART = 3


def same_part(mentions: Sequence[Mention]) -> list[Mention]:
    """Without those that name an earlier part again, unless something was done both times."""
    first: dict[str, Mention] = {}
    kept: list[Mention] = []
    for mention in mentions:
        earlier = first.get(mention.part or "")
        if earlier is not None and (
            earlier.action is None or mention.action is None or _is_same_act(earlier, mention)
        ):
            _into(earlier, mention)
            continue
        if earlier is not None and earlier.action == "clean" and mention.action == "replace":
            earlier.action = "replace"  # "C4 leaking, cleaned and C4 new": what was cleaned is the board
            continue
        if mention.part:
            first[mention.part] = mention
        kept.append(mention)
    return kept


def _is_same_act(earlier: Mention, mention: Mention) -> bool:
    """ "Q1 short, R9 open, U1 changed with them. F1, Q1, R9, U1.": one act of which both speak."""
    if earlier.acted_at is None:
        return False
    own = mention.acted_at not in (earlier.acted_at, mention.first)  # no word of its own says what was done
    # "Q5 Q6: Q6 open. Pair replaced."
    return not own and (mention.failure is None or mention.acted_at == earlier.acted_at)


def same_class(mentions: Sequence[Mention]) -> list[Mention]:
    """ "relay welded … new RY1", "NTC open … NTC replaced": the same part, named by its class and again."""
    kept: list[Mention] = []
    for mention in mentions:
        earlier = next((other for other in reversed(kept) if _is_same(other, mention)), None)
        if earlier is None:
            kept.append(mention)
            continue
        if earlier.action == "clean" and mention.action == "replace":
            earlier.action, earlier.acted_at = mention.action, mention.acted_at
        _into(earlier, mention)
    return kept


def _class(mention: Mention) -> str | None:
    return mention.part_class or class_of_designator(mention.part or "", mention.failure)


def _is_same(earlier: Mention, mention: Mention) -> bool:
    if earlier.ok or mention.ok or mention.sentence - earlier.sentence > _SENTENCES_APART:
        return False
    if (earlier.part and mention.part) or _class(earlier) != _class(mention) or _class(mention) is None:
        return False
    if mention.failure and earlier.failure and mention.failure != earlier.failure:
        return False
    if mention.action is None:
        return not earlier.part and not mention.part and earlier.failure is not None
    if earlier.action is None or _is_cleaned_up(earlier, mention):
        return True
    if mention.part and earlier.acted_at == mention.acted_at and earlier.action == mention.action:
        # "relay chattering, K1 replaced": what was done to the one was done to the other.
        return mention.first - earlier.last > 1
    return (
        not mention.part
        and mention.sentence - earlier.sentence <= 1
        and earlier.action == mention.action
        and (earlier.failure is not None or earlier.bad or not earlier.part)
    )


def _is_cleaned_up(earlier: Mention, mention: Mention) -> bool:
    """ "batteries were leaking, cleaned, new cells": what was cleaned is what they leaked on."""
    return (
        not earlier.part
        and not mention.part
        and earlier.failure == "leaking electrolyte"
        and (earlier.action, mention.action) == ("clean", "replace")
    )


def _into(earlier: Mention, mention: Mention) -> None:
    """Adds what was read of `mention` to the earlier one."""
    if mention.part and not earlier.part:
        earlier.part = mention.part
        earlier.take(mention.first, mention.last)
    earlier.failure = earlier.failure or mention.failure
    earlier.part_class = earlier.part_class or mention.part_class
    earlier.bad = earlier.bad or mention.bad
    earlier.only_place = earlier.only_place and mention.only_place
    if earlier.action is None and mention.action is not None:
        earlier.action, earlier.acted_at = mention.action, mention.acted_at
