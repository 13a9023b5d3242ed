"""What in a free text may tell of a person: numbers, addresses and names, found and replaced by what they were.

`personal.py` knows what is recognised by its form, `personal_words.py` the words around names. Both mask rather
too much than too little, and are no proof that nothing is left: people look through the rest.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from kb.exchange import personal
from kb.exchange.personal import Span
from kb.exchange.personal_words import (
    BEFORE_NAMES,
    ENDINGS,
    LIKELY_TITLES,
    PARTICLES,
    TITLES,
    WITH_A_DOT,
    WORD,
    everyday_words,
    folded,
    is_known,
    trade_words,
)

_SHORTEST_WORD = 3
_SHORTEST_STEM = 4
_SHORTEST_INSIDE = 6
_LONGEST_ENDING = 3
_LONGEST_NAME = 8
_LONGEST_TITLE = 5
_WITHIN_A_NAME = frozenset("-'’.‐‑")


class _Word(NamedTuple):
    text: str
    folded: str
    start: int
    end: int


@dataclass(slots=True)
class Mask:
    """Masks texts. `names` are the customers and people a store knows, `words` what somebody added by hand.

    A name is masked as a whole, in parts of several words, and by each of its words of three letters and more
    that is no word of the trade or of every day; however it is spelled (Müller, Mueller). A name that is a word of
    the trade and nothing else ("Fan") is masked behind a title or "customer" only. `found` counts what was
    masked, by kind.
    """

    names: Iterable[str] = ()
    words: Iterable[str] = ()
    found: Counter[str] = field(default_factory=Counter)
    _phrases: dict[str, set[tuple[str, ...]]] = field(default_factory=dict)
    _longest: dict[str, int] = field(default_factory=dict)
    _only: set[str] = field(default_factory=set)  # words of the trade that are somebody's whole name
    _weak: set[str] = field(default_factory=set)
    _stems: dict[str, set[str]] = field(default_factory=dict)
    _inside: set[str] = field(default_factory=set)
    _lengths: dict[str, set[int]] = field(
        default_factory=dict
    )  # of those of `_inside`, by their first letters

    def __post_init__(self) -> None:
        for name in self.names:
            self._know(WORD.findall(name.casefold())[:_LONGEST_NAME])
        for word in self.words:
            if parts := WORD.findall(word.casefold()):
                self._add(parts)
                if len(parts) == 1 and not is_known(parts[0]):
                    self._add_stem(parts[0])

    def _know(self, parts: list[str]) -> None:
        strong = [len(part) >= _SHORTEST_WORD and not part.isdigit() and not is_known(part) for part in parts]
        if len("".join(parts)) > 1 and (len(parts) > 1 or not is_known(parts[0])):
            self._add(parts)
        if len(parts) == 1 and is_known(parts[0]):
            self._only.add(folded(parts[0]))
        for begin in range(len(parts)):
            for end in range(begin + 1, len(parts) + 1):
                if any(strong[begin:end]):
                    self._add(parts[begin:end])
        for part, is_strong in zip(parts, strong, strict=True):
            if is_strong:
                self._add_stem(part)
            elif len(part) >= _SHORTEST_STEM and part in everyday_words() and part not in trade_words():
                self._weak.add(folded(part))

    def _add(self, parts: list[str]) -> None:
        phrase = tuple(map(folded, parts))
        self._phrases.setdefault(phrase[0], set()).add(phrase)
        self._longest[phrase[0]] = max(self._longest.get(phrase[0], 0), len(phrase))

    def _add_stem(self, part: str) -> None:
        stem = folded(part)
        if len(stem) >= _SHORTEST_INSIDE:
            self._inside.add(stem)
            self._lengths.setdefault(stem[:_SHORTEST_INSIDE], set()).add(len(stem))
        elif len(stem) >= _SHORTEST_STEM:
            self._stems.setdefault(stem[:_SHORTEST_STEM], set()).add(stem)

    def finds(self, text: str) -> bool:
        """Whether anything in the text would be masked; it is not counted."""
        return any(True for _ in self._pieces(text))

    def _pieces(self, text: str) -> Iterator[Span]:
        words = [_Word(hit[0], folded(hit[0]), *hit.span()) for hit in WORD.finditer(text)]
        return _apart((*personal.spans(text), *self._names(text, words)), len(text))

    def text(self, text: str) -> str:
        """The text with everything that was found replaced by what it was."""
        kept, at = [], 0
        for start, end, kind in self._pieces(text):
            self.found[kind] += 1
            kept += [text[at:start], f"[{kind}]"]
            at = end
        return "".join([*kept, text[at:]])

    def _names(self, text: str, words: list[_Word]) -> Iterator[Span]:
        place = 0
        while place < len(words):
            if end := self._called(text, words, place):
                # The title goes along: it tells whether somebody is a man or a woman.
                first = place + (words[place].text.casefold() in BEFORE_NAMES)
                yield Span(words[first].start, words[end - 1].end, "name")
                place = end
            elif taken := self._known_at(text, words, place):
                yield Span(words[place].start, words[place + taken - 1].end, "name")
                place += taken
            else:
                place += 1

    def _called(self, text: str, words: list[_Word], place: int) -> int:
        """Where the name ends that follows a title, or that "family" follows; 0 where there is none."""
        word = words[place].text.casefold()
        if word in TITLES or word in LIKELY_TITLES or word in WITH_A_DOT or word in BEFORE_NAMES:
            sure, after = word in TITLES, place + 1
            if word not in BEFORE_NAMES and not _is_title(text, words, place):
                return 0
            while after < min(place + _LONGEST_TITLE, len(words)) and _is_more_title(text, words, after):
                sure, after = sure or words[after].text.casefold() in TITLES, after + 1
            return self._end_of_name(text, words, after, sure)
        follows = words[place + 1].text if place + 1 < len(words) else ""
        is_family = follows == "family" and text[words[place].end : words[place + 1].start].isspace()
        return place + 2 if is_family and words[place].text[0].isupper() and not is_known(word) else 0

    def _end_of_name(self, text: str, words: list[_Word], begin: int, sure: bool) -> int:
        end, named = begin, 0
        while end < len(words) and end - begin < _LONGEST_NAME:
            gap = text[words[end - 1].end : words[end].start]
            word = words[end].text
            if gap in _WITHIN_A_NAME and named:
                named = end + 1
            elif (
                gap.strip(" \u00a0") not in ("", ".", ":")
                or len(gap) > 3
                or "\n" in gap
                or (named and gap.strip())
            ):
                break
            elif word.casefold() in PARTICLES and not word.istitle():
                pass
            elif (
                word[0].isupper()
                and (not is_known(word) or (sure and not named) or self._is_only_name(word, named))
            ) or (sure and not named and not is_known(word) and not word.isdigit() and end == begin):
                named = end + 1
            elif word.casefold() in PARTICLES:
                pass
            else:
                break
            end += 1
        return named

    def _is_only_name(self, word: str, named: int) -> bool:
        return not named and folded(word) in self._only

    def _known_at(self, text: str, words: list[_Word], place: int) -> int:
        """How many words from here on are a name that the store knows; 0 where none is."""
        word = words[place].folded
        phrases = self._phrases.get(word)
        if phrases:
            longest = min(self._longest[word], len(words) - place)
            for length in range(longest, 0, -1):
                if tuple(entry.folded for entry in words[place : place + length]) in phrases:
                    return length
        if (
            self._begins(word)
            or self._holds(word)
            or (word in self._weak and _stands_out(text, words[place]))
        ):
            return 1
        return 0

    def _begins(self, word: str) -> bool:
        stems = self._stems.get(word[:_SHORTEST_STEM], ())
        return any(word.startswith(stem) and len(word) - len(stem) <= _LONGEST_ENDING for stem in stems)

    def _holds(self, word: str) -> bool:
        for start in range(len(word) - _SHORTEST_INSIDE + 1 if self._inside else 0):
            lengths = self._lengths.get(word[start : start + _SHORTEST_INSIDE], ())
            if any(word[start : start + length] in self._inside for length in lengths):
                return True
        return False


def _is_title(text: str, words: list[_Word], place: int) -> bool:
    word = words[place].text
    plain, after = word.casefold(), text[words[place].end : words[place].end + 1]
    if plain in WITH_A_DOT:
        return word.isupper() and after == "."
    return plain in TITLES or (plain in LIKELY_TITLES and word[0].isupper() and not word.isupper())


def _is_more_title(text: str, words: list[_Word], place: int) -> bool:
    if words[place].text in ENDINGS:
        return text[words[place - 1].end : words[place].start] == "."
    return words[place].text.casefold() in TITLES | LIKELY_TITLES and _is_title(text, words, place)


def _stands_out(text: str, word: _Word) -> bool:
    """Whether an everyday word is written as a name: with a capital that neither a sentence nor German gives it."""
    before = text[max(0, word.start - 4) : word.start].rstrip()
    begins = word.start == 0 or not before or before[-1] in ".!?:;\n"
    return word.text[0].isupper() and not begins and word.text.casefold() not in everyday_words("de")


def _apart(found: Iterable[Span], length: int) -> Iterator[Span]:
    """Pieces in order, none within or over another: what was found first keeps its place, and grows."""
    owner = [0] * length
    kinds = [""]
    for number, span in enumerate(found, start=1):
        kinds.append(span.kind)
        for place in range(span.start, span.end):
            owner[place] = owner[place] or number
    start = 0
    for place in range(1, length + 1):
        # Pieces of a kind that touch each other are one.
        if place == length or (owner[place] != owner[start] and kinds[owner[place]] != kinds[owner[start]]):
            if owner[start]:
                yield Span(start, place, kinds[owner[start]])
            start = place
