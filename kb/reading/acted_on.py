"""What was worked on where the words of a fix name no part: the wire found loose before, what was just taken out."""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading.events import Event
from kb.reading.mentions import Mention
from kb.reading.sections import class_of_designator
from kb.reading.tokens import Token
from kb.reading.whole_boards import is_adapter, is_whole_board

WITH_ADAPTER = "replace adapter"  # kept as a replacement that names no part of the board
_REFIT_REACH = 3


def _own_class(mention: Mention) -> str | None:
    return mention.part_class or class_of_designator(mention.part or "", mention.failure)


def just_removed(event: Event, seen: Sequence[Mention], tokens: Sequence[Token]) -> list[Mention]:
    """ "removed and new fitted": the parts that were taken out right before, in the same sentence."""
    return [
        one
        for one in seen
        if one.action == "remove"
        and one.acted_at is not None
        and 0 < event.first - one.acted_at <= _REFIT_REACH
        and tokens[one.acted_at].sentence == tokens[event.first].sentence
    ]


def loose_wire(event: Event, seen: Sequence[Mention], tokens: Sequence[Token]) -> list[Mention]:
    """ "wire off at the arm, soldered": the wire that was found loose right before."""
    sentence = tokens[event.first].sentence
    return [
        one
        for one in [one for one in seen if not one.only_place][-1:]
        if _own_class(one) in ("cable", "connector")
        and one.action is None
        and not one.ok
        and sentence - one.sentence <= 1
        and (one.failure or one.bad)
    ]


def named_behind(group: Sequence[Mention]) -> list[Mention]:
    """ "first filter cap bulging, C1 & C2 both new": the parts of a class that was found bad before them."""
    owner = next((one for one in group if (one.failure or one.bad) and not one.part), None)
    if owner is None or any((one.failure or one.bad) and one.part for one in group):
        return []
    kind = str(owner.part_class).split()[-1]
    behind = [one for one in group if one.part and one.first > owner.last and one.sentence == owner.sentence]
    return [one for one in behind if str(_own_class(one)).split()[-1] == kind]


def of_whole_board(event: Event, tokens: Sequence[Token], places: set[int]) -> Event:
    """ "replaced psu board", "Netzteil komplett getauscht": no part but the whole board.

    `places` are the tokens of parts.
    """
    if event.value != "replace":
        return event
    clause = tokens[event.first].clause
    near = [
        at
        for at in range(max(0, event.first - 3), min(event.last + 4, len(tokens)))
        if tokens[at].clause == clause and not event.first <= at <= event.last
    ]
    if any(at in places for at in near):
        return event
    words = [tokens[at].folded for at in near]
    if any(is_adapter(word) for word in words):
        return Event(event.first, event.last, event.kind, WITH_ADAPTER)
    if any(is_whole_board(word) for word in words):
        return Event(event.first, event.last, event.kind, "replace board")
    return event
