"""English sentences that speak of a symptom without saying that this device has it now.

What is asked ("is the fuse blown?"), guessed ("I think it has a swollen cap"), likened ("like under water"), would be
("if it was the relay it would not click"), should be, was an earlier year, is another device's ("on the one I did last
week"), or was seen by others ("the seller says"). By the words before a symptom in its sentence, whatever the symptom;
what is found here is proposed and not taken. `tests/reading/judged/causes_en.toml` has twenty wordings of each kind and
twenty that look alike and are said.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from kb.reading.denials import OF_HISTORY
from kb.reading.framed import FOUND_BY_LOOKING
from kb.reading.patterns import Match
from kb.reading.tokens import Token


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_LOOKED_AT = FOUND_BY_LOOKING | frozenset(OF_HISTORY)


def is_only_framed(match: Match, tokens: Sequence[Token]) -> bool:
    """Whether the words around a symptom ask, guess, liken, suppose it or tell it of another time or device."""
    start = match.first
    while start and tokens[start - 1].sentence == tokens[match.first].sentence and match.first - start < _FAR:
        start -= 1
    before = [token.folded for token in tokens[start : match.first]]
    behind = [
        token.folded
        for token in tokens[match.last + 1 : match.last + 1 + _BEHIND]
        if token.sentence == tokens[match.last].sentence
    ]
    clause = [
        token.folded for token in tokens[start : match.first] if token.clause == tokens[match.first].clause
    ]
    own = [tokens[at].folded for at in range(match.first, match.last + 1)]
    return (
        _is_asked(clause, own)
        or (match.name in _LOOKED_AT and _is_guessed(before))
        or _is_likened(match, clause, own)
        or _would_be(before, clause, own)
        or (match.name not in OF_HISTORY and _is_of_an_earlier_time(clause, own, behind))
        or _is_of_another(before, own, behind)
        or (match.name not in OF_HISTORY and _is_told_by_another(before))
    )


_FAR = 40  # words before a symptom that are looked at
_BEHIND = 8
_ASKING = _words("is are could does do can should might")
_ASKED_OF = _words("it the this that these those there a an your my one they")


def _is_asked(clause: Sequence[str], own: Sequence[str]) -> bool:
    """ "is the fuse blown?", "does it smoke?": the verb stands before what it is said of."""
    words = [*clause, *own]
    return len(words) > 2 and words[0] in _ASKING and words[1] in _ASKED_OF and len(clause) > 1


_GUESSING = _words(
    "probably perhaps maybe possibly presumably suspect suspected guess bet assume reckon reckons wonder suppose"
)
_GUESSED = (
    ("i", "think"), ("might", "be"), ("may", "be"), ("must", "be"), ("could", "be"), ("look", "out"), ("d", "say")
)  # fmt: skip
_GUESS_REACH = 9
_SEEN = _words("found see saw seen looked opened inside measured turned but and then")


def _is_guessed(before: Sequence[str]) -> bool:
    """ "I bet the main fet is shorted", "my guess: fuse blown": what takes a look or a meter, and had none."""
    near = list(before[-_GUESS_REACH:])
    for at in range(len(near) - 1, -1, -1):
        if near[at] in _SEEN:
            return False
        if near[at] in _GUESSING or tuple(near[at : at + 2]) in _GUESSED:
            return True
    return False


_LIKE_REACH = 8


def _is_likened(match: Match, clause: Sequence[str], own: Sequence[str]) -> bool:
    """ "like under water", "as if somebody dropped it": what it resembles, and not what happened."""
    near = [*clause[-_LIKE_REACH:], *own[:1]]
    pairs = list(pairwise(near))
    if ("as", "if") in pairs or ("as", "though") in pairs:
        return True
    return match.name in OF_HISTORY and "like" in near[:-1]


_WOULD = _words("would wouldnt")
_UNREAL = _words("was were had would wasnt werent hadnt")
_THINGS_THAT_WOULD = _words("a an any bad faulty broken there otherwise else")


def _would_be(before: Sequence[str], clause: Sequence[str], own: Sequence[str]) -> bool:
    """ "if it was the relay it would not click", "otherwise it would …", "should show a code": it is not so.

    "It would not start" tells what happened, also behind "when" and behind an "if" of today ("if I press it").
    """
    near = [*clause[-_SHOULD_REACH:], *own[:1]]
    if "should" in near and not own[0].startswith("should") and "but" not in near:
        return True
    words = [*before, *own]
    at = next((at for at in range(len(words) - 1, -1, -1) if words[at] in _WOULD), None)
    if at is None or len(before) - at > _WOULD_REACH:
        return False
    told = words[:at]
    if "otherwise" in told or ("if" in told and _UNREAL.intersection(told[told.index("if") :])):
        return True
    own_clause = told[len(before) - len(clause) :]
    return told[:1] in (["were"], ["had"]) or (own_clause[:1] != [] and own_clause[0] in _THINGS_THAT_WOULD)


_SHOULD_REACH, _WOULD_REACH = 4, 5
_PERIODS = _words("year month week winter summer spring autumn time")
_SINCE = _words("since as from like than unlike until")
_PAST = _words("had was were did didnt wasnt hadnt")


def _is_of_an_earlier_time(clause: Sequence[str], own: Sequence[str], behind: Sequence[str]) -> bool:
    """ "had no standby voltage last year", "was dead two years ago": it was so then."""
    if not _PAST.intersection((*clause, *own)):
        return False
    for at in range(min(len(behind) - 1, 3)):
        if behind[at] in _SINCE:
            return False
        if (behind[at] == "last" and behind[at + 1] in _PERIODS) or behind[at] == "ago":
            return True
    return False


# Who else had, saw or sold the device, and what says that it is another one.
_TELLERS = _words(
    "seller colleague colleagues neighbour neighbours neighbor neighbors electrician dealer yours hers theirs"
)
_PREVIOUS = _words("other another previous last former first local")
_WHO_WAS_BEFORE = _words("shop workshop repairer technician engineer garage owner owners user")
_ANOTHER = _words("other another previous former sister similar donor earlier second spare old last")
_ALSO_OF_THIS = _words("second last old")  # "my second machine", "the old set" may be this one
_THINGS = _words("one unit set board machine model device sets units ones boards")
# From here on the writer tells of this device and of today.
_OWN_AGAIN = _words("but now i we mine ours still however since today this here")
_MINE = _words("mine ours")


def _is_of_another(before: Sequence[str], own: Sequence[str], behind: Sequence[str]) -> bool:
    """ "on the one I did last week the caps were bulging", "in a similar unit", "yours shows a code"."""
    pairs = list(pairwise(behind))
    if ("not", "this") in pairs or ("not", "mine") in pairs or ("mine", "not") in pairs:
        return True
    words = [*before, *own[:1]]
    if "yours" in words and _MINE.intersection(words) and _PAST.intersection(words):
        return True  # "mine was different from yours, it had …"
    for at in range(len(words) - 1, -1, -1):
        if words[at] in ("but", "now", "today", "this", "still"):
            return False
        following = words[at + 1] if at + 1 < len(words) else ""
        earlier = words[at - 1] if at else ""
        if words[at] == "one" and following in ("i", "we") and earlier in ("the", "last"):
            return True
        if words[at] == "one" and earlier == "had" and following in ("with", "where", "that"):
            return True
        if words[at] == "one" and earlier == "s":
            return True  # "a friend's one"
        if words[at] == "not" and following == "like":
            return True
        if (
            words[at] in _ANOTHER
            and following in _THINGS
            and not (
                words[at] in _ALSO_OF_THIS
                and (earlier != "the" or (words[at] != "second" and following != "one"))
            )
        ):
            return earlier != "my" or at + 2 >= len(words) or words[at + 2] != "is"
    return False


def _is_told_by_another(before: Sequence[str]) -> bool:
    """ "the other shop measured no bulk voltage": what somebody else saw, said or had.

    What happened to the device (a fall, a spill) is as good from others.
    """
    for at in range(len(before) - 1, -1, -1):
        if before[at] in _OWN_AGAIN:
            return False
        if before[at] in _TELLERS and (at == 0 or before[at - 1] != "of"):
            return True
        if before[at] in _WHO_WAS_BEFORE and at and before[at - 1] in _PREVIOUS:
            return True
    return False
