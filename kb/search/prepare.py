"""From a case to its index terms with weights: where a word stands decides how much it counts.

One indexed field acts like several, as in "Simple BM25 extension to multiple weighted fields" (S. Robertson,
H. Zaragoza, M. Taylor, CIKM 2004): the weight of a term is its counts times the weights of their zones, and
the length of a case its words times the same weights. `kb.search.bm25` states the formula.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from struct import Struct
from typing import Any, NamedTuple
from zlib import crc32

from kb.search.analysis import Analysis, Token
from kb.search.codes import WORD
from kb.search.document import FACETS, CaseDocument
from kb.search.kept import keeping

ZONE_WEIGHTS: dict[str, float] = {
    "family": 5.0,
    "aliases": 2.5,
    "complaint": 1.0,
    "symptoms": 2.5,
    "parts": 3.0,
    "part_classes": 2.5,
    "sections": 1.0,
    "fixes": 2.0,
    "notes": 0.7,
    "kind": 1.0,
    "verdict": 1.0,
}
EXTRA_SHARE = 0.8
NO_POSITION, MANY_POSITIONS, LAST_POSITION = 0xFFFF, 0xFFFE, 0xFFF0
PLACES = 4
_PLACES = Struct(f"<{PLACES}H")
_NOWHERE = (NO_POSITION,) * PLACES
_GAP = 8
_ANNOUNCEMENTS = 3
_TABLE_SIZE = 1_000
_ONE_PLACE = [
    *(_PLACES.pack(place, *_NOWHERE[1:]) for place in range(_TABLE_SIZE)),
    _PLACES.pack(*_NOWHERE),
]
LONGEST_TERM = 80
_COMPLETED = (("symptom", "symptoms"), ("alias", "aliases"), ("part", "parts"))
_LONGEST_COMPLETION = 80

OWN_TERMS = LENGTH, DAY, DRAW = "\U0010ffff", "\U0010fffe", "\U0010fffd"
"""Terms that every case holds, whose weights are numbers of the case: its length, its day and a number drawn
from its uid. No text has them; they sort behind all others, from the last on. A weight holds 24 bits exactly."""
DRAWS = 2**24
_OWN_TERMS = tuple(term.encode() for term in OWN_TERMS)
Posting = tuple[bytes, float, bytes]
"""One term of one case: the term in UTF-8, its weight, its packed positions."""


class Prepared(NamedTuple):
    """A case ready for indexing; `tags` carry facets and completions.

    `length` counts the words that were written, each as often as its zone weighs. Further terms and names
    that words stand for add to the weights of terms only. `day` and `draw` put cases of equal score in one
    order in every process and after every rebuild: the latest day first, then by a number drawn from the uid.
    """

    document: CaseDocument
    postings: list[Posting]
    length: float
    day: int
    draw: int
    tags: list[bytes]


class _Zone(NamedTuple):
    terms: tuple[tuple[bytes, float, int], ...]  # term, share of the zone's weight, place or -1
    width: int
    words: tuple[bytes, ...]


class Preparer:
    """Turns cases into postings with one analysis; keeps what it read of short texts that come again.

    Spelling and completion entries are given only to the first few cases of a run that hold them, which
    keeps them in the index's term list at next to no cost. Should all of these be deleted, a word is no
    longer offered until the next rebuild; it is found all the same.
    """

    def __init__(self, analysis: Analysis, *, kept: int = 1_024) -> None:
        """`kept` is how many short texts are held, those that came last."""
        self._zone = keeping(partial(_read_zone, analysis), most=kept, longest=60)
        self._announced: dict[bytes, int] = {}

    def new_run(self) -> None:
        """Forget what was announced: call once for each index segment that is written."""
        self._announced = {}

    def prepare(self, document: CaseDocument) -> Prepared:
        """The postings and tags of `document`."""
        found: dict[bytes, list[Any]] = {}
        place, length = 0, 0.0
        words: list[bytes] = []
        for zone, weight in ZONE_WEIGHTS.items():
            for text in zone_texts(document, zone):
                terms, width, spelt = self._zone(text)
                words += spelt
                length += weight * width
                for term, share, at in terms:
                    entry = found.get(term)
                    if entry is None:
                        found[term] = [weight * share, place + at if at >= 0 else -1, ()]
                        continue
                    entry[0] += weight * share
                    if at >= 0:
                        if entry[1] < 0:
                            entry[1] = place + at
                        else:
                            entry[2] = (*entry[2], place + at)
                place += width + _GAP
        day = min(max(document.day, 0), DRAWS - 1)
        draw = crc32(document.uid.encode(errors="replace")) % DRAWS
        numbers = zip(_OWN_TERMS, (length, day, draw), strict=True)
        postings = [(term, float(number), _packed(-1, ())) for term, number in numbers]
        postings += [(term, weight, _packed(first, rest)) for term, (weight, first, rest) in found.items()]
        return Prepared(document, postings, length, day, draw, list(self._tags(document, words)))

    def _tags(self, document: CaseDocument, words: list[bytes]) -> Iterator[bytes]:
        for facet in FACETS:
            for value in document.facet_values(facet):
                yield _tag(facet, value[:200])
        if document.cured:
            yield b"proof=2" if document.verified else b"proof=1"
        announced = self._announced
        for tag in dict.fromkeys(self._listed(document, words)):
            times = announced.get(tag, 0)
            if times < _ANNOUNCEMENTS:
                announced[tag] = times + 1
                yield tag

    def _listed(self, document: CaseDocument, words: list[bytes]) -> Iterator[bytes]:
        yield from words
        for tag, zone in _COMPLETED:
            for text in getattr(document, zone):
                if text:
                    yield _tag(tag, text[:_LONGEST_COMPLETION])
        complaint = " ".join(document.complaint.split())
        if complaint and len(complaint) <= _LONGEST_COMPLETION:
            yield _tag("complaint", complaint)


def _tag(name: str, value: str) -> bytes:
    return f"{name}={value}".encode(errors="replace")


def zone_texts(document: CaseDocument, zone: str) -> tuple[str, ...]:
    """The texts of one zone of `document`."""
    value = getattr(document, zone)
    if isinstance(value, str):
        return (value,) if value else ()
    return tuple(text for text in value if text)


def _packed(first: int, rest: Sequence[int]) -> bytes:
    if not rest and first < _TABLE_SIZE:
        return _ONE_PLACE[first]  # -1, nowhere, is the last entry
    places = [first, *rest]
    if len(places) > PLACES or places[-1] > LAST_POSITION:
        places = [place for place in places if place <= LAST_POSITION][: PLACES - 1]
        return _PLACES.pack(*(places + [MANY_POSITIONS] * PLACES)[:PLACES])
    return _PLACES.pack(*(places + list(_NOWHERE))[:PLACES])


def _read_zone(analysis: Analysis, text: str) -> _Zone:
    tokens = analysis.tokens(text)
    terms: list[tuple[bytes, float, int]] = []
    for place, token in enumerate(tokens):
        terms.append((token.term[:LONGEST_TERM].encode(), 1.0, place))
        terms.extend(
            (extra[:LONGEST_TERM].encode(), EXTRA_SHARE, -1) for extra in dict.fromkeys(token.extras)
        )
    for concept in analysis.concepts(tokens, text):
        if concept.present:
            terms.extend((key.encode(errors="replace"), 1.0, -1) for key in concept.keys)
    words = dict.fromkeys(_tag("word", word) for word in _spellable(tokens))
    return _Zone(tuple(terms), len(tokens), tuple(words))


def _spellable(tokens: list[Token]) -> Iterator[str]:
    for token in tokens:
        if token.kind == WORD and 3 <= len(token.folded) <= 30 and token.folded.isalpha():
            yield token.folded
