"""What was typed, read into a plan: words with their alternatives, phrases, and what to leave out.

There is no query language: quotes hold words together, a minus leaves something out, all else is words.
Whatever is typed gives a plan.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

from kb.facts.word_lists import LANGUAGES, common_words
from kb.search.analysis import PART, SYMPTOM, Analysis, Token, concept_key
from kb.search.codes import NUMBER, WORD
from kb.search.normalization import NOT, fold

MOST_CHARACTERS = 600
NAME = "name"
"""The kind of a group that asks for a name and not for a word."""
MOST_GROUPS = 32
MOST_PHRASES = 8
WEAK = frozenset((NOT, "on", "off", "up", "out", "after", "when"))
"""Terms that tell nothing by themselves."""
_WEAK_FACTOR = 0.3
_EXTRA_FACTOR = 0.4
_IN_NAME_FACTOR = 0.4
_NAME_FACTOR = 1.2
_ONE_WORD_NAME_FACTOR = 0.4
_SYMPTOM_READ = 1.4
_PART_READ = 0.6
_CLASS_OF_LETTER = 0.1
_DEVICE = 0.2
_TOLD = 0.35  # a word from which a symptom was read, where the symptom itself is asked for
_DEVICE_WORD = 0.35  # a word of a device's name, of whose families all cases are meant
_CHATTER = 0.2
_LONG = 8  # groups from which on everyday words are chatter
_QUOTES = str.maketrans({"\u201c": '"', "\u201d": '"', "\u201e": '"', "\u00ab": '"', "\u00bb": '"'})
_MARKED = re.compile(
    r'(?P<minus>(?:^|(?<=\s))[-\u2212])?"(?P<phrase>[^"]*)"|(?:^|(?<=\s))[-\u2212](?P<word>[^\W\d_]\S*)'
)


# Symptoms that strangers take for one another; of a symptom read in a query the others of its row answer a little.
_TAKEN_FOR_ONE_ANOTHER = (
    ("dead", "no standby light", "does not work"),
    ("no picture", "backlight off", "sound but no picture"),
    ("relay clicks repeatedly", "ticking or chirping noise"),
    ("buzzing from the board", "hum from speakers"),
    ("fails when warm", "starts then shuts down"),
    ("motor does not run", "motor runs weak or jerky"),
    ("does not charge", "does not hold charge"),
    ("starts only after several tries", "starts only when warm"),
    ("trips the mains breaker", "trips the residual-current device"),
    ("fuse blown", "fuse blows again when replaced"),
    ("picture but no sound", "one channel silent"),
    ("dim picture", "display dim or fading", "uneven backlight"),
)
_TAKEN_FOR = 0.4


def _symptom_terms(name: str) -> tuple[tuple[str, float], ...]:
    """The index terms that answer a symptom read in a query, with their weights."""
    terms = [(concept_key(SYMPTOM, name), _SYMPTOM_READ)]
    terms += [
        (concept_key(SYMPTOM, other), _TAKEN_FOR)
        for row in _TAKEN_FOR_ONE_ANOTHER
        if name in row
        for other in row
        if other != name
    ]
    return tuple(terms)


@dataclass(frozen=True, slots=True)
class Meant:
    """What a reader of the query found in it: canonical names with the characters `start:end` that say them.

    All but the last two are (name, start, end). `of_letters` are part classes that only the letters of a
    designator say, `not_meant` classes that the text says it is not. `first` are uids of cases that lead where
    they answer the rest of the query, and are the answer where nothing else is asked; what names them stands
    at `spent` (start, end), or nowhere.
    """

    symptoms: tuple[tuple[str, int, int], ...] = ()
    part_classes: tuple[tuple[str, int, int], ...] = ()
    of_letters: tuple[tuple[str, int, int], ...] = ()
    not_meant: tuple[tuple[str, int, int], ...] = ()
    first: tuple[str, ...] = ()
    spent: tuple[tuple[int, int], ...] = ()


NOTHING_MEANT = Meant()


@dataclass(frozen=True, slots=True)
class Group:
    """One thing asked for and the terms that answer it, each with its weight.

    `guessed` says whether the word may stand for others where no case holds it.
    """

    typed: str
    folded: str
    kind: str
    terms: tuple[tuple[str, float], ...]
    start: int
    end: int
    guessed: bool = True


@dataclass(frozen=True, slots=True)
class Plan:
    """A query as read; `text` is the part of it that was kept.

    `devices` are the index terms of the devices and places it names, with which families are told apart;
    cases in which a class of `not_meant` was tried are lowered, and those of `first` lead.
    """

    text: str
    groups: tuple[Group, ...]
    phrases: tuple[tuple[str, ...], ...]
    excluded: tuple[tuple[str, ...], ...]
    devices: tuple[str, ...] = ()
    not_meant: tuple[str, ...] = ()
    first: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether nothing was typed at all (rather than nothing useful)."""
        return not self.text.strip()


def read_query(query: str, analysis: Analysis, meant: Meant = NOTHING_MEANT) -> Plan:
    """The plan of `query`; never raises, and reads no more than its first 600 characters.

    What `meant` says is asked for beside the words; its places are those of `query`.
    """
    text = query[:MOST_CHARACTERS].translate(_QUOTES)
    phrases: list[tuple[str, ...]] = []
    excluded: list[tuple[str, ...]] = []
    kept = list(text)
    for start, end in meant.spent:
        kept[start:end] = " " * (min(end, len(kept)) - start)
    text_of_words = "".join(kept)
    for match in _MARKED.finditer(text_of_words):
        inside = match["phrase"] if match["phrase"] is not None else match["word"]
        terms = tuple(token.term for token in analysis.tokens(inside))
        if match["minus"] or match["word"] is not None:
            kept[match.start() : match.end()] = " " * (match.end() - match.start())
            if terms:
                excluded.append(terms)
        elif len(terms) > 1:
            phrases.append(terms)
    rest = "".join(kept)
    tokens = analysis.tokens(rest)
    devices = analysis.devices(tokens)
    groups = _groups(rest, tokens, devices, analysis, meant)
    return Plan(
        text,
        tuple(groups),
        _few(phrases),
        _few(excluded),
        tuple(dict.fromkeys(key for key, _, _ in devices)),
        tuple(dict.fromkeys(name for name, _, _ in meant.not_meant)),
        meant.first,
    )


def _few(phrases: list[tuple[str, ...]]) -> tuple[tuple[str, ...], ...]:
    return tuple(dict.fromkeys(phrases))[:MOST_PHRASES]


@lru_cache(maxsize=1)
def everyday_words() -> frozenset[str]:
    """The everyday words of all languages, folded."""
    return frozenset(fold(word) for language in LANGUAGES for word in common_words(language))


def _groups(
    text: str,
    tokens: list[Token],
    devices: list[tuple[str, int, int]],
    analysis: Analysis,
    meant: Meant,
) -> list[Group]:
    names: dict[int, tuple[tuple[str, ...], int]] = {}
    for concept in analysis.concepts(tokens, text):
        if concept.present:
            for at in range(concept.first, concept.last):
                names[at] = (concept.keys, concept.last - concept.first)
    in_device = {at for _, first, last in devices for at in range(first, last)}
    long = len(tokens) >= _LONG
    groups: dict[str, Group] = {}
    for at, token in enumerate(tokens):
        if _within(token, meant.not_meant) or token.term in groups or len(groups) >= MOST_GROUPS:
            continue
        keys, width = names.get(at, ((), 1))
        group = _group(token, text, keys, width)
        if keys or is_exact(group):
            factor = 1.0
        elif at in in_device:
            factor = _DEVICE_WORD
        elif _within(token, meant.symptoms):
            factor = _TOLD
        elif long and token.folded in everyday_words():
            factor = _CHATTER
        else:
            factor = 1.0
        if factor != 1.0:
            terms = tuple((term, weight * factor) for term, weight in group.terms)
            group = replace(group, terms=terms, guessed=False)
        groups[token.term] = group
    asked = {term for group in groups.values() for term, _ in group.terms}
    return [*groups.values(), *_further(text, tokens, devices, meant, asked)]


def _within(token: Token, spans: tuple[tuple[str, int, int], ...]) -> bool:
    return any(start < token.end and token.start < end for _, start, end in spans)


def _further(
    text: str, tokens: list[Token], devices: list[tuple[str, int, int]], meant: Meant, asked: set[str]
) -> Iterator[Group]:
    """A group for each name that the words themselves do not ask for already."""
    for name, start, end in meant.symptoms:
        terms = _symptom_terms(name)
        if terms[0][0] not in asked:
            asked.add(terms[0][0])
            yield Group(text[start:end], "", NAME, terms, start, end, guessed=False)
    named = [(concept_key(PART, name), start, end, _PART_READ) for name, start, end in meant.part_classes]
    named += [
        (concept_key(PART, name), start, end, _CLASS_OF_LETTER) for name, start, end in meant.of_letters
    ]
    named += [(key, tokens[first].start, tokens[last - 1].end, _DEVICE) for key, first, last in devices]
    for key, start, end, weight in named:
        if key not in asked:
            asked.add(key)
            yield Group(text[start:end], "", NAME, ((key, weight),), start, end, guessed=False)


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
    """Whether the group is a designator, code, value, number or name, which is never guessed at."""
    return group.kind != WORD
