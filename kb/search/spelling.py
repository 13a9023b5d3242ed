"""The nearest known word to a misspelt one.

Distance is optimal string alignment: insert, delete, replace, or swap two neighbours, each one edit
(F. Damerau, "A technique for computer detection and correction of spelling errors", CACM 7, 1964).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable

import numpy as np
from whoosh.support.levenshtein import damerau_levenshtein


def edits_allowed(word: str) -> int:
    """Edits that may separate a word from what was meant: none under 4 letters, one under 8, else two."""
    if len(word) < 4 or not word.isalpha():
        return 0
    return 1 if len(word) < 8 else 2


def distance(first: str, second: str, most: int) -> int:
    """Edits between two words, or `most` + 1 as soon as it is known to be more; `most` is 1 or more."""
    if abs(len(first) - len(second)) > most:
        return most + 1
    edits: int = damerau_levenshtein(first, second, limit=most)
    return min(edits, most + 1)


def _signature(word: str) -> int:
    bits = 0
    for letter in word:
        bits |= 1 << (ord(letter) & 63)
    return bits


_ENDINGS = ("s", "ed", "ing", "ly", "en")


def may_be_inflected(word: str) -> bool:
    """Whether `word` ends like a form of another word, so that its stem says what it is."""
    return word.endswith(_ENDINGS)


class Speller:
    """Finds near words among `words` (folded). A letter signature rules most out before any is compared."""

    def __init__(self, words: Iterable[str]) -> None:
        self.words: list[str] = sorted(set(words))
        count = len(self.words)
        self._signs = np.fromiter((_signature(word) for word in self.words), np.uint64, count)
        self._sizes = np.fromiter((len(word) for word in self.words), np.int16, count)

    def __contains__(self, word: str) -> bool:
        at = bisect_left(self.words, word)
        return at < len(self.words) and self.words[at] == word

    def near(self, word: str, *, most: int | None = None, same_start: bool = False) -> list[tuple[int, str]]:
        """(edits, word) of the words within `most` edits, nearest first; none if `word` is too short."""
        allowed = edits_allowed(word) if most is None else most
        if not allowed or not self.words or len(word) > 40:
            return []
        close = np.abs(self._sizes - len(word)) <= allowed
        apart = np.bitwise_count(self._signs ^ np.uint64(_signature(word)))
        found: list[tuple[int, str]] = []
        for at in np.flatnonzero(close & (apart <= 2 * allowed)):
            known = self.words[at]
            if same_start and known[0] != word[0]:
                continue
            edits = distance(word, known, allowed)
            if edits <= allowed:
                found.append((edits, known))
        found.sort(key=lambda pair: (pair[0], pair[1][0] != word[0], pair[1]))
        return found
