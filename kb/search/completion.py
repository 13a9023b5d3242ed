"""Completion while typing, from what the index holds: symptoms, families, parts, classes, complaints."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping

from kb.search.normalization import fold

_ORDER = ("symptom", "family", "alias", "part", "part_class", "section", "complaint")
_BY_EVERY_WORD = frozenset(("symptom", "part_class", "section", "alias"))
_MOST_LOOKED_AT = 400


class Completer:
    """Sorted starts of phrases; `listed` maps a kind to its phrases as the index has them.

    A start is a place in one of `_keys`, the folded phrases, and so takes eight bytes and no string: there is a
    completer for each segment, with up to seven starts for each phrase.
    """

    def __init__(self, listed: Mapping[str, Iterable[str]]) -> None:
        self._keys: list[str] = []
        self._phrases: list[str] = []
        self._ranks = array("B")
        starts: list[tuple[str, int, str, int, int]] = []
        for rank, kind in enumerate(_ORDER):
            for phrase in listed.get(kind, ()):
                for key in _keys_of(kind, phrase):
                    places = _places(key) if kind in _BY_EVERY_WORD else (0,)
                    starts.extend((key[at:], rank, phrase, len(self._keys), at) for at in places)
                    self._keys.append(phrase if key == phrase else key)
                    self._phrases.append(phrase)
                    self._ranks.append(rank)
        starts.sort()
        self._key_of = array("i", (number for _, _, _, number, _ in starts))
        self._place_of = array("i", (at for _, _, _, _, at in starts))
        self._words = sorted(set(listed.get("word", ())))

    def phrases(self, prefix: str) -> list[tuple[int, str]]:
        """(rank of kind, phrase) of phrases with a word that starts with `prefix`, best kind first."""
        wanted = _key(prefix)
        return sorted(set(self._from(wanted)))

    def _from(self, wanted: str) -> Iterator[tuple[int, str]]:
        first = bisect_left(range(len(self._key_of)), wanted, key=self._start)
        for at in range(first, min(first + _MOST_LOOKED_AT, len(self._key_of))):
            number = self._key_of[at]
            if not self._keys[number].startswith(wanted, self._place_of[at]):
                return
            yield self._ranks[number], self._phrases[number]

    def _start(self, at: int) -> str:
        return self._keys[self._key_of[at]][self._place_of[at] :]

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


def _keys_of(kind: str, phrase: str) -> Iterator[str]:
    key = _key(phrase)
    yield key
    if kind in ("family", "alias", "part") and " " in key:
        yield key.replace(" ", "")


def _places(key: str) -> Iterator[int]:
    """Where each of the first six words of `key` begins."""
    at = 0
    for word in key.split(" ")[:6]:
        yield at
        at += len(word) + 1
