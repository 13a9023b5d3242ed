"""Words in, facts with their places in the text out. `reader.read` is the way in."""

from __future__ import annotations

from kb.reading.facts import (
    Known,
    KnownPart,
    KnownRail,
    Read,
    ReadAmount,
    ReadAttempt,
    ReadReading,
    ReadSymptom,
    ReadWord,
    Span,
)
from kb.reading.reader import read

__all__ = [
    "Known",
    "KnownPart",
    "KnownRail",
    "Read",
    "ReadAmount",
    "ReadAttempt",
    "ReadReading",
    "ReadSymptom",
    "ReadWord",
    "Span",
    "read",
]
