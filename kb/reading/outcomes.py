"""What came of the fixes, and which of several parts failed first."""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading.lexicon import Hit
from kb.reading.mentions import Mention
from kb.reading.part_failures import COMES_LOOSE
from kb.reading.tokens import Token

# What fails first of several parts; those further down follow. Common practice, no published source.
_FIRST = (
    "varistor",
    "power factor MOSFET",
    "MOSFET",
    "integrated switcher",
    "bridge rectifier",
    "Schottky rectifier",
    "fast rectifier",
    "bipolar transistor",
    "IGBT",
)
_FOLLOWS = frozenset(
    ("fuse", "current sense resistor", "fusible resistor", "controller IC", "power factor controller IC")
)


def first_act(attempts: Sequence[Mention]) -> int | None:
    """The first token that says what was done; a plug or cable that was found loose was put right."""
    acts = [one.acted_at for one in attempts if one.acted_at is not None]
    acts += [
        one.end for one in attempts if one.acted_at is None and one.bad and one.part_class in COMES_LOOSE
    ]
    return min(acts, default=None)


# What a sentence begins with that tells of one more fix, so that its result is only that fix's.
_BESIDES = frozenset(
    ("also", "earlier", "before", "previously", "vorher", "zuvor", "avant", "auparavant", "eerder", "antes",
     "prima")
)  # fmt: skip


def _told_apart(group: list[Mention], at: int, tokens: Sequence[Token]) -> list[Mention]:
    """ "C9 dry, replaced. Also swapped OC1 before, no diff.": the result at token `at` is that of the last alone."""
    sentence = tokens[at].sentence
    here = [one for one in group if one.sentence == sentence]
    words = [token.folded for token in tokens[max(0, at - _SENTENCE) : at] if token.sentence == sentence]
    return here if here and words and (words[0] in _BESIDES or words[-1] in _BESIDES) else group


_SENTENCE = 12
_NONE = -9  # no sentence


def _not_mended(fixes: Sequence[Mention]) -> tuple[list[Mention], int]:
    """ "hum gone, still no sound": better, and not mended."""
    for mention in fixes:
        mention.result = "improved"
    return [], _NONE


def settle_results(
    mentions: Sequence[Mention],
    tokens: Sequence[Token],
    events: Sequence[tuple[int, int, str]],
    *,
    paid: bool = False,
) -> None:
    """Gives each (first, last, result) to the fixes since the last one, or to those behind it where none is.

    `events` are in the order of the text. `paid`: the text says what the parts cost, so they were fitted.
    """
    done = [mention for mention in mentions if mention.action or mention.failure or mention.bad]
    at = 0
    waiting: str | None = None
    last: tuple[list[Mention], int] = ([], _NONE)
    for first, _, result in events:
        group: list[Mention] = []
        while at < len(done) and done[at].first < first:
            group.append(done[at])
            at += 1
        group = _told_apart([mention for mention in group if mention.result is None], first, tokens)
        if not group and result == "no change" and tokens[first].sentence - last[1] in (0, 1):
            last = _not_mended(last[0])
            continue
        if not group:
            if at < len(done):
                waiting = waiting or result
            elif result == "cured" and waiting is None:
                # What is said last counts: "no change … reflowed it again, ok".
                continue
            continue
        if waiting is not None:
            waiting = None
        for mention in group:
            mention.result = result
        last = (group, tokens[first].sentence if result == "cured" else _NONE)
    rest = [mention for mention in done if mention.result is None]
    if waiting is not None and rest:
        for mention in rest:
            mention.result = waiting
    for mention in mentions:
        # "C14 dried up, that was it": what cured was replaced, whatever was done with a joint.
        plain = mention.part_class not in (
            "solder joint",
            "cable",
            "connector",
            "circuit board",
            "heat sink or pad",
        )
        known_bad = mention.failure or mention.bad
        watched = mention.failure == "no oscillation"  # seen at it, and not what was wrong with it
        if (
            mention.action is None
            and known_bad
            and plain
            and not watched
            and (mention.result == "cured" or paid)
        ):
            mention.action = "replace"


def settle_causes(mentions: Sequence[Mention], tokens: Sequence[Token], hits: Sequence[Hit]) -> None:
    """Of several parts replaced together: which failed first and which followed."""
    causes = [hit for hit in hits if hit.table == "words" and hit.value == "cause"]
    follows = [hit for hit in hits if hit.table == "words" and hit.value == "consequence"]
    for hit in causes:
        behind = [mention for mention in mentions if 0 < mention.first - hit.last <= 4]
        before = [mention for mention in mentions if 0 < hit.first - mention.last <= 3]
        for mention in (behind or before)[:1]:
            mention.cause = True
    for hit in follows:
        for mention in mentions:
            if mention.sentence == tokens[hit.first].sentence and mention.cause is None:
                mention.cause = mention.last < hit.first
    _by_trade(mentions)


def _by_trade(mentions: Sequence[Mention]) -> None:
    fixed = [
        mention
        for mention in mentions
        if mention.action and mention.cause is None and mention.result != "no change"
    ]
    if len(fixed) < 2 or any(mention.cause for mention in mentions):
        for mention in fixed:
            if mention.part_class == "fuse" and any(other.cause for other in mentions):
                mention.cause = False
        return
    firsts = [mention for mention in fixed if mention.part_class in _FIRST]
    if not firsts or not any(
        mention.part_class in _FOLLOWS or mention.part_class == "bridge rectifier" for mention in fixed
    ):
        return
    rank = min(_FIRST.index(str(mention.part_class)) for mention in firsts)
    for mention in fixed:
        if mention.part_class == _FIRST[rank]:
            mention.cause = True
        elif mention.part_class in _FOLLOWS or mention.part_class == "bridge rectifier":
            mention.cause = False
