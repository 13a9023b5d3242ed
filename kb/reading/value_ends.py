"""Readings that have a least or a most: "min 3.9 max 5.2", "sags from 12.1 to 8.4"."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from kb.facts.designators import designator_letters
from kb.reading import function_words
from kb.reading.lexicon import negation_words
from kb.reading.subjects import Subject
from kb.reading.tokens import DESIGNATOR, NUMBER, QUANTITY, RAIL, SIGN, VOLTS, WORD, Token

_FALL_REACH = 8
_MOST_DROP_V = 3.0  # of one junction; a light-emitting diode's is the largest
_WITH_JUNCTION = frozenset(("D", "CR", "BD", "BR", "DB", "Q", "T", "TR", "ZD", "LED", "LD"))
GIVEN_WAY = 0.95  # of its volts below which a supply is said to give way


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
    if nominal and made.value >= GIVEN_WAY * nominal:
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


def rose_to(made: Found, gap: range, found: list[Found], tokens: Sequence[Token]) -> bool:
    """Makes "4.6 rising to 5.0" the ends of one reading; True where `made` went into the one before."""
    before = found[-1] if found else None
    words = {tokens[place].folded for place in gap}
    if (
        before is None
        or before.value is None
        or before.low is not None
        or before.subject is not made.subject
        or made.value is None
        or made.value <= before.value
        or not (words & function_words.RISES and words & function_words.DOWN_TO)
    ):
        return False
    before.low, before.high, before.value, before.last = before.value, made.value, None, made.last
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


def is_drop(
    tokens: Sequence[Token], subject: Subject | None, at: int, value: float | None, unit: str
) -> bool:
    """ "D9 0.45 drop", "D5 0.51, OL reversed": volts across a junction, as a meter's diode range shows them."""
    if (
        subject is None
        or subject.point is None
        or value is None
        or unit not in ("", "V")
        or not 0 <= value <= _MOST_DROP_V
    ):
        return False
    if designator_letters(subject.point) not in _WITH_JUNCTION:
        return False
    sentence = tokens[at].sentence
    near = range(max(0, at - 6), min(len(tokens), at + 7))
    return any(
        tokens[place].folded in function_words.DROP and tokens[place].sentence == sentence for place in near
    )


def goes_on_to(tokens: Sequence[Token], after: int) -> bool:
    """ "4.2 climbing to 5.0": behind a value comes the one to which it goes."""
    return any(
        tokens[place].folded == "to" and tokens[place + 1].kind in (NUMBER, VOLTS)
        for place in range(after, min(after + 3, len(tokens) - 1))
        if tokens[place].clause == tokens[after].clause
    )


_MOST_RIPPLE_V = 2.0  # a bare number behind a ripple that is no supply's volts


def goes_on_with(tokens: Sequence[Token], at: int, quantity: str | None) -> bool:
    """ "ESR of C12 2R5, C13 1R9": the next part of a list and its ohms."""
    following = tokens[at + 1] if at + 1 < len(tokens) else None
    if quantity == "ripple_v":
        if tokens[at].kind == SIGN and at + 1 < len(tokens):
            at += 1
        last = at
        while last + 1 < len(tokens) and last - at < _ANOTHER_RAIL and _is_name_before(tokens, last):
            last += 1
        # "ripple 1.2 Vpp on the 5 V, 0.03 after C4", "ripple on 12V 900mVpp, on 5VSB 40mV"
        volts = (tokens[last].kind == NUMBER and last == at) or tokens[last].unit in ("V", "Vpp")
        return volts and (tokens[last].value or 0.0) <= (_MOST_RIPPLE_V if last == at else _MILLIVOLTS)
    if quantity == "esr_ohm" and tokens[at].kind == SIGN and following is not None:
        at += 1  # "ESR: C3 0.9 ohm"
        following = tokens[at + 1] if at + 1 < len(tokens) else None
    of_part = quantity == "esr_ohm" and tokens[at].kind == DESIGNATOR
    return of_part and following is not None and (following.unit == "ohm" or following.kind == NUMBER)


_ANOTHER_RAIL = 3  # tokens of "on the 5VSB"
_MILLIVOLTS = 0.5


def _is_name_before(tokens: Sequence[Token], at: int) -> bool:
    """Whether token `at` belongs to "on the 12 V" with its value behind."""
    if tokens[at].folded in function_words.ON:
        return True
    return tokens[at].kind in (RAIL, VOLTS) and tokens[at + 1].kind in (VOLTS, QUANTITY)


_MOST_ESR_OHM = 100.0


def is_series_resistance(tokens: Sequence[Token], subject: Subject, at: int, value: float | None) -> bool:
    """ "C21 1.9 ohm": a capacitor's ohms, unless it is shorted; common practice, no published source."""
    point = subject.point or ""
    if not point.startswith("C") or not point[1:2].isdigit():
        return False
    if value is None or not 0 < value <= _MOST_ESR_OHM:
        return False
    return not any(
        tokens[place].folded in function_words.OF_A_SHORT and tokens[place].sentence == tokens[at].sentence
        for place in range(subject.last + 1, min(len(tokens), at + 6))
    )


def falls_further(
    tokens: Sequence[Token],
    subject: Subject,
    at: int,
    found: list[Found],
    falling: set[int],
    named: Container[int],
) -> bool:
    """ "sits at 11.8 cold, drops to 8 after ten minutes": a second value of the supply, to which it falls."""
    before = found[-1] if found else None
    if before is None or before.subject is not subject or not subject.rail or before.value is None:
        return False
    gap = range(before.last + 1, at)
    if len(gap) > _FALL_REACH or tokens[before.last].sentence != tokens[at].sentence:
        return False
    near = range(max(before.last + 1, at - 4), at)
    falls = any(place in falling for place in near)
    down = any(tokens[place].folded in function_words.DOWN_TO for place in near)
    return (
        falls
        and down
        and not any(place in named or tokens[place].kind in (NUMBER, VOLTS, DESIGNATOR) for place in gap)
    )


_MOST_BARE = 1.6  # of a supply's volts, what a bare number behind a comma may have
_USUAL_STANDBY_V = 5.0
NEAR = 0.1  # of its volts, where no tolerance is stated


def is_too_much(subject: Subject, volts: float | None) -> bool:
    """ "standby ok, 12.0, 24.1": bare numbers behind a comma that are far over the supply's volts are others'."""
    nominal_v = subject.nominal_v or (_USUAL_STANDBY_V if subject.role == "standby" else None)
    return bool(nominal_v) and (volts or 0.0) > _MOST_BARE * abs(nominal_v or 0.0)


def is_near(subject: Subject, volts: float | None) -> bool:
    """Whether volts are those of a supply; a standby supply without a family has 5 V."""
    nominal_v = subject.nominal_v or (_USUAL_STANDBY_V if subject.role == "standby" else 0.0)
    return volts is not None and are_near(volts, nominal_v)


def are_near(volts: float, nominal_v: float) -> bool:
    """Within a tenth, as the bench takes a rail without a stated tolerance."""
    return abs(volts - nominal_v) <= NEAR * abs(nominal_v)


def is_rating(tokens: Sequence[Token], at: int) -> bool:
    """ "22uF 50V", "1000u/35V": volts behind a capacitance are printed on the part."""
    before = at - 1
    if before > 0 and tokens[before].folded == "/":
        before -= 1
    return tokens[at].unit == "V" and before >= 0 and tokens[before].unit == "F"


def share_out(found: Sequence[Found], subjects: Sequence[Subject], tokens: Sequence[Token]) -> None:
    """Gives "C8 C9 ESR 3R and 2R6" to the two parts in their order; `subjects` stand in the order of the text."""
    numbers = {id(own): number for number, own in enumerate(subjects)}
    measured = {id(one.subject) for one in found}
    for one, other in pairwise(found):
        subject = other.subject
        if one.subject is not subject or not subject.point or one.quantity != other.quantity:
            continue
        number = numbers.get(id(subject), 0)
        before = subjects[number - 1] if number else None
        if before is None or not before.point or id(before) in measured:
            continue
        joined = (*range(before.last + 1, subject.first), *range(one.last + 1, other.tokens[0]))
        if all(tokens[at].folded in function_words.LISTED for at in joined):
            one.subject, one.first = before, min(one.first, before.first)


def mentions_now(tokens: Sequence[Token], one: Found) -> bool:
    """Whether a word such as "now" stands by the reading."""
    low, high = max(0, one.first - 2), min(len(tokens), one.last + 3)
    return any(
        tokens[place].folded in function_words.NOW | function_words.AGAIN
        and tokens[place].sentence == tokens[one.first].sentence
        for place in range(low, high)
    )


_FED = frozenset(("input", "mains", "eingang", "netz", "secteur", "rete"))


def is_fed_in(tokens: Sequence[Token], at: int) -> bool:
    """ "298 V at 230 in", "325 on bulk with 230 mains": the number is what the board is fed with."""
    before = tokens[at - 1].folded if at else ""
    behind = [token.folded for token in tokens[at + 1 : at + 3] if token.clause == tokens[at].clause]
    return bool(behind) and (behind[0] in _FED or (behind == ["in"] and before in ("at", "with", "from")))


def before_rating(tokens: Sequence[Token], place: int) -> bool:
    """Whether token `place` is the stroke of "22uF/50V"."""
    if tokens[place].folded != "/" or not place or place + 1 >= len(tokens):
        return False
    return tokens[place - 1].unit == "F" and tokens[place + 1].kind == VOLTS


def is_behind_new_part(
    tokens: Sequence[Token], subject: Subject | None, at: int, actions: Container[int]
) -> bool:
    """ "new D7, 24.1 V": volts in the clause behind a part that was fitted are a supply's."""
    if subject is None or subject.point is None:
        return False
    clause = tokens[subject.first].clause
    near = range(max(0, subject.first - 2), min(subject.last + 3, len(tokens)))
    return clause != tokens[at].clause and any(
        tokens[place].clause == clause and (tokens[place].folded in function_words.NEW or place in actions)
        for place in near
    )


_WHERE, _WHICH_ONE = (
    frozenset(("at", "in", "on")),
    frozenset(("the", "those", "these", "that", "this", "my", "its")),
)


def says_at_what(tokens: Sequence[Token], place: int) -> bool:
    """ "5 V at those panels 3.4": where it was measured."""
    before = tokens[place - 1].folded
    if place > 1 and before in _WHICH_ONE:
        before = tokens[place - 2].folded
    own = tokens[place]
    return own.kind == WORD and (before in _WHERE or own.folded in _WHICH_ONE)
