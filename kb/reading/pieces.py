"""Long texts cut into pieces that are read one by one, so that time grows with the length and no faster."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

from kb.reading.facts import Read, ReadSymptom, Span

LONGEST_PIECE = 3_000  # characters
_SENTENCE_ENDS = re.compile(r"[.!?;\n]\s")
AnySpan = TypeVar("AnySpan", bound=Span)


def pieces(text: str) -> list[tuple[int, int]]:
    """(start, end) of pieces of at most `LONGEST_PIECE` characters that together are the text.

    They end behind the last sentence that fits, else behind the last space, else where they are full.
    """
    found: list[tuple[int, int]] = []
    start = 0
    while len(text) - start > LONGEST_PIECE:
        window = text[start : start + LONGEST_PIECE]
        ends = [match.end() for match in _SENTENCE_ENDS.finditer(window, LONGEST_PIECE // 2)]
        length = ends[-1] if ends else window.rfind(" ") + 1 or LONGEST_PIECE
        found.append((start, start + length))
        start += length
    found.append((start, len(text)))
    return found


def _moved(spans: Sequence[AnySpan], by: int) -> list[AnySpan]:
    return [replace(span, start=span.start + by, end=span.end + by) for span in spans]


def joined(found: Sequence[tuple[int, Read]]) -> Read:
    """The facts of all pieces, (start, what was read there), by their places in the whole text.

    A symptom that several pieces name stands as the last of them says; verdict, minutes and cost too.
    """
    symptoms: dict[str, ReadSymptom] = {}
    whole = Read()
    for start, one in found:
        for symptom in _moved(one.symptoms, start):
            symptoms.pop(symptom.name, None)
            symptoms[symptom.name] = symptom
        whole = Read(
            symptoms=tuple(symptoms.values()),
            proposed=(*whole.proposed, *_moved(one.proposed, start)),
            readings=(*whole.readings, *_moved(one.readings, start)),
            attempts=(*whole.attempts, *_moved(one.attempts, start)),
            verdict=_moved([one.verdict], start)[0] if one.verdict else whole.verdict,
            minutes=_moved([one.minutes], start)[0] if one.minutes else whole.minutes,
            cost=_moved([one.cost], start)[0] if one.cost else whole.cost,
            dates=(*whole.dates, *_moved(one.dates, start)),
            left=(*whole.left, *_moved(one.left, start)),
        )
    return whole
