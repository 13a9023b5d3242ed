"""From a case to its index terms with weights: where a word stands decides how much it counts.

One indexed field acts like several, as in "Simple BM25 extension to multiple weighted fields" (S. Robertson,
H. Zaragoza, M. Taylor, CIKM 2004): the weight of a term is its counts times the weights of their zones, and
the length of a case its words times the same weights. `kb.search.bm25` states the formula.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import NamedTuple
from zlib import crc32

from kb.search.analysis import Analysis, Token
from kb.search.codes import WORD
from kb.search.document import FACETS, CaseDocument
from kb.search.normalization import cached_if_short

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
LONGEST_TERM = 80
COMPLETED = ("symptom", "family", "alias", "part", "part_class", "section", "complaint")
"""Kinds of phrases that are offered while somebody types, the best first; three of them are facets as well."""
SPELLED = "word"
"""The kind of the words that a slip may be corrected to."""
DRAWS = 2**24
_GAP = 8  # places between two texts, so that no phrase reaches from one into the next
_ANNOUNCEMENTS = 3
_LONGEST_COMPLETION = 80
_LONGEST_FACET = 200
_ZONES_COMPLETED = (("symptom", "symptoms"), ("alias", "aliases"), ("part", "parts"))


class CaseTerms(NamedTuple):
    """A case ready for indexing.

    `weights` has the weight of each term, `occurrences` each place of each term that was written; further
    terms and names that words stand for have a weight only. `length` counts the words written, each as often
    as its zone weighs. `order` puts cases of equal score in one order in every process and after every
    rebuild: the latest day first, then by a number drawn from the uid. `proof` is 0, 1 for a case that was
    cured, 2 for one where this was verified. `tags` are (kind, value) for facets and completions.
    """

    document: CaseDocument
    weights: dict[str, float]
    occurrences: list[tuple[str, int]]
    length: float
    order: int
    proof: int
    tags: dict[tuple[str, str], None]


class _Zone(NamedTuple):
    terms: tuple[tuple[str, float], ...]  # term, share of the zone's weight
    places: tuple[tuple[str, int], ...]
    words: tuple[tuple[str, str], ...]  # tags of what can be spelt


class TermReader:
    """Reads cases into terms with one analysis; caches what it read of short texts that come again.

    Spelling and completion entries are given only to the first few cases of a segment that hold them, which
    keeps them there at next to no cost. Should all of these be deleted, a word is no longer offered until a
    case with it is saved or the index rebuilt; it is found all the same.
    """

    def __init__(self, analysis: Analysis, *, cached: int = 1_024) -> None:
        """`cached` is how many short texts are held, those that came last."""
        self._zone = cached_if_short(partial(_read_zone, analysis), most=cached, longest=60)
        self._announced: dict[tuple[str, str], int] = {}

    def new_segment(self) -> None:
        """Forget what was announced: call once for each segment that is written."""
        self._announced = {}

    def read(self, document: CaseDocument) -> CaseTerms:
        """The terms and tags of `document`."""
        weights: dict[str, float] = {}
        occurrences: list[tuple[str, int]] = []
        place, length = 0, 0.0
        words: list[tuple[str, str]] = []
        known = weights.get
        for zone, weight in ZONE_WEIGHTS.items():
            for text in zone_texts(document, zone):
                terms, places, spelt = self._zone(text)
                words += spelt
                length += weight * len(places)
                for term, share in terms:
                    weights[term] = known(term, 0.0) + weight * share
                occurrences += [(term, place + at) for term, at in places]
                place += len(places) + _GAP
        day = min(max(document.day, 0), DRAWS - 1)
        draw = crc32(document.uid.encode(errors="replace")) % DRAWS
        proof = (2 if document.verified else 1) if document.cured else 0
        tags = dict.fromkeys(self._tags(document, words))
        return CaseTerms(document, weights, occurrences, length, day * DRAWS + draw, proof, tags)

    def _tags(self, document: CaseDocument, words: list[tuple[str, str]]) -> Iterator[tuple[str, str]]:
        for facet in FACETS:
            for value in document.facet_values(facet):
                yield facet, value[:_LONGEST_FACET]
        announced = self._announced
        for tag in dict.fromkeys(self._listed(document, words)):
            times = announced.get(tag, 0)
            if times < _ANNOUNCEMENTS:
                announced[tag] = times + 1
                yield tag

    def _listed(self, document: CaseDocument, words: list[tuple[str, str]]) -> Iterator[tuple[str, str]]:
        yield from words
        for kind, zone in _ZONES_COMPLETED:
            for text in getattr(document, zone):
                if text:
                    yield kind, text[:_LONGEST_COMPLETION]
        complaint = " ".join(document.complaint.split())
        if complaint and len(complaint) <= _LONGEST_COMPLETION:
            yield "complaint", complaint


def zone_texts(document: CaseDocument, zone: str) -> tuple[str, ...]:
    """The texts of one zone of `document`."""
    value = getattr(document, zone)
    if isinstance(value, str):
        return (value,) if value else ()
    return tuple(text for text in value if text)


def _read_zone(analysis: Analysis, text: str) -> _Zone:
    tokens = analysis.tokens(text)
    terms: list[tuple[str, float]] = []
    for token in tokens:
        terms.append((token.term[:LONGEST_TERM], 1.0))
        terms.extend((extra[:LONGEST_TERM], EXTRA_SHARE) for extra in dict.fromkeys(token.extras))
    for concept in analysis.concepts(tokens, text):
        if concept.present:
            terms.extend((key, 1.0) for key in concept.keys)
    terms.extend((key, 1.0) for key, _, _ in analysis.devices(tokens))
    places = tuple((token.term[:LONGEST_TERM], place) for place, token in enumerate(tokens))
    words = dict.fromkeys((SPELLED, word) for word in _spellable(tokens))
    return _Zone(tuple(terms), places, tuple(words))


def _spellable(tokens: list[Token]) -> Iterator[str]:
    for token in tokens:
        if token.kind == WORD and 3 <= len(token.folded) <= 30 and token.folded.isalpha():
            yield token.folded
