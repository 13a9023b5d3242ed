"""Which symptoms a text denies, and which it says are over."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import replace

from kb.reading import function_words
from kb.reading.patterns import AND, Match, Places
from kb.reading.tokens import BUT, SIGN, Token

# What happened before says nothing of what the board does.
OF_HISTORY = (
    "failed after a power cut or storm",
    "failed after a spill or damp",
    "failed after earlier repair",
    "dropped or mechanical damage",
)


def settle_denied(kept: list[Match], tokens: Sequence[Token], places: Places) -> list[Match]:
    """The symptoms, each said to be present or denied; without those that a text says are over."""
    consumed = {at for match in kept for at in match.nots}
    free = sorted(
        {
            span[0]
            for span in places.spans.get("no", ())
            if span[0] not in consumed and tokens[span[0]].folded != "plus"
        }
    )
    result: list[Match] = []
    last_denied: Match | None = None
    for match in kept:
        present = match.present
        if present and not match.nots and _is_denied_inside(match, kept):
            continue
        if present and not match.nots and free and match.name not in OF_HISTORY:
            present = not _is_denied(match, free, tokens, kept, last_denied, places.done)
        elif present and match.name in OF_HISTORY:
            # "no liquid", "not dropped": only right before it
            before = match.first - 1
            present = not (
                before in free
                and tokens[before].clause == tokens[match.first].clause
                and tokens[match.first].folded not in function_words.AFTER
            )
        if not present:
            last_denied = match
            if _is_over(match, tokens):
                continue
        if present or match.name != "does not work":
            result.append(replace(match, present=present))
    return result


def _is_denied_inside(match: Match, kept: Sequence[Match]) -> bool:
    """ "makes no click": another name has the "no" in the middle, and ends with the same word."""
    return any(
        other.last == match.last and any(match.first < at < match.last for at in other.nots)
        for other in kept
        if other is not match
    )


def _is_over(match: Match, tokens: Sequence[Token]) -> bool:
    """ "no flicker anymore", "flackert nicht mehr": it was so, which denies nothing of the complaint."""
    clause = tokens[match.last].clause
    behind = range(match.last, min(match.last + 4, len(tokens)))
    before = range(max(0, match.first - 4), match.first)
    return any(tokens[at].folded in _NO_LONGER and tokens[at].clause == clause for at in (*before, *behind))


_NO_LONGER = frozenset(("anymore", "mehr", "nimmer", "plus", "meer", "mas", "piu", "ya"))


# From a "no" to what it denies, with "sign of any" between: "no spares for the burnt transformer" denies spares.
_REACH = 4


def _begins_anew(no: int, first: int, tokens: Sequence[Token]) -> bool:
    """ "does not get cold and something clicks": behind "and" with words of its own nothing is denied any more."""
    joins = [at for at in range(no + 1, first) if tokens[at].folded in AND]
    if not joins:
        return False
    before, behind = joins[-1] - no, first - joins[-1]
    if before == 1 and tokens[no].folded in function_words.NOTHING:
        return True  # "does nothing and the set hums"
    return (before > 2 and behind > 1) or (before == 2 and behind > 2)


def _is_denied(
    match: Match,
    free: list[int],
    tokens: Sequence[Token],
    kept: list[Match],
    last_denied: Match | None,
    done: Sequence[int],
) -> bool:
    clause = tokens[match.first].clause
    at = bisect_left(free, match.first)
    if at < len(free) and free[at] < match.last and free[at] not in match.places:
        return True
    if at > 0:
        no = free[at - 1]
        if tokens[no].clause == clause and match.first - no <= _REACH:
            between = [other for other in kept if no < other.first < match.first and other is not match]
            if not between:
                # "don't replace the fuse again": what must not be done
                act = bisect_left(done, match.first) > bisect_left(done, no + 1)
                return not act and not _begins_anew(no, match.first, tokens)
            if last_denied in between:
                joins = {tokens[place].folded for place in range(between[-1].last + 1, match.first)}
                return bool(joins & function_words.JOINS) or not joins
    if (
        last_denied is not None
        and match.first - last_denied.last <= 2
        and tokens[last_denied.last].sentence == tokens[match.first].sentence
    ):
        joins = {tokens[place].folded for place in range(last_denied.last + 1, match.first)}
        if joins & {"or", "nor", "oder", "ou", "ni", "of", "noch", "o", "/"}:
            return True
    after = match.last + 1
    while after < len(tokens) and (
        tokens[after].kind == SIGN or (tokens[after].folded in BUT and after + 1 in free)
    ):
        after += 1  # "brummt aber nicht"
    if after < len(tokens) and tokens[after].folded in function_words.NOT_AFTER and after in free:
        ends = after + 1 >= len(tokens) or tokens[after + 1].clause != tokens[after].clause
        return ends and tokens[after].sentence == tokens[match.last].sentence
    return False
