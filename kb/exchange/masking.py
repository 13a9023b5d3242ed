"""What in a free text may tell of a person: numbers, addresses and names, found and replaced by what they were.

The patterns rest on how such things are usually written (common practice, no published source). They mask
rather too much than too little, and are no proof that nothing is left: people look through the rest.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.vocabulary import SECTIONS

_MAIL = re.compile(r"(?<![^\s@<>()\[\],;:])[^\s@<>()\[\],;:]+@[^\s@<>()\[\],;:]+")
_DAY = re.compile(r"\b(?:\d{4}-\d\d-\d\d|\d{1,2}[./]\d{1,2}[./]\d{2,4})\b")
_PHONE = re.compile(r"(?<![\w.,])\+?\(?\d(?:[ \t()/.-]{0,3}\d){6,14}(?!\w)")
_CALLED = re.compile(
    r"(?i)\b(?:tel|phone|call|ring|mobile|cell|fax|mob)\b[^\d\n]{0,12}(\+?\d[\d ()/.-]{3,}\d)"
)
_STREETS = (
    r"street|st|road|rd|lane|ln|avenue|ave|quay|close|drive|way|court|square|terrace|row|wharf|crescent|place"
    r"|rue|via|calle|plaza|gate|vei|gata"
)
_HOUSE = re.compile(rf"(?i)\b\d{{1,4}}[a-z]?,?\s+(?:[^\W\d]+\.?\s+){{1,3}}(?:{_STREETS})\b\.?")
_HOUSE_LAST = re.compile(
    r"(?i)\b(?:(?-i:[A-ZÄÖÜ])[^\W\d]*[ -])?[^\W\d]*"
    r"(?:stra(?:ß|ss)e|str\.|weg|gasse|platz|allee|straat|laan|gatan|vägen|veien)"
    r"\s+\d{1,4}\s?[a-z]?\b"
)
_ROAD_FIRST = re.compile(r"(?i)\b(?:rue|via|calle|plaza)\s+(?:[^\W\d]+\s+){1,4}\d{1,4}\b")
_POSTCODE = re.compile(r"\b[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}\b|\b\d{5} (?=[A-ZÄÖÜ][a-zäöüß]{2,})")
_TITLED = re.compile(
    r"\b(?:Mr|Mrs|Ms|Miss|Dr|Prof|Herr|Frau|Mme|Monsieur|Madame|Signora?|Señora?)\.?\s+"
    r"[^\W\d_][\w'’-]*(?:\s+[A-ZÄÖÜÉ][\w'’-]+)?"
)
_WORD = re.compile(r"\w+")
_SHORTEST_WORD = 3
_SHORTEST_INSIDE = 4


def _trade_words() -> frozenset[str]:
    lists = [(entry.name, *entry.synonyms) for entry in SYMPTOMS]
    lists += [(entry.name, *entry.synonyms) for entry in PART_CLASSES]
    texts = [text for entry in lists for text in entry] + [word.value for word in SECTIONS]
    more = (
        "the and for with from not desk front shop office service repair board boards display machine ticket "
        "supply power unit main set customer private hotel bench line works workshop"
    )
    return frozenset(word for text in (*texts, more) for word in _WORD.findall(text.casefold()))


TRADE_WORDS = _trade_words()


@dataclass(slots=True)
class Mask:
    """Masks texts. `names` are the customers and people a store knows, `words` what somebody added by hand.

    A name is masked as a whole and by each of its words of three letters and more that no fault is
    described with. `found` counts what was masked, by kind.
    """

    names: Iterable[str] = ()
    words: Iterable[str] = ()
    found: Counter[str] = field(default_factory=Counter)
    _phrases: dict[str, list[tuple[str, ...]]] = field(default_factory=dict)
    _inside: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        phrases: set[tuple[str, ...]] = set()
        for name in self.names:
            parts = tuple(_WORD.findall(name.casefold()))
            if len("".join(parts)) > 1:
                phrases.add(parts)
            phrases |= {
                (part,)
                for part in parts
                if len(part) >= _SHORTEST_WORD and not part.isdigit() and part not in TRADE_WORDS
            }
        phrases |= {parts for word in self.words if (parts := tuple(_WORD.findall(word.casefold())))}
        for parts in phrases:
            self._phrases.setdefault(parts[0], []).append(parts)
            if len(parts) == 1 and len(parts[0]) >= _SHORTEST_INSIDE and parts[0] not in TRADE_WORDS:
                self._inside.add(parts[0])
        for same in self._phrases.values():
            same.sort(key=len, reverse=True)

    def text(self, text: str) -> str:
        """The text with everything that was found replaced by what it was."""
        if not text:
            return text
        text = self._by(_MAIL, "e-mail", text)
        for pattern in (_HOUSE, _HOUSE_LAST, _ROAD_FIRST, _POSTCODE):
            text = self._by(pattern, "address", text)
        text = _CALLED.sub(lambda hit: self._called(hit), text)
        text = self._phones(text)
        text = self._by(_TITLED, "name", text)
        return self._known(text)

    def _by(self, pattern: re.Pattern[str], kind: str, text: str) -> str:
        text, times = pattern.subn(f"[{kind}]", text)
        if times:
            self.found[kind] += times
        return text

    def _called(self, hit: re.Match[str]) -> str:
        self.found["phone"] += 1
        return hit[0][: hit.start(1) - hit.start()] + "[phone]"

    def _phones(self, text: str) -> str:
        days = dict(hit.span() for hit in _DAY.finditer(text))
        begins = list(days)

        def phone(hit: re.Match[str]) -> str:
            before = bisect_right(begins, hit.start())
            if before and hit.end() <= days[begins[before - 1]]:
                return hit[0]
            self.found["phone"] += 1
            return "[phone]"

        return _PHONE.sub(phone, text)

    def _known(self, text: str) -> str:
        if not self._phrases:
            return text
        words = [(hit[0].casefold(), *hit.span()) for hit in _WORD.finditer(text)]
        kept, at, place = [], 0, 0
        while place < len(words):
            taken = self._length_at(words, place)
            if taken:
                kept += [text[at : words[place][1]], "[name]"]
                at = words[place + taken - 1][2]
                self.found["name"] += 1
            place += taken or 1
        return "".join([*kept, text[at:]])

    def _length_at(self, words: list[tuple[str, int, int]], place: int) -> int:
        """How many words from here on are one name; 0 where none is."""
        word = words[place][0]
        for parts in self._phrases.get(word, ()):
            if tuple(entry[0] for entry in words[place : place + len(parts)]) == parts:
                return len(parts)
        longest = len(word)
        inside = (
            word[start:end]
            for start in range(longest - _SHORTEST_INSIDE + 1)
            for end in range(start + _SHORTEST_INSIDE, longest + 1)
        )
        return int(longest <= 80 and word not in TRADE_WORDS and any(part in self._inside for part in inside))
