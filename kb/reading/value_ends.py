"""Readings that have a least or a most: "min 3.9 max 5.2", "sags from 12.1 to 8.4"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from kb.reading import function_words
from kb.reading.lexicon import negation_words
from kb.reading.subjects import Subject
from kb.reading.tokens import Token

_GIVEN_WAY = 0.95  # of its volts below which a supply is said to give way


@dataclass(slots=True)
class Found:
    """A reading by tokens; `names_rail` where the supply was said in the same clause."""

    subject: Subject
    first: int
    last: int
    quantity: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    supply: str | None = None
    load: str | None = None
    after_repair: bool = False
    before: bool = False
    gap: tuple[int, int] | None = None  # the tokens between the supply, or the value before, and the number
    tokens: list[int] = field(default_factory=list)


def fell_to(made: Found, gap: range, found: list[Found], tokens: Sequence[Token], falling: set[int]) -> bool:
    """Makes "sags from 12.1 to 8.4" one reading with its minimum; True where `made` went into the one before."""
    before = found[-1] if found else None
    if (
        before is None
        or made.value is None
        or before.value is None
        or before.low is not None
        or before.subject is not made.subject
        or before.quantity != made.quantity
        or not made.value < before.value
        or before.gap is None
    ):
        return False
    nominal = made.subject.nominal_v
    if nominal and made.value >= _GIVEN_WAY * nominal:
        return False  # "from 14.6 to 12.0": mended
    between = {tokens[place].folded for place in gap}
    led = {tokens[place].folded for place in range(*before.gap)}
    falls = any(place in falling for place in (*range(*before.gap), *gap))
    if not between & function_words.DOWN_TO or not (led & function_words.FROM or falls):
        return False
    if between & (function_words.NOW | function_words.AGAIN):
        return False
    before.low, before.last = made.value, made.last
    before.tokens += made.tokens
    return True


def limited(made: Found, gap: range, found: list[Found], tokens: Sequence[Token]) -> bool:
    """Makes "min 3.9 max 5.2" the ends of one reading; True where `made` went into the one before."""
    words = {tokens[place].folded for place in gap}
    if made.value is None:
        return False
    if words & function_words.LEAST:
        made.low, made.value = made.value, None
    elif words & function_words.MOST or (words & function_words.MORE and words & negation_words()):
        before = found[-1] if found else None
        if (
            before is not None
            and before.subject is made.subject
            and before.low is not None
            and before.high is None
        ):
            before.high, before.last = made.value, made.last
            before.tokens += made.tokens
            return True
        made.high, made.value = made.value, None
    return False
