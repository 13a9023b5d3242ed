"""Readings among the words: which number belongs to which supply, part or point, and in which state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from kb.reading import function_words
from kb.reading.later_readings import next_in_row
from kb.reading.lexicon import CONCEPT, Hit, negation_words
from kb.reading.reading_states import settle_state
from kb.reading.subjects import Subject
from kb.reading.tokens import (
    DESIGNATOR,
    NUMBER,
    QUANTITY,
    RAIL,
    SIGN,
    VOLTS,
    WORD,
    Token,
)
from kb.reading.value_ends import (
    Found,
    before_rating,
    falls_further,
    fell_to,
    goes_on_to,
    goes_on_with,
    is_behind_new_part,
    is_drop,
    is_fed_in,
    is_near,
    is_rating,
    is_series_resistance,
    is_too_much,
    limited,
    rose_to,
    says_at_what,
    share_out,
)

_QUANTITY_OF_UNIT = {
    "V": "dc_v", "Vac": "ac_v", "Vpp": "ripple_v", "A": "amp", "ohm": "ohm", "F": "farad", "Hz": "hz",
    "degC": "celsius",
}  # fmt: skip
_QUANTITY_WORDS = {
    "esr": "esr_ohm", "ripple": "ripple_v", "welligkeit": "ripple_v", "brummspannung": "ripple_v",
    "ondulation": "ripple_v", "rimpel": "ripple_v",
    "rimpelspanning": "ripple_v", "rizado": "ripple_v", "ondulazione": "ripple_v", "ac": "ac_v",
    "diode": "diode_v", "restwelligkeit": "ripple_v",
}  # fmt: skip
_LARGEST_BARE = 1_000.0
_WHERE, _WHICH_ONE = (
    frozenset(("at", "in", "on")),
    frozenset(("the", "those", "these", "that", "this", "my", "its")),
)
_CLOSE = 0.1
_GAP = 9  # tokens between a supply or point and its number
_SKIPPED = function_words.BETWEEN | function_words.LEAST | function_words.MOST | function_words.MORE
_OF_A_CAPACITY = frozenset(
    ("=", "only", "nur", "measured", "measures", "measuring", "reads", "down", "gemessen", "seulement", "solo", "maar",
     "mesure", "hat")
)  # fmt: skip


def find_readings(
    text: str,
    tokens: Sequence[Token],
    hits: Sequence[Hit],
    subjects: Sequence[Subject],
    blocked: frozenset[int],
) -> list[Found]:
    """The readings, each with its subject. `blocked` are tokens that say something else, such as minutes."""
    return _Finder(text, tokens, hits, subjects, blocked).run()


_BETWEEN_TWO = frozenset(("between", "zwischen", "entre", "tussen", "tra", "fra"))
# What else may stand between a supply and its number.
_SAID_BETWEEN = frozenset(
    [("words", name) for name in ("measured", "pulses", "from_to", "after_repair", "good", "bad")]
    + [
        (CONCEPT, name) for name in
        ("empty", "shorted", "open", "dry", "bad", "hiccup", "low", "high", "drift", "ok", "ripple", "load", "standby",
         "unloaded", "missing", "nothing", "collapse", "dead")
    ]
)  # fmt: skip


class _Finder:
    def __init__(
        self,
        text: str,
        tokens: Sequence[Token],
        hits: Sequence[Hit],
        subjects: Sequence[Subject],
        blocked: frozenset[int],
    ) -> None:
        self.text, self.tokens, self.blocked = text, tokens, blocked
        self.subjects = subjects
        self.made_of: Subject | None = None  # of what the last reading was
        self.at = {subject.first: subject for subject in subjects}
        self.inside = {place for subject in subjects for place in range(subject.first, subject.last + 1)}
        self.states: dict[int, tuple[str, str]] = {}
        self.quantity: dict[int, str] = {}
        self.words: set[int] = set()
        for hit in hits:
            if hit.table in ("supply", "loads"):
                for place in hit.places:
                    self.states.setdefault(place, (hit.table, hit.value))
            if (hit.table, hit.value) in _SAID_BETWEEN or hit.table == "failures":
                self.words.update(hit.places)
        self.pulsing = {
            place
            for hit in hits
            if (hit.table, hit.value) in (("words", "pulses"), (CONCEPT, "hiccup"), (CONCEPT, "drift"))
            for place in hit.places
        }
        self.falling = {
            place for hit in hits if (hit.table, hit.value) == (CONCEPT, "collapse") for place in hit.places
        }
        for place, token in enumerate(tokens):
            if word := _QUANTITY_WORDS.get(token.folded):
                self.quantity[place] = word
        self.actions = {place for hit in hits if hit.table == "actions" for place in hit.places}
        self.parts = {place: hit for hit in hits if hit.table == "parts" for place in hit.places}

    def run(self) -> list[Found]:
        found: list[Found] = []
        subject: Subject | None = None
        quantity: str | None = None
        at, sentence, clause, open_since = 0, -1, -1, -1
        last_rail: Subject | None = None
        while at < len(self.tokens):
            token = self.tokens[at]
            if token.sentence != sentence:
                subject, quantity, sentence = None, None, token.sentence
            if token.clause != clause:
                quantity, clause = quantity if goes_on_with(self.tokens, at, quantity) else None, token.clause
            if at in self.quantity:
                quantity = self.quantity[at]
                of_part = subject is not None and subject.point is not None
                if quantity == "ripple_v" and (subject is None or of_part) and last_rail is not None:
                    subject, open_since = last_rail, at
            own = self.at.get(at)
            if own is not None and not self._is_value(own, subject, found):
                if self._says_where(own, subject):
                    open_since = self._behind_pin(own.last)
                    at = open_since + 1
                    continue
                taken = self._taken_before(own, quantity, found)
                if taken is not None:
                    found.append(taken)
                    self.made_of = own
                subject, open_since = own, own.last
                last_rail = own if own.rail else last_rail
                at = own.last + 1
                continue
            numbers = None if is_rating(self.tokens, at) else self._numbers(at)
            if numbers is not None:
                last, value, low, high, unit = numbers
                if unit == "V" and is_behind_new_part(self.tokens, subject, at, self.actions):
                    subject = None
                quantity = self._said_behind_number(last, unit, quantity)
                if quantity == "esr_ohm" and subject is not None and subject.rail:
                    subject = self._part_before(at) or subject
                if quantity is None and is_drop(self.tokens, subject, at, value, unit):
                    quantity, unit = "diode_v", "V"
                subject = next_in_row(self.tokens, at, subject, found)
                if subject is not None and (
                    self._falls_further(subject, at, unit, found)
                    or self._belongs(subject, at, last, unit, quantity, open_since)
                ):
                    made = self._made(subject, at, last, value, low, high, unit, quantity)
                    if made is not None:
                        if made.quantity == "esr_ohm":
                            quantity = made.quantity  # "C21 1.9 ohm, C22 0.05"
                        if not self._goes_into_last(made, range(open_since + 1, at), found):
                            made.gap = (open_since + 1, at)
                            found += [*self._joined_with(made, found), made]
                            self.made_of = subject
                        open_since = last
                at = last + 1
                continue
            at += 1
        share_out(found, self.subjects, self.tokens)
        return [settle_state(one, self.tokens, self.states, self.at, self.inside) for one in found]

    def _said_behind_number(self, last: int, unit: str, quantity: str | None) -> str | None:
        """ "4.2 ohms ESR", "12V shows 1.1V ripple": the quantity stands behind the number."""
        said = self.quantity.get(last + 1)
        if unit == "ohm" and said == "esr_ohm":
            return said
        return said if unit == "V" and said == "ripple_v" and quantity is None else quantity

    def _falls_further(self, subject: Subject, at: int, unit: str, found: list[Found]) -> bool:
        return unit in ("", "V") and falls_further(self.tokens, subject, at, found, self.falling, self.at)

    def _part_before(self, at: int) -> Subject | None:
        """The part that was named last in the sentence: a supply has no series resistance."""
        sentence = self.tokens[at].sentence
        for place in range(at - 1, max(-1, at - 12), -1):
            subject = self.at.get(place)
            if self.tokens[place].sentence != sentence:
                return None
            if subject is not None and subject.point:
                return subject
        return None

    def _goes_into_last(self, made: Found, gap: range, found: list[Found]) -> bool:
        """Whether the number is an end of the reading before, which then has it."""
        if fell_to(made, gap, found, self.tokens, self.falling):
            if self._pulses(made.tokens[0]) or self._pulses(made.tokens[-1] + 2):
                # "up to 16 then drops to 9, over and over"
                found[-1].high, found[-1].value = found[-1].value, None
            return True
        return rose_to(made, gap, found, self.tokens) or limited(made, gap, found, self.tokens)

    def _says_where(self, own: Subject, subject: Subject | None) -> bool:
        """ "vcc on U1 pin 7": a point named behind a supply says where it was measured."""
        if own.point is None or subject is None or not subject.rail or not own.first:
            return False
        same = self.tokens[subject.first].clause == self.tokens[own.first].clause
        return same and self.tokens[own.first - 1].folded in function_words.PLACE

    def _behind_pin(self, at: int) -> int:
        """The last token of "pin 7" behind token `at`, or `at`."""
        if (
            at + 2 < len(self.tokens)
            and self.tokens[at + 1].folded == "pin"
            and self.tokens[at + 2].kind == NUMBER
        ):
            return at + 2
        return at

    def _joined_with(self, made: Found, found: list[Found]) -> list[Found]:
        """ "12V and 24V stay at 0": the reading of the supply that is joined before."""
        subject = made.subject
        before = next((one for one in self.subjects if one.last == subject.first - 2 and one.rail), None)
        if before is None or not subject.rail:
            return []
        if self.tokens[subject.first - 1].folded not in function_words.JOINS_OF_RAILS:
            return []
        if any(one.subject is before for one in found):
            return []
        return [replace(made, subject=before, first=before.first, tokens=list(made.tokens))]

    def _numbers(self, at: int) -> tuple[int, float | None, float | None, float | None, str] | None:
        """(last token, value, low, high, unit) of a number or range at token `at`."""
        token = self.tokens[at]
        if token.kind not in (NUMBER, VOLTS, QUANTITY) or at in self.blocked or self._counts_else(at):
            return None
        if token.kind == QUANTITY and token.unit not in _QUANTITY_OF_UNIT:
            return None
        if token.low is not None:
            return at, None, token.low, token.high, token.unit
        other = at + 2
        if other < len(self.tokens) and self.tokens[at + 1].folded in function_words.RANGE:
            second = self.tokens[other]
            led = self.tokens[at - 1].folded if at else ""
            if led in function_words.FROM and not self._pulses(at):
                return at, token.value, None, None, token.unit
            between = led in function_words.FROM or led in _BETWEEN_TWO
            joined = self.tokens[at + 1].folded in ("to", "bis", "tot", "a", "al", "auf") or between
            if (
                joined
                and second.kind in (NUMBER, VOLTS)
                and second.value is not None
                and other not in self.blocked
                and second.unit in ("", "V", token.unit)
            ) and (not token.unit or token.unit == second.unit):
                low, high = token.value, second.value
                if (low is not None and second.kind == token.kind) or not token.unit:
                    return other, low, low, high, second.unit or token.unit
        return at, token.value, None, None, token.unit

    def _counts_else(self, at: int) -> bool:
        """ "pin 9", "with a 2A load": a contact's number, and the current of a load."""
        before = self.tokens[at - 1].folded if at else ""
        after = at + 1 if at + 1 < len(self.tokens) else at
        load = (
            self.tokens[after].folded in ("load", "last", "charge")
            or self.states.get(after, ("", ""))[0] == "loads"
        )
        behind_volts = at > 0 and self.tokens[at - 1].kind in (VOLTS, NUMBER)  # "12 V 5 A", "11.8V@2A"
        load = load or behind_volts or before in ("with", "at")
        return before == "pin" or (self.tokens[at].unit == "A" and load) or is_fed_in(self.tokens, at)

    def _pulses(self, at: int) -> bool:
        """Whether the clause says that the value comes and goes, so that "from 9 to 16" is a range."""
        if at >= len(self.tokens):
            return False
        clause = self.tokens[at].clause
        return any(
            place in self.pulsing
            for place in range(max(0, at - 8), min(len(self.tokens), at + 8))
            if self.tokens[place].clause == clause
        )

    def _is_value(self, own: Subject, subject: Subject | None, found: list[Found]) -> bool:
        """Whether "12V" is what was measured on the supply named before it, and no supply itself."""
        if not own.maybe_value or subject is None or subject.first == own.first:
            return False
        if not subject.rail and not self._is_probed(subject, own):
            return False
        if self.tokens[subject.first].clause != self.tokens[own.first].clause:
            between = self.text[self.tokens[subject.last].end : self.tokens[own.first].start]
            if between.strip() not in ("=", ":"):
                return False
        if any(one.last >= subject.last and one.subject is subject for one in found[-1:]):
            return False
        following = own.last + 1
        if following < len(self.tokens) and self.tokens[following].clause == self.tokens[own.first].clause:
            after = self.tokens[following]
            if after.kind in (NUMBER, VOLTS) or (after.kind == SIGN and after.folded == "="):
                return False
        gap = range(subject.last + 1, own.first)
        behind = self.tokens[following].folded if following < len(self.tokens) else ""
        said = function_words.SAYS_STATE
        if behind in said and any(self.tokens[place].folded in said for place in gap):
            return False  # "24V dead 12V fine": two supplies
        if any(self.tokens[place].folded in function_words.JOINS_OF_RAILS for place in gap):
            return False
        return all(self._skips(place) for place in gap)

    def _is_probed(self, subject: Subject, own: Subject) -> bool:
        """Whether volts behind a part were measured there: at a test point, a pin, or said to be read."""
        between = self.tokens[subject.last + 1 : own.first]
        words = {token.folded for token in between}
        return str(subject.point).startswith("TP") or bool(
            words & (function_words.MEASURED | {"pin", "gate", "drain"})
        )

    def _skips(self, place: int) -> bool:
        token = self.tokens[place]
        if token.kind == SIGN:
            return token.folded in "=~≈:-(,)" or len(token.folded) > 1 or before_rating(self.tokens, place)
        if token.kind == QUANTITY and token.unit == "F":
            return True
        if (
            token.kind == VOLTS
            and place
            and (before_rating(self.tokens, place - 1) or is_rating(self.tokens, place))
        ):
            return True
        if token.folded in function_words.WHEN_MEASURED:
            return True
        if token.kind == NUMBER and place and self.tokens[place - 1].folded == "pin":
            return True
        if token.folded in negation_words():
            after = self.tokens[place + 1].folded if place + 1 < len(self.tokens) else ""
            if after in function_words.MORE:
                return True
            if after in function_words.REACHES and place + 2 < len(self.tokens):
                return self.tokens[place + 2].folded in function_words.MORE  # "never gets above 9"
        return (
            token.folded in _SKIPPED or place in self.states or place in self.quantity or place in self.words
        )

    def _taken_before(self, own: Subject, quantity: str | None, found: list[Found]) -> Found | None:
        """ "385 on bulk", "nur 9 V auf der 12V": the number stands before the supply."""
        place = own.first - 1
        seen = False
        while (
            place >= 0
            and self.tokens[place].clause == self.tokens[own.first].clause
            and self.tokens[place].folded in function_words.ON
        ):
            seen, place = True, place - 1
        # "5.02V stby": the value stands right before the name of the role
        named = own.rail is not None and self.tokens[own.first].kind == WORD
        if not (seen or named) or place < 0 or self.tokens[place].clause != self.tokens[own.first].clause:
            return None
        token = self.tokens[place]
        measured = token.kind in (NUMBER, VOLTS) or token.unit in ("Vpp", "ohm")
        if place == own.first - 1 and (own.point or not is_near(own, token.value)):
            return None
        if own.point:
            # "ESR 12 ohms on C9", "0.52 across D14"
            measured = token.unit == "ohm" and quantity == "esr_ohm"
            if self.tokens[own.first - 1].folded == "across":
                drop = is_drop(self.tokens, own, place, token.value, token.unit)
                measured, quantity = drop or token.unit == "V", "diode_v" if drop else quantity
        if not measured or place in self.blocked or (token.value is None and token.low is None):
            return None
        if self._is_of_one_before(place):
            return None
        if any(place in one.tokens for one in found[-3:]):
            return None
        joined = self.tokens[own.first - 1].folded in function_words.JOINS_OF_RAILS
        if own.maybe_value and joined and token.unit == "V":
            return None  # Dutch and French "en": two values, each of a supply of its own
        if place and self.tokens[place - 1].folded in function_words.SHOULD:
            return None
        return self._made(
            own, place, place, token.value, token.low, token.high, token.unit, quantity, last=own.last
        )

    def _is_of_one_before(self, place: int) -> bool:
        """ "5 V at 4.1 and 12 V falls to 9": the number before the "and" is of the supply before it."""
        if self.tokens[place + 1].folded not in function_words.JOINS_OF_RAILS:
            return False
        at = place - 1
        while (
            at >= 0
            and at not in self.inside
            and self._skips(at)
            and self.tokens[at].clause == self.tokens[place].clause
        ):
            at -= 1
        return (
            at >= 0
            and place - at > 1
            and at in self.inside
            and self.tokens[at].clause == self.tokens[place].clause
        )

    def _belongs(
        self, subject: Subject, at: int, last: int, unit: str, quantity: str | None, open_since: int
    ) -> bool:
        """Whether the number at token `at` is read on `subject`: only words that join the two stand between."""
        if subject.first == at:
            return True  # one of a row
        gap = range(open_since + 1, at)
        crosses = self.tokens[at].clause != self.tokens[max(open_since, 0)].clause
        if crosses and self.made_of is subject and subject.role == "bulk" and unit == "V":
            return False
        if crosses and not unit and self._is_whole(at) and not any(self.tokens[p].folded == "(" for p in gap):
            return False
        if not unit and (crosses or self.made_of is subject) and is_too_much(subject, self.tokens[at].value):
            return False
        if len(gap) > _GAP or (crosses and subject.rail and self._said_behind(last)):
            return False
        strange = [place for place in gap if not self._skips(place)]
        if not self._is_whole(at):
            strange = [place for place in strange if not says_at_what(self.tokens, place)]
        sure = unit == "V" or self._is_close(subject, at) or self._is_led_to(subject, at)
        if len(strange) > (1 if sure else 0):
            return False
        if strange and (self.tokens[strange[0]].kind != WORD or self._means(strange[0])):
            return False
        # "on load", "when forced" and the like may follow; a noun makes the number count something else.
        after = last + 1
        if (
            not unit
            and not self._is_close(subject, at)
            and not self._may_follow(after, self.tokens[at].clause)
            and (self._is_whole(at) or not goes_on_to(self.tokens, after))
        ):
            return False
        if any(self.tokens[place].folded in function_words.SHOULD for place in gap):
            return False
        if subject.point is not None:
            outcome = crosses and self._said_behind(last)
            return not (unit == "V" and outcome) and self._is_of_point(subject, at, unit, quantity, gap)
        if unit in ("ohm", "Vpp") and self._is_of_a_part(subject, gap):
            return False
        return unit in ("", "V", "Vpp", "Vac", "A", "ohm")

    def _is_of_point(self, subject: Subject, at: int, unit: str, quantity: str | None, gap: range) -> bool:
        """Whether the number at token `at` may be read at a part or test point."""
        point = str(subject.point)
        rating = point.startswith("C") and point[1:].isdigit() and not gap  # "C3 450V cap"
        if unit == "V" and (rating or self._is_outcome(subject, gap)):
            return False
        if (
            point.startswith("R")
            and not point.startswith(("RL", "RY"))
            and not any(self.tokens[p].folded in function_words.MEASURED for p in gap)
        ):
            return False
        kind = quantity or _QUANTITY_OF_UNIT.get(unit, "dc_v")
        if kind in ("farad",):
            return any(self.tokens[p].folded in _OF_A_CAPACITY for p in gap)
        return kind in ("esr_ohm", "ohm", "diode_v", "celsius", "dc_v", "ripple_v", "hz") and (
            bool(unit) or quantity == "esr_ohm" or self._is_at_test_point(subject, at)
        )

    def _is_of_a_part(self, subject: Subject, gap: range) -> bool:
        """ "caps on 12V: 2.1R", "Vcc 13.2, gate 4 Vpp": the supply only says which parts."""
        before = range(max(0, subject.first - 3), subject.first)
        clause = self.tokens[subject.first].clause
        on = any(self.tokens[place].folded in function_words.PLACE for place in before)
        part = any(place in self.parts and self.tokens[place].clause == clause for place in before)
        return (on and part) or any(self.tokens[place].folded in ("gate", "drain") for place in gap)

    def _is_at_test_point(self, subject: Subject, at: int) -> bool:
        """ "TP3 reads 1.24": what is read at a test point without a unit is volts."""
        measured = self.tokens[at - 1].folded in function_words.MEASURED
        return str(subject.point).startswith("TP") and measured and not self._is_whole(at)

    def _is_led_to(self, subject: Subject, at: int) -> bool:
        """ "19 V brick gives 21.7", "12 V is there (12.2)": a verb of measuring or a bracket leads to the number."""
        before = self.tokens[at - 1].folded
        if before == "(":
            return self._is_close(subject, at)
        return not self._is_whole(at) and before in function_words.GIVES

    def _said_behind(self, last: int) -> bool:
        """ "NTC1 open, 0 V on the bulk": the supply stands behind the number."""
        place = last + 1
        while place < len(self.tokens) and self.tokens[place].folded in function_words.ON:
            place += 1
        own = self.at.get(place)
        return place > last + 1 and own is not None and own.rail is not None

    def _is_outcome(self, subject: Subject, gap: range) -> bool:
        """ "changed Q8 -> 392V": what came of it, and not what was measured at the part."""
        arrow = any(self.tokens[p].kind == SIGN and len(self.tokens[p].folded) > 1 for p in gap)
        if arrow and any(self.tokens[p].folded in function_words.NEW for p in gap):
            return True
        near = range(max(0, subject.first - 3), subject.last + 1 + len(gap))
        return arrow and any(place in self.actions for place in near)

    def _is_close(self, subject: Subject, at: int) -> bool:
        """Whether a number with decimals is near the supply's volts, so that it counts nothing else."""
        value, nominal = self.tokens[at].value, subject.nominal_v
        return (
            bool(nominal)
            and value is not None
            and not self._is_whole(at)
            and abs(value - (nominal or 0)) <= _CLOSE * abs(nominal or 0)
        )

    def _means(self, place: int) -> bool:
        """Whether a word between a supply and a number is a part or says what was done."""
        return (
            place in self.parts or place in self.actions or self.tokens[place].folded in function_words.LISTED
        )

    def _is_whole(self, at: int) -> bool:
        token = self.tokens[at]
        return not any(mark in self.text[token.start : token.end] for mark in ".,")

    def _may_follow(self, after: int, clause: int) -> bool:
        if after >= len(self.tokens) or self.tokens[after].clause != clause:
            return True
        token = self.tokens[after]
        if token.kind == SIGN or token.kind in (VOLTS, RAIL, DESIGNATOR):
            return True
        if after in self.at or after in self.states or after in self.quantity or after in self.words:
            return True
        return (
            token.folded in function_words.BETWEEN
            or token.folded in function_words.ON
            or token.folded in function_words.RANGE
            or token.folded in function_words.SHOULD | function_words.ALL_GOOD
            or token.folded in function_words.WHEN_MEASURED
            or token.kind == NUMBER
        )

    def _made(
        self,
        subject: Subject,
        at: int,
        end: int,
        value: float | None,
        low: float | None,
        high: float | None,
        unit: str,
        quantity: str | None,
        last: int | None = None,
    ) -> Found | None:
        kind = _QUANTITY_OF_UNIT.get(unit, "dc_v")
        series = kind == "ohm" and is_series_resistance(self.tokens, subject, at, value)
        if (quantity == "esr_ohm" and unit in ("", "ohm")) or series:
            kind = "esr_ohm"
        elif quantity == "ripple_v" and unit in ("", "V", "Vpp"):
            kind = "ripple_v"
        elif (quantity in ("diode_v", "ac_v") and unit in ("V", "Vac")) or (
            quantity == "diode_v" and not unit and subject.point
        ):
            kind = quantity
        biggest = max(abs(number) for number in (value, low, high) if number is not None)
        if not unit and biggest > _LARGEST_BARE:
            return None
        if (
            subject.rail
            and kind == "dc_v"
            and not unit
            and subject.nominal_v
            and biggest > 4 * abs(subject.nominal_v) + 5
        ):
            return None
        if low is not None:
            value = None
        return Found(
            subject,
            min(subject.first, at),
            max(end, last or end),
            kind,
            value,
            low,
            high,
            tokens=[*range(at, end + 1)],
        )
