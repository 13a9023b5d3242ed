"""Number words to exact decimals, and which other number a spoken one sounds like.

"one two point zero four", "twelve point oh four" and "twelve point zero four" are 12.04; "three eighty five" and
"three hundred and eighty five" are 385. Whatever is no one clear number is refused.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from kb.speech.language import Language

MOST_DIGITS = 4
"""Before the decimal mark, and after it: no bench meter shows more."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number as it was said: `text` is how it is typed, `twin` the number that it sounds like, as typed."""

    text: str
    twin: str = ""

    @property
    def value(self) -> Decimal:
        """The number itself, exactly."""
        return Decimal(self.text)


def number_of(words: Sequence[str], language: Language) -> Number | None:
    """The number that all of `words` say, None where they are no number."""
    rest = list(words)
    sign = ""
    if rest and rest[0] in (*language.minus, *language.plus):
        sign = "-" if rest[0] in language.minus else ""
        rest = rest[1:]
    mark = next((at for at, word in enumerate(rest) if word in language.point), len(rest))
    before, after = rest[:mark], rest[mark + 1 :]
    if mark < len(rest) and not 1 <= len(after) <= MOST_DIGITS:
        return None
    if any(word not in language.digits for word in after):
        return None
    if not before and not after:
        return None
    whole = _whole(before, language) if before else (0, 0)
    if whole is None:
        return None
    ending = "." + "".join(str(language.digits[word]) for word in after) if after else ""
    told, twin = whole
    return Number(f"{sign}{told}{ending}", f"{sign}{twin}{ending}" if twin else "")


def longest_number(words: Sequence[str], at: int, language: Language) -> tuple[Number, int] | None:
    """The longest number whose first word is at place `at`, and the place behind it; None where none begins there."""
    for end in range(len(words), at, -1):
        found = number_of(words[at:end], language)
        if found:
            return found, end
    return None


def _whole(words: Sequence[str], language: Language) -> tuple[int, int] | None:
    """A whole number and its twin (0 where it has none), None where the words say none."""
    if all(word in language.digits for word in words) and len(words) <= MOST_DIGITS:
        return int("".join(str(language.digits[word]) for word in words)), 0
    for at, word in enumerate(words):
        if word in language.thousand:
            head = _below_thousand(words[:at], language)
            tail = _tail(words[at + 1 :], language)
            if head is None or tail is None or not 0 < head[0] < 10:
                return None
            return _sum((head[0] * 1000, 0), tail)
    return _below_thousand(words, language)


def _tail(words: Sequence[str], language: Language) -> tuple[int, int] | None:
    if not words:
        return (0, 0)
    if words[0] in language.joined_by:
        return _below_hundred(words[1:], language)
    return _below_thousand(words, language)


def _below_thousand(words: Sequence[str], language: Language) -> tuple[int, int] | None:
    for at, word in enumerate(words):
        if word in language.hundred:
            head = language.digits.get(words[0], 0) if at == 1 else 0
            rest = list(words[at + 1 :])
            if rest and rest[0] in language.joined_by:
                rest = rest[1:] or ["?"]
            tail = _below_hundred(rest, language) if rest else (0, 0)
            return _sum((head * 100, 0), tail) if head and tail else None
    # "three eighty five", as bulk voltages are said
    if len(words) > 1 and language.digits.get(words[0], 0) and words[1] not in language.digits:
        tail = _below_hundred(words[1:], language)
        return _sum((language.digits[words[0]] * 100, 0), tail) if tail and tail[0] > 9 else None
    return _below_hundred(words, language)


def _below_hundred(words: Sequence[str], language: Language) -> tuple[int, int] | None:
    if len(words) == 1:
        word = words[0]
        number = language.small.get(word, language.tens.get(word, language.digits.get(word)))
        return None if number is None else (number, twin_of(number, language))
    if len(words) == 2 and words[0] in language.tens and language.digits.get(words[1], 0):
        tens, digit = language.tens[words[0]], language.digits[words[1]]
        return tens + digit, 0
    return None


def _sum(head: tuple[int, int], tail: tuple[int, int]) -> tuple[int, int]:
    return head[0] + tail[0], head[0] + tail[1] if tail[1] else 0


def twin_of(number: int, language: Language) -> int:
    """The number that this one sounds like ("fifteen", "fifty"), 0 where there is none."""
    for one, other in language.confused:
        if number in (one, other):
            return other if number == one else one
    return 0


def by_digits(text: str) -> str:
    """A typed number digit by digit, to be read back where its words could be another's: "one five point two"."""
    names = dict(zip("0123456789", _SAID, strict=True)) | {".": "point", "-": "minus"}
    return " ".join(names[letter] for letter in text)


_SAID = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
