"""Further values of a supply that was read just before: where it goes to, and what it has under another condition.

"4.9 and slides to 4.1" is one reading with its minimum, whatever the verb; "23.8 alone and 19 with the backlight" are
two readings; "12 V nil" is 0 V.
"""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading import function_words
from kb.reading.subjects import Subject
from kb.reading.tokens import DESIGNATOR, NUMBER, QUANTITY, SIGN, VOLTS, WORD, Token
from kb.reading.value_ends import GIVEN_WAY, Found

_TO_REACH, _SECOND_REACH = 8, 9  # tokens from a value to the next one of its supply
_HIGHEST = 1.3  # of its volts, above which a number is none of a supply's
_ENDS_OF_VERBS = ("s", "ing", "ed")  # English: "slides to", "sliding to", "down to"
_WAYS = frozenset(("down", "up", "away", "off", "over", "then", "it", "just", "only"))
_AND = frozenset(("and", "but", "then", ",", ";", "/"))
_NOT_COUNTED = frozenset(("ohm", "ohms", "amps", "amp", "times", "mins", "hours", "days", "%"))


def further_readings(
    tokens: Sequence[Token], subjects: Sequence[Subject], readings: list[Found], blocked: frozenset[int]
) -> list[Found]:
    """The readings with the ends that they go to, and those that `readings` do not have yet."""
    named = {at for one in subjects if not one.maybe_value for at in range(one.first, one.last + 1)}
    taken = {at for one in readings for at in one.tokens} | blocked | named
    names = {at for one in subjects for at in range(one.first, one.last + 1)}
    found: list[Found] = []
    merged: set[int] = set()
    for number, one in enumerate(readings):
        if number in merged:
            continue
        found.append(one)
        if one.quantity != "dc_v" or one.value is None or not one.subject.rail:
            continue
        if one.low is not None or one.high is not None:
            continue
        after = readings[number + 1] if number + 1 < len(readings) else None
        follows = after is not None and after.subject is one.subject and after.quantity == "dc_v"
        own = set(after.tokens) if after is not None and follows and after.value is not None else set()
        at = _next_number(tokens, one, taken - own)
        if at is None:
            continue
        if _is_moved_to(tokens, one, at):
            _move(one, at, tokens)
            taken.add(at)
            if at in own:
                merged.add(number + 1)
        elif at not in own | names and _is_under_condition(tokens, one, at):
            taken.add(at)
            near = {token.folded for token in tokens[at + 1 : at + 2]}
            found.append(
                Found(one.subject, at, at, "dc_v", tokens[at].value, tokens=[at],
                      supply=one.supply, after_repair=bool(near & function_words.NOW))
            )  # fmt: skip
    return found + _nothing_there(tokens, subjects, readings)


def _next_number(tokens: Sequence[Token], one: Found, taken: set[int] | frozenset[int]) -> int | None:
    """The next number of the sentence within reach, where no other supply, part or number stands before it."""
    start = max(one.last, *one.tokens) + 1
    for at in range(start, min(len(tokens), start + _SECOND_REACH)):
        token = tokens[at]
        if token.sentence != tokens[start - 1].sentence or at in taken or token.kind == DESIGNATOR:
            return None
        if token.kind == QUANTITY and token.unit not in ("s", "min"):
            return None
        if token.kind in (NUMBER, VOLTS):
            return at if token.value is not None and _may_be_its(one, token.value) else None
        if token.folded in function_words.NEW:
            return None
    return None


def _may_be_its(one: Found, value: float) -> bool:
    most = max(abs(one.value or 0.0), abs(one.subject.nominal_v or 0.0))
    return 0 <= value <= _HIGHEST * most and value != one.value


def _ends(tokens: Sequence[Token], at: int) -> bool:
    """Whether number `at` counts volts: nothing that is counted stands behind it."""
    if at + 1 >= len(tokens):
        return True
    behind = tokens[at + 1]
    return behind.kind not in (QUANTITY, NUMBER, VOLTS) and behind.folded not in _NOT_COUNTED


def _is_moved_to(tokens: Sequence[Token], one: Found, at: int) -> bool:
    start = max(one.last, *one.tokens) + 1
    if at - start > _TO_REACH or tokens[at - 1].folded != "to" or not _ends(tokens, at):
        return False
    nominal, value = one.subject.nominal_v, tokens[at].value or 0.0
    if nominal and GIVEN_WAY * nominal <= value < (one.value or 0.0):
        return False  # "14.6 coming down to 12.0": mended
    if at - 1 == start:
        return one.tokens[0] > 0 and tokens[one.tokens[0] - 1].folded == "from"
    gap = tokens[start : at - 1]
    words = {token.folded for token in gap}
    if words & (function_words.NO_MOVES | function_words.NOW | function_words.AGAIN | function_words.SHOULD):
        return False
    joined = max((number for number, token in enumerate(gap) if token.folded in _AND), default=-1)
    # Nothing but a verb behind the "and": in "5.0, ps-on pulls to 0" another line is spoken of.
    said = [
        token for token in gap[joined + 1 :] if token.folded not in _WAYS and not token.folded.endswith("ly")
    ]
    verb = gap[-1].folded
    return (
        gap[-1].kind == WORD
        and len(said) <= 1
        and all(token.kind == WORD for token in said)
        and (verb in _WAYS or verb.endswith(_ENDS_OF_VERBS))
    )


def _move(one: Found, at: int, tokens: Sequence[Token]) -> None:
    value, first = tokens[at].value, one.value
    assert value is not None
    assert first is not None
    if value < first:
        one.low = value
    else:
        one.low, one.high, one.value = first, value, None
    one.last = max(one.last, at)
    one.tokens.append(at)


def _is_under_condition(tokens: Sequence[Token], one: Found, at: int) -> bool:
    """ "322 with pfc off, 388 on": joined by a comma or "and", and followed by what was different."""
    if tokens[at - 1].folded not in _AND and tokens[at].clause == tokens[at - 1].clause:
        return False
    behind = tokens[at + 1] if at + 1 < len(tokens) else None
    if behind is None or behind.clause != tokens[at].clause or behind.folded not in function_words.CONDITIONS:
        return False
    return not any(token.folded in function_words.SHOULD for token in tokens[one.last : at])


def _nothing_there(
    tokens: Sequence[Token], subjects: Sequence[Subject], readings: Sequence[Found]
) -> list[Found]:
    """ "12 V: nil": none of its volts."""
    found = []
    read = {id(one.subject) for one in readings}
    for subject in subjects:
        at = subject.last + 1
        while at < len(tokens) and (tokens[at].folded in function_words.IS_RAIL or tokens[at].kind == SIGN):
            at += 1
        if (
            not subject.rail
            or id(subject) in read
            or at >= len(tokens)
            or tokens[at].folded not in function_words.NO_VOLTS
        ):
            continue
        if tokens[at].sentence == tokens[subject.last].sentence and _ends(tokens, at):
            supply = "standby" if subject.role == "standby" else None
            found.append(Found(subject, subject.first, at, "dc_v", 0.0, supply=supply, tokens=[at]))
    return found
