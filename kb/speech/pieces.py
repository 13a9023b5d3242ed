"""The pieces of words that a model reads and writes, as its tokenizer has them.

A piece is a run of UTF-8 bytes; a blank is written as "▁" before the word. What is written is cut by joining, again and
again, the two neighbours whose joint piece has the lowest number (byte pair encoding: Sennrich, Haddow & Birch, Neural
machine translation of rare words with subword units, 2016; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

START, END = 1, 2
_BLANK = "▁"
_BYTES_FROM, _BYTES_TO = 3, 259
"""The numbers of single bytes, which stand for what no piece writes."""


@dataclass(frozen=True)
class Pieces:
    """All pieces by their number, and the number of each."""

    texts: tuple[bytes, ...]
    numbers: dict[bytes, int]

    def cut(self, text: str) -> tuple[int, ...]:
        """The numbers of the pieces of a text; a word that begins with a blank is a word of its own.

        Raises KeyError for a character that no piece writes.
        """
        parts = [one.encode() for one in text.replace(" ", _BLANK)]
        while True:
            joined = [
                (self.numbers[left + right], at)
                for at, (left, right) in enumerate(pairwise(parts))
                if left + right in self.numbers
            ]
            if not joined:
                return tuple(self.numbers[part] for part in parts)
            at = min(joined)[1]
            parts[at : at + 2] = [parts[at] + parts[at + 1]]

    def begins_word(self, number: int) -> bool:
        """Whether a piece has a blank before it."""
        return self.texts[number].startswith(_BLANK.encode())


def pieces_of(file: Path) -> Pieces:
    """The pieces of a file that has, one after the other, the length of each in a byte and its bytes."""
    found, body, at = [], file.read_bytes(), 0
    while at < len(body):
        end = at + 1 + body[at]
        found.append(body[at + 1 : end])
        at = end
    numbers = {text: at for at, text in enumerate(found) if not _BYTES_FROM <= at < _BYTES_TO}
    return Pieces(tuple(found), numbers)
