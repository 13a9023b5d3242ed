"""Parts that a text says it is not ("it's not the battery", "an der Batterie liegt es nicht").

A part that is not there ("no battery") or does not do its work ("the fuse does not hold") is no such part.
"""

from __future__ import annotations

from collections.abc import Sequence

from kb.reading.facts import Known, ReadWord
from kb.reading.lexicon import lexicon_for, skipped_words
from kb.reading.tokens import SIGN, Token, tokens_of

_NOTHING = Known()


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_IS_NOT = _words("not isnt isn't wasnt wasn't nicht pas niet non no")
_IS = _words("is it's isnt isn't was liegt lag ist war est es era zijn")
_BARE_NO = frozenset(("no",))  # denies so in Spanish only, and there with the verb behind it
_BETWEEN = _words(
    "it is was be the its a an of es die der das an am de den la le les l c ce est n ne d que et il el lo una un "
    "e era gli i del della het dat is hij zijn sono son esta ser due to because caused by"
)
_AFTER = _words(
    "it is was the liegt lag es daran ist sie er die das dus het hij zij niet nieuw neu new and so that thats "
    "isnt isn't est ce c n pas la le elle es no esta nueva nuevo e non nuova nuovo it's"
)


def denied_parts(text: str, known: Known = _NOTHING) -> tuple[ReadWord, ...]:
    """The part classes that `text` says are not to blame, each with the words that name it. Never raises."""
    tokens = tokens_of(text)
    if not any(token.folded in _IS_NOT for token in tokens):
        return ()
    lexicon = lexicon_for(known.symptoms, known.part_classes)
    found: dict[ReadWord, None] = {}
    for hit in lexicon.find(tokens):
        if hit.table == "parts" and (_before(tokens, hit.first) or _behind(tokens, hit.last)):
            start, end = tokens[hit.first].start, tokens[hit.last].end
            found[ReadWord(text[start:end], start, end, hit.value)] = None
    return tuple(found)


def _before(tokens: Sequence[Token], first: int) -> bool:
    """Whether "not the" or "no es la" stands before the part."""
    between = 0
    for at in range(first - 1, max(first - 6, -1), -1):
        token = tokens[at]
        if token.kind == SIGN and token.folded not in ("'", "\u2019"):
            return False
        if token.folded in _IS_NOT:
            return bool(between) and (token.folded not in _BARE_NO or tokens[at + 1].folded in ("es", "era"))
        if token.kind != SIGN:
            if token.folded not in _BETWEEN and token.folded not in skipped_words():
                return False
            between += 1
    return False


def _behind(tokens: Sequence[Token], last: int) -> bool:
    """Whether the part's clause goes on with little words alone, a verb and a denial among them."""
    denied = says = False
    for token in tokens[last + 1 :]:
        if token.kind == SIGN:
            break
        if token.folded not in _AFTER and token.folded not in _IS_NOT:
            return False
        denied = denied or token.folded in _IS_NOT
        says = says or token.folded in _IS
    return denied and says
