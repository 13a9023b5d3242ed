"""The piece of a case that shows why it was found, also when it was found by another name."""

from __future__ import annotations

from array import array
from collections.abc import Iterator, Mapping
from functools import partial
from typing import NamedTuple

from kb.search.analysis import Analysis
from kb.search.case_terms import zone_texts
from kb.search.document import CaseDocument, Snippet
from kb.search.normalization import cached_if_short

WIDTH = 160
_LEAD = 40
_CACHED_TEXTS = 4_096
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
    """The terms of a text, and for each three numbers in `places`: its start, its end and whose it is.

    That is the number of a token, counted from 1, or 0 for a name of the trade. Tokens themselves would take
    four times the memory, and very many texts are cached.
    """

    terms: tuple[str, ...]
    places: array[int]


class SnippetMaker:
    """Makes snippets with one analysis; caches what it read of short texts that come again."""

    def __init__(self, analysis: Analysis) -> None:
        self._read = cached_if_short(partial(_read_text, analysis), most=_CACHED_TEXTS, longest=200)

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
        terms, places = self._read(text)
        if worth.keys().isdisjoint(terms):
            return [], 0.0
        spans: list[tuple[int, int]] = []
        seen: set[str] = set()
        last = 0
        for at, term in enumerate(terms):
            if term in worth:
                start, end, token = places[3 * at : 3 * at + 3]
                if token and token == last:  # a token counts by the first of its terms that is asked for
                    continue
                last = token
                spans.append((start, end))
                seen.add(term)
        return spans, sum(worth[term] for term in seen)


def _read_text(analysis: Analysis, text: str) -> _Text:
    tokens = analysis.tokens(text)
    rows = [
        (term, token.start, token.end, number)
        for number, token in enumerate(tokens, 1)
        for term in (token.term, *token.extras)
    ]
    rows += [
        (key, tokens[concept.first].start, tokens[concept.last - 1].end, 0)
        for concept in analysis.concepts(tokens, text)
        if concept.present
        for key in concept.keys
    ]
    places = array("H" if len(text) < 1 << 16 else "I", (place for row in rows for place in row[1:]))
    return _Text(tuple(term for term, _, _, _ in rows), places)


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
