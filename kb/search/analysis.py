"""The one chain that turns text into terms: for indexing, for queries and for free-text evidence.

A text becomes tokens in reading order. Each token has one index term, the further terms it also
answers to, and its place in the original text, so that a match can be shown where it was written.
Names that consist of several words (symptoms, part classes, trade names) are then found as concepts:
the longest name wins, and a name that is denied ("no hum", "fuse not blown") is marked as not present.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from typing import NamedTuple

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.word_lists import devices
from kb.search.codes import (
    CODE,
    DESIGNATOR,
    DESIGNATOR_LETTERS,
    NUMBER,
    STANDBY_TAILS,
    UNIT_CHUNK,
    VALUE,
    WORD,
    Reading,
    glued_values,
    is_designator,
    read_chunk,
    read_value,
)
from kb.search.normalization import (
    COMPOUNDS,
    NOT,
    NOT_CODE_PREFIX,
    STOP_WORDS,
    TRADE_NAMES,
    cached_if_short,
    fold,
    word_term,
)
from kb.search.spelling import Speller

FORMAT = 4
"""Raise when terms change, so that an index made by an older chain is rebuilt."""

SYMPTOM, PART, TRADE, DEVICE = "symptom", "part", "trade", "device"
Names = Sequence[tuple[str, Sequence[str]]]

_LETTERS = r"[^\W\d_][\u0300-\u036f]*"
_RUN = r"(?:[^\W_][\u0300-\u036f]*)+"
_CHUNK = re.compile(rf"{_RUN}(?:(?:(?<=\d)[.,](?=\d)|['’`](?={_LETTERS})|[-_]){_RUN})*")
_SPLIT = re.compile(rf"{_RUN}(?:(?<=\d)[.,](?=\d){_RUN}|['’`]{_RUN})*")
_BREAK = re.compile(r"[.;:,!?\n()]|\b(?:and|but|then|now|however|although|und|aber)\b", re.IGNORECASE)
_REACH = 2  # words that may stand between "no" and what it denies
_CACHED_CHUNKS = 8_192  # those met last: a trade has some thousand words, and each note a number of its own
_COMPOUND_STARTS = frozenset(first for first, _ in COMPOUNDS) | {"rev", "revis"}
_SIGN_BEFORE = " \t\n(,;/"
# What telephones and data sheets print for a hyphen or a space, one for one so that places stay.
_PLAIN = str.maketrans(
    {
        **dict.fromkeys("\u2010\u2011\u2012\u2013\ufe63\uff0d", "-"),
        **dict.fromkeys("\u00a0\u2007\u2009\u202f", " "),
    }
)


class Token(NamedTuple):
    """One term of a text, with the characters `start:end` it stands for."""

    kind: str
    term: str
    extras: tuple[str, ...]
    folded: str
    start: int
    end: int


class Concept(NamedTuple):
    """A name of the trade found at tokens `first:last`; `keys` are its index terms."""

    keys: tuple[str, ...]
    first: int
    last: int
    present: bool


def concept_key(kind: str, name: str) -> str:
    """The index term of a concept; the colon keeps it apart from every term of a text."""
    return f"{kind}:{name}"


class Analysis:
    """The analysis chain with its lists of names; immutable once made.

    `symptoms` and `part_classes` are lists of (name, other names). A shop that adds a symptom makes a new
    `Analysis`, which an index then adopts.
    """

    def __init__(
        self,
        symptoms: Names | None = None,
        part_classes: Names | None = None,
        trade_names: Names = TRADE_NAMES,
    ) -> None:
        if symptoms is None:
            symptoms = tuple((symptom.name, symptom.synonyms) for symptom in SYMPTOMS)
        if part_classes is None:
            part_classes = tuple((part.name, part.synonyms) for part in PART_CLASSES)
        self._chunk = cached_if_short(_tokens_of, most=_CACHED_CHUNKS, longest=40)
        self._lists = ((SYMPTOM, symptoms), (PART, part_classes), (TRADE, trade_names))
        self.lexicon = Lexicon(self, ((kind, *entry) for kind, names in self._lists for entry in names))
        # Found apart from the names above, so that "display" takes nothing from "display shows garbage".
        self._devices = Lexicon(self, ((DEVICE, name, others) for name, others in devices().items()))

    def __reduce__(self) -> tuple[object, ...]:
        return Analysis, self.names

    @property
    def names(self) -> tuple[Names, ...]:
        """The lists of names that make this analysis again: `Analysis(*names)`."""
        return tuple(names for _, names in self._lists)

    @cached_property
    def fingerprint(self) -> str:
        """Changes when the chain or one of its lists does."""
        from hashlib import sha256

        lists = [(kind, [(name, list(others)) for name, others in names]) for kind, names in self._lists]
        lists.append((DEVICE, [(name, list(others)) for name, others in devices().items()]))
        return sha256(f"{FORMAT}{lists!r}".encode()).hexdigest()[:16]

    def other_names(self) -> Iterator[tuple[str, str]]:
        """(another name, index term of what it names) of all symptoms and part classes."""
        for kind, names in self._lists:
            if kind != TRADE:
                yield from ((other, concept_key(kind, name)) for name, others in names for other in others)

    def tokens(self, text: str) -> list[Token]:
        """The content tokens of `text` in reading order; words that carry no meaning are left out."""
        found: list[Token] = []
        if not text.isascii():
            text = text.translate(_PLAIN)
        for match in _CHUNK.finditer(text):
            start = match.start()
            for kind, term, extras, folded, first, last in self._chunk(match.group()):
                found.append(Token(kind, term, extras, folded, start + first, start + last))
        return list(_joined(found, text))

    def concepts(self, tokens: Sequence[Token], text: str) -> list[Concept]:
        """The names of the trade among `tokens`, which must come from `text`."""
        return self.lexicon.find(tokens, text)

    def devices(self, tokens: Sequence[Token]) -> list[tuple[str, int, int]]:
        """(index term, first token, token behind the last) of the devices and places that `tokens` name."""
        return [(concept.keys[0], concept.first, concept.last) for concept in self._devices.find(tokens, "")]


def _tokens_of(raw: str) -> tuple[Token, ...]:
    return tuple(_read(raw))


def _read(raw: str) -> Iterator[Token]:
    folded = fold(raw)
    if not any(letter.isdecimal() for letter in folded):
        if "-" in folded or "_" in folded:
            yield from _hyphenated(raw)
        else:
            yield Token(WORD, word_term(folded), (), folded, 0, len(raw))
        return
    reading = read_chunk(folded, raw)
    if reading is not None and reading.kind == CODE and (cut := glued_values(folded, raw)):
        yield from _read(raw[:cut])
        yield from (
            piece._replace(start=piece.start + cut, end=piece.end + cut) for piece in _read(raw[cut:])
        )
        return
    if reading is not None:
        yield Token(reading.kind, reading.term[:80], reading.extras, folded, 0, len(raw))
        return
    for match in _SPLIT.finditer(raw):
        part = match.group()
        pieces = _read(part) if part != raw else _read_plain(raw)
        for piece in pieces:
            yield piece._replace(start=match.start() + piece.start, end=match.start() + piece.end)


def _read_plain(raw: str) -> Iterator[Token]:
    for match in re.finditer(_RUN, raw):
        for piece in _read(match.group()):
            yield piece._replace(start=match.start() + piece.start, end=match.start() + piece.end)


def _hyphenated(raw: str) -> Iterator[Token]:
    parts = list(_SPLIT.finditer(raw))
    joined = word_term("".join(fold(part.group()) for part in parts))
    for number, part in enumerate(parts):
        folded = fold(part.group())
        extras = (joined,) if number == 0 and len(parts) > 1 else ()
        yield Token(WORD, word_term(folded), extras, folded, part.start(), part.end())


def _joined(pieces: list[Token], text: str) -> Iterator[Token]:
    """`pieces` with what belongs together joined ("c 9", "4.7 k", "5 V SB") and stop words left out."""
    at, last = 0, len(pieces) - 1
    while at <= last:
        token, used = pieces[at], 1
        if token.kind != WORD or (
            at < last and (token.term in _COMPOUND_STARTS or pieces[at + 1].kind == NUMBER)
        ):
            token, used = _join_at(pieces, at, text)
        at += used
        if token.kind != WORD or token.folded not in STOP_WORDS:
            yield token


def _join_at(pieces: list[Token], at: int, text: str) -> tuple[Token, int]:
    token = pieces[at]
    following = pieces[at + 1] if at + 1 < len(pieces) else None
    near = following is not None and text[token.end : following.start] in (" ", "  ", "-", ".", ". ", "_", "")
    if token.kind in (NUMBER, VALUE):
        return _join_value(pieces, at, text) if near else (_signed(token, text), 1)
    if token.kind != WORD or following is None or not near:
        return token, 1
    if following.kind == NUMBER and following.folded.isdecimal():
        return _join_code(pieces, at, text)
    if following.kind == WORD and (joined := COMPOUNDS.get((token.term, following.term))):
        extras = tuple(
            term for term in (token.term, following.term) if term not in STOP_WORDS and term != joined
        )
        folded = token.folded + following.folded
        return Token(WORD, word_term(joined), extras, folded, token.start, following.end), 2
    if token.folded in ("rev", "revision") and len(following.folded) <= 2:
        return Token(
            CODE, "rev" + following.folded, (), "rev" + following.folded, token.start, following.end
        ), 2
    return token, 1


def _signed(token: Token, text: str) -> Token:
    before = token.start - 1
    if token.kind == VALUE and before >= 0 and text[before] in "-\u2212":
        if before and text[before - 1] not in _SIGN_BEFORE:
            return token
        return token._replace(term="-" + token.term, extras=(token.term, *token.extras), start=before)
    return token


def _join_value(pieces: list[Token], at: int, text: str) -> tuple[Token, int]:
    token, used = pieces[at], 1
    following = pieces[at + 1]
    if token.kind == NUMBER and following.kind == WORD and UNIT_CHUNK.fullmatch(following.folded):
        raw = text[token.start : token.end] + text[following.start : following.end]
        if reading := read_value(fold(raw), raw):
            token, used = _merged(reading, token, following), 2
    after = pieces[at + used] if at + used < len(pieces) else None
    if (
        after is not None
        and token.kind == VALUE
        and token.term.endswith("v")
        and text[token.end : after.start].strip(" -_") == ""
    ):
        tail = after.folded
        by = pieces[at + used + 1].folded if at + used + 1 < len(pieces) else ""
        used_by = 1 if tail == "stand" and by == "by" else 0
        if tail in STANDBY_TAILS or used_by:
            reading = read_value(token.term + "sb", token.term)
            if reading:
                last = pieces[at + used + used_by]
                return _signed(_merged(reading, token, last), text), used + 1 + used_by
    return _signed(token, text), used


def _merged(reading: Reading, first: Token, last: Token) -> Token:
    return Token(reading.kind, reading.term, reading.extras, reading.term, first.start, last.end)


def _join_code(pieces: list[Token], at: int, text: str) -> tuple[Token, int]:
    """A word followed by a whole number: "c 9" is a designator, "hx 210" may be a board code."""
    token, number = pieces[at], pieces[at + 1]
    after = pieces[at + 2] if at + 2 < len(pieces) else None
    has_unit = (
        after is not None
        and after.kind == WORD
        and text[number.end : after.start] in ("", " ")
        and UNIT_CHUNK.fullmatch(after.folded) is not None
        and after.folded not in ("a", "s")
    )
    letters = token.folded
    joined = letters + number.folded
    if has_unit or not letters.isascii() or not letters.isalpha():
        return token, 1
    if letters in DESIGNATOR_LETTERS and letters not in NOT_CODE_PREFIX and is_designator(joined):
        return Token(DESIGNATOR, joined, (), joined, token.start, number.end), 2
    if 2 <= len(letters) <= 4 and letters not in NOT_CODE_PREFIX and len(number.folded) >= 2:
        reading = read_chunk(joined, joined)
        if reading:
            extras = (*reading.extras, token.term, number.term)
            return Token(CODE, reading.term, extras, joined, token.start, number.end), 2
    return token, 1


class Lexicon:
    """Names of one or more words and how to find them in tokens. The longest name at a place wins."""

    def __init__(self, analysis: Analysis, entries: Iterable[tuple[str, str, Sequence[str]]]) -> None:
        phrases: dict[tuple[str, ...], dict[str, None]] = {}
        self.words: dict[str, str] = {}
        self._named_by: dict[str, dict[str, None]] = {}
        self.terms: set[str] = set()
        turned: list[tuple[tuple[str, ...], str]] = []
        for kind, name, others in entries:
            key = concept_key(kind, name)
            for spelling in (name, *others):
                tokens = analysis.tokens(spelling)
                terms = tuple(token.term for token in tokens)
                if not terms:
                    continue
                phrases.setdefault(terms, {})[key] = None
                if len(terms) == 2 and NOT not in terms:
                    turned.append((terms[::-1], key))
                self.terms.update(terms)
                for term in terms if kind != TRADE else ():
                    self._named_by.setdefault(term, {})[key] = None
                self.words.update((token.folded, token.term) for token in tokens if token.kind == WORD)
        for terms, key in turned:
            if terms not in phrases:
                phrases[terms] = {key: None}
        self._phrases = {terms: tuple(keys) for terms, keys in phrases.items()}
        lengths: dict[str, set[int]] = {}
        for terms in self._phrases:
            lengths.setdefault(terms[0], set()).add(len(terms))
        self._lengths = {first: tuple(sorted(sizes, reverse=True)) for first, sizes in lengths.items()}

    def differing(self, other: Lexicon) -> set[tuple[str, ...]]:
        """The spellings, as terms, that mean something else here than they do to `other`."""
        spellings = self._phrases.keys() | other._phrases.keys()
        return {terms for terms in spellings if self._phrases.get(terms) != other._phrases.get(terms)}

    @cached_property
    def speller(self) -> Speller:
        """Finds the words of names that are near a misspelt one."""
        return Speller(word for word in self.words if word.isalpha())

    def naming(self, term: str) -> tuple[str, ...]:
        """The keys of the symptoms and part classes that have `term` as a word in one of their names."""
        return tuple(self._named_by.get(term, ()))

    def find(self, tokens: Sequence[Token], text: str) -> list[Concept]:
        """The names among `tokens`; a denial may stand inside a name."""
        terms = [token.term for token in tokens]
        found: list[Concept] = []
        at = 0
        while at < len(terms):
            hit = self._at(terms, at)
            if hit is None:
                at += 1
                continue
            keys, used, denied = hit
            denied = denied or self._denied(terms, at, tokens, text, found)
            found.append(Concept(keys, at, at + used, not denied))
            at += used
        return found

    def _at(self, terms: list[str], at: int) -> tuple[tuple[str, ...], int, bool] | None:
        """The longest name starting at token `at`: its keys, the tokens used, and whether denied inside."""
        lengths = self._lengths.get(terms[at])
        if not lengths:
            return None
        room = len(terms) - at
        for length in lengths:
            if length > room:
                continue
            if keys := self._phrases.get(tuple(terms[at : at + length])):
                return keys, length, False
            if length < 2 or length == room or terms[at] == NOT:
                continue
            for gap in range(1, length):
                if terms[at + gap] != NOT:
                    continue
                if keys := self._phrases.get((*terms[at : at + gap], *terms[at + gap + 1 : at + length + 1])):
                    return keys, length + 1, True
        return None

    def _denied(
        self, terms: list[str], at: int, tokens: Sequence[Token], text: str, found: list[Concept]
    ) -> bool:
        start = found[-1].last if found else 0
        for back in range(at - 1, max(start, at - 1 - _REACH) - 1, -1):
            if _BREAK.search(text[tokens[back].end : tokens[back + 1].start]):
                return False
            if terms[back] == NOT:
                return True
        if found and start == at and not found[-1].present:
            between = text[tokens[at - 1].end : tokens[at].start].casefold()
            return between.strip() in ("or", "nor", "/", "oder")
        return False
