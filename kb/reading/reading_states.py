"""In which state a reading was taken: supply state, load, before or after the repair."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence

from kb.reading import function_words
from kb.reading.tokens import Token
from kb.reading.value_ends import Found

_DEAD_BOARD = frozenset(("ohm", "diode_v", "farad", "esr_ohm"))


def settle_state(
    one: Found,
    tokens: Sequence[Token],
    states: Mapping[int, tuple[str, str]],
    named: Container[int],
    inside: Container[int],
) -> Found:
    """The reading with its supply state, its load and whether it was taken before or after the repair.

    `states` has the words for both by their tokens; `named` and `inside` are first and all tokens of what is measured.
    """
    subject = one.subject
    start, end = _clause_of(one, tokens, named, inside)
    for place in range(start, end):
        if place in states and not (subject.first <= place <= subject.last):
            table, word = states[place]
            if table == "supply" and one.supply is None:
                one.supply = word
            elif table == "loads" and one.load is None:
                one.load = word
    if subject.rail and subject.role == "standby":
        one.supply = one.supply or "standby"
    if one.quantity in _DEAD_BOARD:
        one.supply = "unpowered"
    low, high = one.gap or (one.first, one.tokens[0])
    words = {tokens[place].folded for place in range(low, high)}
    nearby = {
        tokens[place].folded
        for place in (one.tokens[0] - 1, one.tokens[-1] + 1)
        if 0 <= place < len(tokens) and tokens[place].sentence == tokens[one.first].sentence
    }
    one.before = bool(words & function_words.BEFORE)
    one.after_repair = not one.before and bool((words | nearby) & function_words.AGAIN)
    return one


def _clause_of(
    one: Found, tokens: Sequence[Token], named: Container[int], inside: Container[int]
) -> tuple[int, int]:
    """Tokens of the clause around the reading, up to the next reading's subject or a bracketed addition."""
    clause = tokens[one.tokens[-1]].clause
    start = one.tokens[0]
    while (
        start > 0
        and tokens[start - 1].clause == clause
        and not (start - 1 in inside and start - 1 < one.subject.first)
    ):
        start -= 1
    end = one.tokens[-1] + 1
    while end < len(tokens) and tokens[end].clause == clause:
        if end in named and end > one.last:
            break
        end += 1
    return start, end
