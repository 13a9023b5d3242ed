"""What was typed, read into a plan: words with their alternatives, phrases, and what to leave out.

There is no query language: quotes hold words together, a minus leaves something out, all else is words.
Whatever is typed gives a plan.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from kb.search.analysis import Analysis, Token
from kb.search.codes import CODE, DESIGNATOR, NUMBER, VALUE, WORD
from kb.search.normalization import NOT

MOST_CHARACTERS = 600
MOST_GROUPS = 32
MOST_PHRASES = 8
WEAK = frozenset((NOT, "on", "off", "up", "out", "after", "when"))
"""Terms that tell nothing by themselves."""
_WEAK_FACTOR = 0.3
_EXTRA_FACTOR = 0.4
_IN_NAME_FACTOR = 0.4
_NAME_FACTOR = 1.2
_ONE_WORD_NAME_FACTOR = 0.4
_QUOTES = str.maketrans({"\u201c": '"', "\u201d": '"', "\u201e": '"', "\u00ab": '"', "\u00bb": '"'})
_MARKED = re.compile(
    r'(?P<minus>(?:^|(?<=\s))[-\u2212])?"(?P<phrase>[^"]*)"|(?:^|(?<=\s))[-\u2212](?P<word>[^\W\d_]\S*)'
)


@dataclass(frozen=True, slots=True)
class Group:
    """One thing asked for and the terms that answer it, each with its weight."""

    typed: str
    folded: str
    kind: str
    terms: tuple[tuple[str, float], ...]
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Plan:
    """A query as read; `text` is the part of it that was kept."""

    text: str
    groups: tuple[Group, ...]
    phrases: tuple[tuple[str, ...], ...]
    excluded: tuple[tuple[str, ...], ...]

    @property
    def is_empty(self) -> bool:
        """Whether nothing was typed at all (rather than nothing useful)."""
        return not self.text.strip()


def read_query(query: str, analysis: Analysis) -> Plan:
    """The plan of `query`; never raises, and reads no more than its first 600 characters."""
    text = query[:MOST_CHARACTERS].translate(_QUOTES)
    phrases: list[tuple[str, ...]] = []
    excluded: list[tuple[str, ...]] = []
    kept = list(text)
    for match in _MARKED.finditer(text):
        inside = match["phrase"] if match["phrase"] is not None else match["word"]
        terms = tuple(token.term for token in analysis.tokens(inside))
        if match["minus"] or match["word"] is not None:
            kept[match.start() : match.end()] = " " * (match.end() - match.start())
            if terms:
                excluded.append(terms)
        elif len(terms) > 1:
            phrases.append(terms)
    rest = "".join(kept)
    return Plan(text, tuple(_groups(rest, analysis)), _few(phrases), _few(excluded))


def _few(phrases: list[tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    return tuple(dict.fromkeys(phrases))[:MOST_PHRASES]


def _groups(text: str, analysis: Analysis) -> list[Group]:
    tokens = analysis.tokens(text)
    names: dict[int, tuple[tuple[str, ...], int]] = {}
    for concept in analysis.concepts(tokens, text):
        if concept.present:
            for at in range(concept.first, concept.last):
                names[at] = (concept.keys, concept.last - concept.first)
    groups: dict[str, Group] = {}
    for at, token in enumerate(tokens):
        if token.term not in groups and len(groups) < MOST_GROUPS:
            keys, width = names.get(at, ((), 1))
            groups[token.term] = _group(token, text, keys, width)
    return list(groups.values())


def _group(token: Token, text: str, keys: tuple[str, ...], width: int) -> Group:
    own = 1.0 if width == 1 else _IN_NAME_FACTOR
    if token.term in WEAK or token.kind == NUMBER:
        own *= _WEAK_FACTOR
    terms = {token.term: own}
    for extra in token.extras:
        terms.setdefault(extra, own * _EXTRA_FACTOR)
    for key in keys:
        terms[key] = _NAME_FACTOR / width if width > 1 else _ONE_WORD_NAME_FACTOR
    typed = text[token.start : token.end]
    return Group(typed, token.folded, token.kind, tuple(terms.items()), token.start, token.end)


def is_exact(group: Group) -> bool:
    """Whether the group is a designator, code, value or number, which is never guessed at."""
    return group.kind in (CODE, DESIGNATOR, VALUE, NUMBER) or group.kind != WORD
