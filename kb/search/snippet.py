"""The piece of a case that shows why it was found, also when it was found by another name."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import NamedTuple

from kb.search.analysis import Analysis, Concept, Token
from kb.search.document import CaseDocument, Snippet
from kb.search.prepare import zone_texts

WIDTH = 160
_LEAD = 40
_ZONES = (
    ("complaint", "complaint", 1.3),
    ("fixes", "fix", 1.1),
    ("symptoms", "symptom", 1.0),
    ("notes", "notes", 1.0),
    ("parts", "part", 1.0),
    ("part_classes", "part class", 0.9),
    ("family", "board family", 0.8),
    ("aliases", "also known as", 0.8),
    ("sections", "section", 0.7),
    ("kind", "kind", 0.5),
    ("verdict", "verdict", 0.5),
)


class _Text(NamedTuple):
    tokens: tuple[Token, ...]
    concepts: tuple[Concept, ...]
    terms: frozenset[str]


class SnippetMaker:
    """Makes snippets with one analysis, keeping what it read of short texts that come again."""

    def __init__(self, analysis: Analysis) -> None:
        self._analysis = analysis
        self._read = lru_cache(maxsize=1_024)(self._read_text)

    def _read_text(self, text: str) -> _Text:
        tokens = self._analysis.tokens(text)
        concepts = self._analysis.concepts(tokens, text)
        terms = {term for token in tokens for term in (token.term, *token.extras)}
        terms.update(key for concept in concepts for key in concept.keys)
        return _Text(tuple(tokens), tuple(concepts), frozenset(terms))

    def make(self, document: CaseDocument, worth: Mapping[str, float]) -> Snippet:
        """The best piece of `document` for the terms in `worth` (term to idf), or its opening words."""
        enough = sum(worth.values())
        best: tuple[float, str, str, list[tuple[int, int]]] | None = None
        for zone, label, factor in _ZONES if worth else ():
            for text in zone_texts(document, zone):
                spans, value = self._spans(text, worth)
                if spans and (best is None or value * factor > best[0]):
                    best = (value * factor, label, text, spans)
            if best is not None and best[0] >= enough:
                break
        if best is None:
            label, text = _opening(document)
            return Snippet(label, _pieces(text, []))
        return Snippet(best[1], _pieces(best[2], best[3]))

    def _spans(self, text: str, worth: Mapping[str, float]) -> tuple[list[tuple[int, int]], float]:
        tokens, concepts, terms = self._read(text) if len(text) <= 200 else self._read_text(text)
        if terms.isdisjoint(worth):
            return [], 0.0
        spans: list[tuple[int, int]] = []
        seen: set[str] = set()
        for token in tokens:
            hit = [term for term in (token.term, *token.extras) if term in worth]
            if hit:
                spans.append((token.start, token.end))
                seen.update(hit[:1])
        for concept in concepts:
            hit = [key for key in concept.keys if key in worth]
            if hit and concept.present:
                spans.append((tokens[concept.first].start, tokens[concept.last - 1].end))
                seen.update(hit)
        return spans, sum(worth[term] for term in seen)


def _opening(document: CaseDocument) -> tuple[str, str]:
    for zone, label, _ in _ZONES:
        texts = zone_texts(document, zone)
        if texts:
            return label, ", ".join(texts)
    return "", ""


def _merged(spans: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    start, end = -1, -1
    for first, last in sorted(spans):
        if first <= end + 1 and start >= 0:
            end = max(end, last)
            continue
        if start >= 0:
            yield start, end
        start, end = first, last
    if start >= 0:
        yield start, end


def _pieces(text: str, spans: list[tuple[int, int]]) -> tuple[tuple[str, bool], ...]:
    merged = list(_merged(spans))
    first = max(0, merged[0][0] - _LEAD) if merged else 0
    if len(text) <= WIDTH:
        first = 0
    elif first:
        first = text.find(" ", first, merged[0][0]) + 1 or first
    last = min(len(text), first + WIDTH)
    if last < len(text):
        last = max(text.rfind(" ", first, last), first + WIDTH // 2)
    pieces: list[tuple[str, bool]] = [("… ", False)] if first else []
    at = first
    for start, end in merged:
        if start >= last:
            break
        if start > at:
            pieces.append((text[at:start], False))
        pieces.append((text[max(start, at) : min(end, last)], True))
        at = min(end, last)
    if at < last:
        pieces.append((text[at:last], False))
    if last < len(text):
        pieces.append((" …", False))
    return tuple(pieces)
