"""Completion while typing, from what the index holds: symptoms, families, parts, classes, complaints."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping

from kb.search.words import fold

_ORDER = ("symptom", "family", "alias", "part", "part_class", "section", "complaint")
_BY_EVERY_WORD = frozenset(("symptom", "part_class", "section", "alias"))
_MOST_LOOKED_AT = 400


class Completer:
    """Sorted starts of phrases; `listed` maps a kind to its phrases as the index has them."""

    def __init__(self, listed: Mapping[str, Iterable[str]]) -> None:
        entries: list[tuple[str, int, str]] = []
        for rank, kind in enumerate(_ORDER):
            for phrase in listed.get(kind, ()):
                entries.extend((start, rank, phrase) for start in _starts(kind, phrase))
        entries.sort()
        self._entries = entries
        self._words = sorted(set(listed.get("word", ())))

    def phrases(self, prefix: str) -> list[tuple[int, str]]:
        """(rank of kind, phrase) of phrases with a word that starts with `prefix`, best kind first."""
        wanted = _key(prefix)
        return sorted(set(self._from(wanted)))

    def _from(self, wanted: str) -> Iterator[tuple[int, str]]:
        at = bisect_left(self._entries, (wanted,))
        for start, rank, phrase in self._entries[at : at + _MOST_LOOKED_AT]:
            if not start.startswith(wanted):
                return
            yield rank, phrase

    def words(self, prefix: str) -> list[str]:
        """Words that start with `prefix`, in alphabetical order."""
        at = bisect_left(self._words, prefix)
        found = []
        for word in self._words[at : at + _MOST_LOOKED_AT]:
            if not word.startswith(prefix):
                break
            found.append(word)
        return found


def _key(text: str) -> str:
    return " ".join(fold(text).replace("-", " ").split())


def _starts(kind: str, phrase: str) -> Iterator[str]:
    key = _key(phrase)
    yield key
    if kind in ("family", "alias", "part"):
        yield key.replace(" ", "")
    if kind in _BY_EVERY_WORD:
        words = key.split(" ")
        yield from (" ".join(words[at:]) for at in range(1, min(len(words), 6)))
