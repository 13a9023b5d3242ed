"""Parts that no longer have the value they were made with: "68uF of 150", "470u down to 90u", "10k -> 14k"."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kb.reading import function_words
from kb.reading.mentions import Mention, listed
from kb.reading.readings import Found
from kb.reading.sections import class_of_designator
from kb.reading.subjects import Subject
from kb.reading.tokens import NUMBER, QUANTITY, SIGN, Token

_OF, _TO = function_words.INSTEAD_OF, function_words.CHANGED_TO
_MOST_BETWEEN = 4
_NEAR = 8
_LOST = 0.85  # of its capacitance; common practice, no published source
_DRIFT = 0.1


@dataclass(frozen=True, slots=True)
class ChangedValue:
    """Tokens `first` to `last` say that something has the value `now` instead of `was`; `unit` is F or ohm."""

    first: int
    last: int
    at: int
    now: float
    was: float
    unit: str


def find_changed_values(tokens: Sequence[Token]) -> list[ChangedValue]:
    """Every pair of values of which one has become the other, in the order of the text."""
    found: list[ChangedValue] = []
    at = 0
    while at < len(tokens):
        pair = _pair(tokens, at)
        if pair is not None:
            found.append(pair)
            at = pair.last
        at += 1
    return found


def _pair(tokens: Sequence[Token], at: int) -> ChangedValue | None:
    one = tokens[at]
    if one.kind not in (NUMBER, QUANTITY) or one.value is None:
        return None
    for other_at in range(at + 2, min(at + 2 + _MOST_BETWEEN, len(tokens))):
        other = tokens[other_at]
        if other.sentence != one.sentence:
            return None
        if other.kind not in (NUMBER, QUANTITY):
            continue
        between = list(tokens[at + 1 : other_at])
        words = {token.folded for token in between}
        arrow = any(token.kind == SIGN and len(token.folded) > 1 for token in between)
        if other.value is None or any(
            word not in _OF | _TO | function_words.BESIDE_VALUES
            for word in (token.folded for token in between if token.kind != SIGN)
        ):
            return None
        values = _in_one_unit(one, other)
        if values is None:
            return None
        first, second, unit = values
        if arrow or words & _TO:
            return ChangedValue(at, other_at, other_at, second, first, unit)
        if words & _OF:
            return ChangedValue(at, other_at, at, first, second, unit)
        return None
    return None


def _in_one_unit(one: Token, other: Token) -> tuple[float, float, str] | None:
    """Both values in the same unit; a bare number takes the unit of the other, microfarads being meant."""
    units = {one.unit, other.unit} - {""}
    if len(units) != 1 or one.value is None or other.value is None:
        return None
    unit = units.pop()
    if unit not in ("F", "ohm") or not one.value or not other.value:
        return None
    if one.unit == other.unit:
        return one.value, other.value, unit
    if unit == "ohm":
        return None
    return (
        (one.value if one.unit else one.value * 1e-6),
        (other.value if other.unit else other.value * 1e-6),
        unit,
    )


def apply_changed_values(
    changes: Sequence[ChangedValue], mentions: Sequence[Mention], tokens: Sequence[Token]
) -> list[Found]:
    """Sets the failure of the parts whose values changed, and returns their readings."""
    found: list[Found] = []
    for change in changes:
        wanted = "capacitor" if change.unit == "F" else "resistor"
        near = [
            mention
            for mention in mentions
            if tokens[mention.first].sentence == tokens[change.first].sentence
            and mention.first < change.first
            and change.first - mention.last <= _NEAR
            and wanted in str(mention.part_class or class_of_designator(mention.part or "", None))
        ]
        for mention in _listed_with(near, tokens):
            share = change.now / change.was
            if change.unit == "F":
                failure = "lost capacitance" if share < _LOST else None
            else:
                failure = "drifted" if abs(share - 1) > _DRIFT else None
            if failure and mention.failure in (None, "intermittent", "open"):
                mention.failure = failure
                mention.take(change.first, change.last)
            if mention.part:
                subject = Subject(mention.first, mention.last, point=mention.part)
                quantity = "farad" if change.unit == "F" else "ohm"
                made = Found(subject, mention.first, change.last, quantity, change.now, tokens=[change.at])
                made.supply = "unpowered"
                found.append(made)
    return found


def _listed_with(near: list[Mention], tokens: Sequence[Token]) -> list[Mention]:
    """The last of the parts, and those listed with it."""
    kept = near[-1:]
    for mention in reversed(near[:-1]):
        if not listed(mention, kept[-1], tokens):
            break
        kept.append(mention)
    return kept
