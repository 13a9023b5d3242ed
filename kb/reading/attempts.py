"""Fixes among the words: parts, what was wrong with them, what was done, and what came of it.

Failures and actions are tied to parts by where they stand: to the list of parts just before them, or where
none is open to the ones right behind. What came of it goes to all fixes since the last result.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from kb.facts.designators import designator_letters
from kb.reading import little_words
from kb.reading.facts import KnownPart
from kb.reading.later_readings import wrong_rails
from kb.reading.lexicon import CONCEPT, Hit, negation_words
from kb.reading.mentions import Mention, find_mentions, in_order, listed
from kb.reading.part_failures import (
    BAD,
    CAPACITORS,
    COMES_LOOSE,
    FAILURE_CONCEPTS,
    OF_THE_DEVICE,
    WET_CAPACITORS,
    failure_by_value,
)
from kb.reading.readings import Found
from kb.reading.same_parts import same_class, same_part
from kb.reading.sections import OF_OUTPUTS, SECTION_OF_ROLE, class_of_designator, section_of
from kb.reading.subjects import Subject
from kb.reading.tokens import QUANTITY, SIGN, WORD, Token

_PREPOSED = 4
_SENTENCES_BACK = 2
_WITHOUT_PART = frozenset(
    ("clean", "resolder", "adjust", "recap section", "reprogram", "replace board", "repair track")
)
_CLASS_OF_ACTION = {"recap section": "electrolytic capacitor", "repair track": "circuit board"}


@dataclass(frozen=True, slots=True)
class _Event:
    first: int
    last: int
    kind: str
    value: str


class AttemptFinder:
    """Ties what was found in one text to its parts."""

    def __init__(
        self,
        tokens: Sequence[Token],
        hits: Sequence[Hit],
        subjects: Sequence[Subject],
        readings: Sequence[Found],
        known: dict[str, KnownPart],
    ) -> None:
        self.tokens, self.hits, self.subjects, self.readings, self.known = (
            tokens,
            hits,
            subjects,
            readings,
            known,
        )
        self.mentions = find_mentions(tokens, hits, subjects)
        self.places = {place for mention in self.mentions for place in range(mention.first, mention.last + 1)}
        self.without_part: list[Mention] = []

    def run(self) -> list[Mention]:
        self._mark_good()
        events = self._events()
        self.acts = {event.first for event in events if event.kind == "actions"}
        marks: list[tuple[int, int, object]] = [(mention.first, 0, mention) for mention in self.mentions]
        marks += [(event.first, 1, event) for event in events]
        marks.sort(key=lambda mark: (mark[0], mark[1]))
        self._tie(marks)
        self._next_try()
        self._measured()
        self.mentions = same_class(same_part(self.mentions))
        self._fill()
        found = [*self.without_part, *(mention for mention in self.mentions if self._is_attempt(mention))]
        return sorted(found, key=lambda mention: mention.first)

    def _mark_good(self) -> None:
        """ "fuse OK", "D5 ok": a part that was found good; "on CN2 pin 3": one that only says where."""
        good = {hit.first for hit in self.hits if hit.table == CONCEPT and hit.value == "ok"}
        done = {hit.first for hit in self.hits if hit.table == "actions"}
        bad = {hit.first for hit in self.hits if hit.table == CONCEPT and hit.value in BAD}
        bad |= {hit.first for hit in self.hits if (hit.table, hit.value) == ("words", "bad")}
        loose = {hit.first for hit in self.hits if hit.table == CONCEPT and hit.value == "loose"}
        news = False
        for number, mention in enumerate(self.mentions):
            behind = self.mentions[number + 1].first if number + 1 < len(self.mentions) else len(self.tokens)
            clause = self.tokens[mention.last].clause
            before = self.tokens[mention.first - 1].folded if mention.first else ""
            after = self.tokens[mention.last + 1].folded if mention.last + 1 < len(self.tokens) else ""
            mention.only_place = before in little_words.PLACE or after in ("pin", "pins", "broche", "patte")
            near = [
                at
                for at in range(mention.last + 1, min(mention.last + 4, behind, len(self.tokens)))
                if self.tokens[at].clause == clause
            ]
            mention.bad = any(at in bad for at in near) or (
                mention.part_class in COMES_LOOSE
                and any(at in loose for at in range(max(0, mention.first - 2), mention.first))
            )
            # "replaced C9 ok", "new fuse and it works": good is the board with the new part.
            since = self.mentions[number - 1].last + 1 if number else 0
            ahead = range(max(since, mention.first - _PREPOSED), mention.first)
            new = any(
                self.tokens[at].clause == clause
                and (at in done or self.tokens[at].folded in little_words.NEW)
                for at in ahead
            ) or any(self.tokens[at].folded in little_words.NEW for at in near)
            if number and news and listed(self.mentions[number - 1], mention, self.tokens):
                new = True
            news = new
            mention.ok = any(at in good for at in near) and not new and not any(at in done for at in near)
            if mention.ok and any(self.tokens[at].folded in negation_words() for at in near):
                mention.ok = False

    def _measured(self) -> None:
        """What a reading at a part says of it: a high ESR, a short, contacts that no longer close."""
        for one in self.readings:
            if one.subject.point is None or one.value is None:
                continue
            for mention in self.mentions:
                if mention.part == one.subject.point and mention.failure is None:
                    mention.failure = failure_by_value(mention, one.quantity, one.value)
                    if mention.failure:
                        mention.take(*one.tokens)
                    break

    def _events(self) -> list[_Event]:
        found: list[_Event] = []
        taken: set[int] = set()
        for table in ("verdicts", "actions", "results", "failures"):
            ordered = sorted(
                (hit for hit in self.hits if hit.table == table),
                key=lambda hit: (-len(hit.places), hit.first),
            )
            mine: set[int] = set()
            for hit in ordered:
                span = set(range(hit.first, hit.last + 1))
                if mine & span or (table == "failures" and taken & span):
                    continue
                if table == "actions" and (self._denied(hit) or self._ordered(hit.first, hit.last)):
                    continue
                mine |= span
                found.append(_Event(hit.first, hit.last, table, hit.value))
            taken |= mine
        found += [
            _Event(hit.first, hit.last, "failures", hit.value)
            for hit in self.hits
            if hit.table == CONCEPT and hit.value in FAILURE_CONCEPTS and not taken.intersection(hit.places)
        ]
        for at, token in enumerate(self.tokens):
            if token.folded == "kurz" and {at - 1, at - 2} & self.places and at not in taken:
                found.append(_Event(at, at, "failures", "shorted"))
            if (
                token.kind == WORD
                and token.folded in little_words.NEW
                and at + 1 not in taken  # "neu angelötet"
                and not (at and self.tokens[at - 1].folded in little_words.BEFORE_AGAIN)
                and at not in taken
                and not self._ordered(at, at)
            ):
                found.append(_Event(at, at, "actions", "replace"))
        return sorted(found, key=lambda event: (event.first, event.kind))

    def _ordered(self, first: int, last: int) -> bool:
        """ "new one ordered": nothing was done yet."""
        near = range(first, min(last + 4, len(self.tokens)))
        return any(
            self.tokens[at].folded in little_words.ORDERED
            and self.tokens[at].clause == self.tokens[first].clause
            for at in near
        )

    def _denied(self, hit: Hit) -> bool:
        before = hit.first - 1
        return (
            not hit.denies
            and before >= 0
            and self.tokens[before].folded in negation_words()
            and self.tokens[before].clause == self.tokens[hit.first].clause
        )

    def _tie(self, marks: list[tuple[int, int, object]]) -> None:
        seen: list[Mention] = []
        waiting_failure: _Event | None = None
        for _, _, mark in marks:
            if isinstance(mark, Mention):
                if waiting_failure is not None and self._follows(waiting_failure, mark):
                    self._fail([mark], waiting_failure)
                waiting_failure = None
                self._inherit(mark, seen)
                seen.append(mark)
                continue
            assert isinstance(mark, _Event)
            if mark.kind == "failures":
                waiting_failure = self._failure(mark, seen)
            elif mark.kind == "actions":
                self._action(mark, seen)

    def _follows(self, event: _Event, mention: Mention) -> bool:
        near = mention.first - event.last <= 3 and mention.sentence == self.tokens[event.last].sentence
        return near and self.tokens[event.last].clause == self.tokens[mention.first].clause

    def _failure(self, event: _Event, seen: list[Mention]) -> _Event | None:
        """Gives the failure to the parts before it; returns it where it waits for the part behind it."""
        if self._not_so(event):
            return None
        group = self._open_group(event, seen, lambda mention: mention.failure is None)
        group = [mention for mention in group if self._can_fail(mention, event)]
        if group:
            self._fail(group, event)
            return None
        return event

    def _not_so(self, event: _Event) -> bool:
        """Whether the failure is denied: "not burnt", "no bulges"."""
        words = self.tokens[max(0, event.first - 3) : event.first]
        clause = self.tokens[event.first].clause
        return any(token.folded in negation_words() and token.clause == clause for token in words)

    def _can_fail(self, mention: Mention, event: _Event) -> bool:
        if event.value not in FAILURE_CONCEPTS:
            return True
        classes = FAILURE_CONCEPTS[event.value][1]
        own = mention.part_class or class_of_designator(mention.part or "", None)
        if event.value == "shorted" and own in ("fuse", "solder joint", "relay"):
            return False
        return not classes or own in classes

    def _fail(self, group: list[Mention], event: _Event) -> None:
        for mention in group:
            if mention.failure is None and self._can_fail(mention, event):
                mention.failure = FAILURE_CONCEPTS.get(event.value, (event.value,))[0]
                mention.take(event.first, event.last)

    def _open_group(self, event: _Event, seen: list[Mention], is_open: object) -> list[Mention]:
        """The list of parts that ends just before `event`, in its sentence."""
        group: list[Mention] = []
        sentence = self.tokens[event.first].sentence
        for mention in reversed(seen):
            if mention.sentence != sentence or not is_open(mention):  # type: ignore[operator]
                break
            if group and not listed(mention, group[-1], self.tokens):
                break
            if not group and self._interrupted(mention, event):
                break
            group.append(mention)
        return group

    def _interrupted(self, mention: Mention, event: _Event) -> bool:
        between = self.tokens[mention.last + 1 : event.first]
        if event.kind == "failures":
            return len([token for token in between if token.kind == WORD]) > 6
        return False

    def _action(self, event: _Event, seen: list[Mention]) -> None:
        event = self._of_whole_board(event)
        following = self._behind(event)
        if following is not None and self._joined_behind(event, following, seen):
            following = None
        if following is not None:
            following.action, following.acted_at = event.value, event.first
            following.take(event.first, event.last)
            self._also_behind(following, event.value)
            return
        sentence = self.tokens[event.first].sentence
        open_ones = [mention for mention in seen if mention.action is None and not mention.ok]
        group = [mention for mention in open_ones if mention.sentence == sentence]
        if not group and open_ones and open_ones[-1].sentence >= sentence - 2:
            group = [mention for mention in open_ones if mention.sentence == open_ones[-1].sentence]
        # "motor jerky, cleaned": what the complaint names is not what was worked on where a part is.
        group = [
            mention
            for mention in group
            if mention.failure
            or mention.bad
            or (not mention.only_place and (mention.part or self._is_board_part(mention)))
            or 0 < event.first - mention.last <= 2
        ]
        group = self._bad_ones(group)
        if event.value == "recap section":
            group = [mention for mention in group if self._own_class(mention) in CAPACITORS]
        elif event.value == "repair track":
            group = [mention for mention in group if mention.part_class in ("circuit board", "cable")]
        if not group:
            group = self._of_the_device(event, seen)
        if not group and event.value in _WITHOUT_PART and not self._already(event, seen):
            self.without_part.append(
                Mention(
                    event.first,
                    event.last,
                    part_class=_CLASS_OF_ACTION.get(event.value),
                    action=event.value,
                    acted_at=event.first,
                    sentence=sentence,
                )
            )
        for mention in group:
            mention.action, mention.acted_at = event.value, event.first
            if mention.sentence == sentence:
                mention.take(event.first, event.last)

    def _of_whole_board(self, event: _Event) -> _Event:
        """ "replaced psu board", "Netzteil komplett getauscht": no part but the whole board."""
        if event.value != "replace":
            return event
        clause = self.tokens[event.first].clause
        near = [
            at
            for at in range(max(0, event.first - 3), min(event.last + 4, len(self.tokens)))
            if self.tokens[at].clause == clause and not event.first <= at <= event.last
        ]
        whole = any(self.tokens[at].folded in little_words.WHOLE_BOARD for at in near)
        if whole and not any(at in self.places for at in near):
            return _Event(event.first, event.last, event.kind, "replace board")
        return event

    def _already(self, event: _Event, seen: list[Mention]) -> bool:
        """Whether the words before say the same: "washed with alcohol", "badly soldered … resoldered"."""
        sentence = self.tokens[event.first].sentence
        before = [*seen, *self.without_part]
        return any(
            mention.action == event.value
            and mention.acted_at is not None
            and (sentence - self.tokens[mention.acted_at].sentence <= (event.value == "resolder"))
            for mention in before
        )

    def _own_class(self, mention: Mention) -> str | None:
        return mention.part_class or class_of_designator(mention.part or "", mention.failure)

    def _of_the_device(self, event: _Event, seen: list[Mention]) -> list[Mention]:
        """ "fan not spinning, cleaned": the part of the device that the complaint named last."""
        if event.value == "replace":
            last = seen[-1:]
            sentence = self.tokens[event.first].sentence
            return [one for one in last if one.action is None and not one.ok and one.sentence == sentence]
        if event.value not in ("clean", "adjust"):
            return []
        sentence = self.tokens[event.first].sentence
        near = [
            mention
            for mention in seen
            if mention.part_class in OF_THE_DEVICE - {"motor or pump", "loudspeaker or buzzer"}
            and not mention.ok
            and mention.sentence >= sentence - _SENTENCES_BACK
        ]
        return near[-1:]

    def _bad_ones(self, group: list[Mention]) -> list[Mention]:
        """Where some parts were found bad, those and what is listed with them."""
        if not any(mention.failure for mention in group):
            return group
        kept = []
        for at, mention in enumerate(group):
            sides = [group[other] for other in (at - 1, at + 1) if 0 <= other < len(group)]
            with_bad = any(
                other.failure and listed(*in_order(mention, other), tokens=self.tokens) for other in sides
            )
            if mention.failure or mention.bad or with_bad:
                kept.append(mention)
        return kept

    def _is_board_part(self, mention: Mention) -> bool:
        return mention.part_class not in OF_THE_DEVICE

    def _behind(self, event: _Event) -> Mention | None:
        """The part right behind an action: "replaced C9", "new varistor"."""
        for mention in self.mentions:
            if event.first <= mention.first and mention.last <= event.last and mention.action is None:
                return mention
            if mention.first > event.last:
                gap = self.tokens[event.last + 1 : mention.first]
                near = (
                    len([token for token in gap if token.kind != SIGN]) <= _PREPOSED
                    and mention.sentence == self.tokens[event.last].sentence
                )
                plain = (
                    all(token.clause == self.tokens[event.last].clause for token in gap)
                    and self.tokens[mention.first].clause == self.tokens[event.last].clause
                )
                listed_behind = (
                    bool(gap)
                    and gap[-1].folded == ":"
                    and mention.sentence == self.tokens[event.last].sentence
                )
                return mention if ((near and plain) or listed_behind) and mention.action is None else None
        return None

    def _joined_behind(self, event: _Event, following: Mention, seen: list[Mention]) -> bool:
        """ "… replaced + R12": the action belongs to the parts before it, the next part is joined on."""
        gap = self.tokens[event.last + 1 : following.first]
        sentence = self.tokens[event.first].sentence
        has_open = any(
            mention.sentence == sentence and mention.action is None and not mention.ok for mention in seen
        )
        return (
            has_open
            and bool(gap)
            and gap[0].folded in little_words.EXTENDS - {"with", "mit", "avec", "met", "con"}
        )

    def _also_behind(self, mention: Mention, action: str) -> None:
        before = mention
        for other in self.mentions[self.mentions.index(mention) + 1 :]:
            if (
                other.sentence != before.sentence
                or other.action is not None
                or other.only_place
                or not listed(before, other, self.tokens)
            ):
                return
            other.action, other.acted_at = action, mention.acted_at
            before = other

    def _inherit(self, mention: Mention, seen: list[Mention]) -> None:
        """ "… all replaced + R12": what was done goes on to the part joined behind."""
        if mention.action is not None or not seen or seen[-1].action is None:
            return
        before = seen[-1]
        between = self.tokens[max(before.end, before.last) + 1 : mention.first]
        joined = (
            between
            and between[0].folded in little_words.EXTENDS
            and all(token.folded in little_words.LISTED for token in between)
        )
        acted = before.sentence if before.acted_at is None else self.tokens[before.acted_at].sentence
        counts = (self._is_board_part(mention) or mention.part) and mention.last + 1 not in self.acts
        if mention.sentence == acted and joined and counts and before.end < mention.first:
            mention.action, mention.acted_at = before.action, mention.first

    def _next_try(self) -> None:
        """ "… no good, then the opto": a part alone in a clause behind a fix is the next one that was tried."""
        last: str | None = None
        for mention in self.mentions:
            if mention.action is not None:
                last = mention.action
            elif mention.part and not mention.ok and self._after(mention):
                mention.action, mention.acted_at = "replace", mention.first
            elif (
                last is not None
                and mention.failure is None
                and not mention.ok
                and not mention.only_place
                and (self._alone(mention) or self._leads_on(mention))
            ):
                mention.action, mention.acted_at = last, mention.first

    def _after(self, mention: Mention) -> bool:
        """ "5.05 after C8", at the end of a clause: it was replaced."""
        at, ends = mention.first - 1, mention.last + 1
        clause = self.tokens[mention.first].clause
        return (
            at >= 0
            and self.tokens[at].folded in little_words.AFTER
            and any(one.last == at - 1 and _is_good(one) for one in self.readings)
            and (ends >= len(self.tokens) or self.tokens[ends].clause != clause)
        )

    def _leads_on(self, mention: Mention) -> bool:
        """ "… U4 -> 12V back": what came of it stands behind an arrow."""
        after = mention.last + 1
        return after < len(self.tokens) and (
            self.tokens[after].kind == SIGN and len(self.tokens[after].folded) > 1
        )

    def _alone(self, mention: Mention) -> bool:
        clause = self.tokens[mention.first].clause
        around = [
            self.tokens[at]
            for at in range(max(0, mention.first - 6), min(len(self.tokens), mention.last + 6))
            if self.tokens[at].clause == clause and not mention.first <= at <= mention.last
        ]
        return all(token.kind == SIGN or token.folded in little_words.NEXT for token in around)

    def _fill(self) -> None:
        roles = [(subject.first, subject.role) for subject in self.subjects if subject.rail]
        self.wrong_rails = wrong_rails(self.tokens, self.hits, self.subjects, self.readings)
        said = [
            (hit.first, hit.value) for hit in self.hits if hit.table == "sections" and hit.value != "other"
        ]
        for mention in (*self.mentions, *self.without_part):
            earlier = self.known.get(mention.part or "")
            role = self._role(mention, roles)
            said_here = self._nearest(mention, said)
            if mention.part_class is None and mention.part:
                mention.part_class = earlier.part_class if earlier else self._class(mention)
            if earlier and earlier.part_class == mention.part_class:
                mention.section = earlier.section
            else:
                mention.section = section_of(mention.part_class, role, said_here)
            self._refine(mention)
            if mention.part_class == "solder joint":
                mention.section = self._section_of_joint(mention, role)

    def wrong_names(self) -> frozenset[str]:
        """The supplies that were found wrong, by name."""
        return frozenset(
            subject.rail for subject in self.subjects if subject.rail and subject.first in self.wrong_rails
        )

    def _section_of_joint(self, mention: Mention, role: str | None) -> str | None:
        """A joint of an output's own part sits in that output."""
        if class_of_designator(mention.part or "", None) in OF_OUTPUTS and role in SECTION_OF_ROLE:
            return SECTION_OF_ROLE[role]
        return section_of("solder joint", None, None)

    def _refine(self, mention: Mention) -> None:
        """What the class says of the failure, and a section of the class."""
        if (
            mention.part_class == "diode"
            and mention.failure == "shorted"
            and str(mention.section).endswith("output")
        ):
            mention.part_class = "Schottky rectifier"
        if mention.part_class == "fuse" and (
            mention.failure == "burnt" or (mention.bad and not mention.failure)
        ):
            mention.failure = "open"
        if mention.failure == "leaking electrolyte" and mention.part_class not in WET_CAPACITORS:
            mention.failure = "leaky"
        if mention.action is None and mention.part_class == "solder joint" and self._redone(mention):
            mention.action, mention.acted_at = "resolder", mention.last
        if mention.action == "resolder" and mention.part and mention.failure in (None, "intermittent"):
            mention.part_class = "solder joint"
        if mention.part_class == "solder joint" and mention.failure is None and mention.action == "resolder":
            mention.failure, mention.inferred = "cracked joint", True

    def _redone(self, mention: Mention) -> bool:
        redone = [hit.first for hit in self.hits if hit.table == CONCEPT and hit.value == "redone"]
        return any(
            0 < at - mention.last <= 5 and self.tokens[at].sentence == mention.sentence for at in redone
        )

    def _class(self, mention: Mention) -> str | None:
        assert mention.part is not None
        if mention.action == "resolder":
            return "solder joint"
        values = [
            token for token in self.tokens[mention.last + 1 : mention.last + 4] if token.kind == QUANTITY
        ]
        if designator_letters(mention.part) == "R" and any(
            token.unit == "ohm" and (token.value or 0) < 1 for token in values
        ):
            return "current sense resistor"
        behind = [token.folded for token in self.tokens[mention.last + 1 : mention.last + 5]]
        if designator_letters(mention.part) == "Q" and (
            "c - e" in " ".join(behind) or "b - e" in " ".join(behind)
        ):
            return "bipolar transistor"
        return class_of_designator(mention.part, mention.failure)

    def _role(self, mention: Mention, roles: list[tuple[int, str]]) -> str | None:
        """The supply that a part belongs to: named with it, else the one that was found wrong."""
        bad = [(at, role) for at, role in roles if at in self.wrong_rails]
        here = [(at, role) for at, role in roles if self.tokens[at].sentence == mention.sentence]
        bad_here = [one for one in here if one in bad]
        return self._nearest(mention, bad_here or here or bad or roles)

    def _nearest(self, mention: Mention, places: list[tuple[int, str]]) -> str | None:
        near = [
            (abs(at - mention.first), value)
            for at, value in places
            if self.tokens[at].sentence == mention.sentence
        ]
        if not near:
            near = [(abs(at - mention.first) + 50, value) for at, value in places]
        return min(near)[1] if near and min(near)[0] <= 90 else None

    def _is_attempt(self, mention: Mention) -> bool:
        if mention.ok:
            return False
        named = mention.part or mention.part_class in COMES_LOOSE
        if mention.action is not None or (mention.bad and named and not mention.only_place):
            return True
        return (
            mention.failure is not None
            and mention.part_class != "fuse"
            and (mention.part is not None or mention.part_class is not None)
        )


def _is_good(one: Found) -> bool:
    """Whether a reading is near its supply's volts: "0 V after F1" says where it was measured."""
    nominal = one.subject.nominal_v
    return bool(nominal and one.value is not None and abs(one.value - nominal) <= 0.1 * abs(nominal))
