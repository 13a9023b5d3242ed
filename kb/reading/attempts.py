"""Fixes among the words: parts, what was wrong with them, what was done, and what came of it.

Failures and actions are tied to parts by where they stand: to the list of parts just before them, or where
none is open to the ones right behind. What came of it goes to all fixes since the last result.
"""

from __future__ import annotations

from collections.abc import Sequence

from kb.facts.designators import designator_letters
from kb.reading import function_words
from kb.reading.acted_on import WITH_ADAPTER, just_removed, loose_wire, named_behind, of_whole_board
from kb.reading.events import Event, EventFinder
from kb.reading.facts import KnownPart
from kb.reading.inferred_parts import Filler
from kb.reading.lexicon import Hit, negation_words
from kb.reading.marked_good import mark_good
from kb.reading.mentions import Mention, find_mentions, in_order, is_still_so, listed, only_says_where
from kb.reading.part_failures import (
    CAPACITORS,
    COMES_LOOSE,
    FAILURE_CONCEPTS,
    OF_THE_DEVICE,
    WITH_CONTACTS,
    is_near_nominal,
    set_failures_by_value,
)
from kb.reading.readings import Found
from kb.reading.same_parts import same_class, same_part
from kb.reading.sections import class_of_designator
from kb.reading.subjects import Subject
from kb.reading.tokens import SIGN, WORD, Token
from kb.reading.tried_in_turn import mark_tried_in_turn

_PREPOSED = 4
_SENTENCES_BACK = 2
_SENTENCES_OF_ALL = 3
_WITHOUT_PART = frozenset(
    ("clean", "resolder", "adjust", "recap section", "reprogram", "replace board", "repair track",
     "replace adapter")
)  # fmt: skip
_FAILS_SO: dict[str, frozenset[str | None]] = {
    "lost capacitance": CAPACITORS | {None},
    "high ESR": CAPACITORS | {None},
    "bulging": CAPACITORS | {"battery", None},
}
_OF_PARTS = frozenset(
    ("shorted", "high ESR", "bulging", "leaking electrolyte", "leaky", "lost capacitance", "drifted")
)
_MAY_SHORT = frozenset(("Q", "D", "BD", "BR", "DB", "ZD", "T", "TR"))
_JOINED = frozenset(("+", "&", "and", "und", "et", "en", "y", "e", "ed"))
_HOLD_PROGRAMS = frozenset(("memory", "microcontroller", "controller IC", "processor", "supervisor IC"))


_CLASS_OF_ACTION = {"recap section": "electrolytic capacitor", "repair track": "circuit board"}


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
        self.tokens, self.readings = tokens, readings
        self.mentions = find_mentions(tokens, hits, subjects)
        self.places = {place for mention in self.mentions for place in range(mention.first, mention.last + 1)}
        self.without_part: list[Mention] = []
        self.subjects, self.hits, self.known = subjects, hits, known

    def run(self) -> list[Mention]:
        mark_good(self.mentions, self.tokens, self.hits)
        events = EventFinder(self.tokens, self.hits, self.places).run()
        self.acts = {event.first for event in events if event.kind == "actions"}
        marks: list[tuple[int, int, object]] = [(mention.first, 0, mention) for mention in self.mentions]
        marks += [(event.first, 1, event) for event in events]
        marks.sort(key=lambda mark: (mark[0], mark[1]))
        self._tie(marks)
        self._next_try()
        mark_tried_in_turn(self.mentions, self.tokens, self.hits)
        set_failures_by_value(self.mentions, self.readings)
        self.mentions = same_class(same_part(self.mentions))
        self.filler = Filler(self.tokens, self.hits, self.subjects, self.readings, self.known)
        self.filler.fill((*self.mentions, *self.without_part))
        found = [*self.without_part, *(mention for mention in self.mentions if self._is_attempt(mention))]
        return sorted(found, key=lambda mention: mention.first)

    def _is_alike(self, before: Mention, mention: Mention) -> bool:
        """ "RV1 burst, the fuse too", "Q4 short + fuse": a part of which the same is said as of the one before it."""
        if not (before.failure or before.bad) or mention.sentence - before.sentence > 1 or mention.failure:
            return False
        between = {token.folded for token in self.tokens[before.end + 1 : mention.first]}
        joined = bool(between & _JOINED) and between <= function_words.LISTED
        joined = joined and before.sentence == mention.sentence
        if joined and before.action is None and self._is_board_part(mention):
            return True
        at = mention.last + 1
        if at >= len(self.tokens) or self.tokens[at].clause != self.tokens[mention.last].clause:
            return False
        ends = at + 1 >= len(self.tokens) or self.tokens[at + 1].clause != self.tokens[at].clause
        return ends and self.tokens[at].folded in function_words.ALSO

    def _tie(self, marks: list[tuple[int, int, object]]) -> None:
        seen: list[Mention] = []
        waiting_failure: Event | None = None
        listed_failure: Event | None = None  # said before a list of parts: "3 swollen caps C22 C23 C25"
        for _, _, mark in marks:
            if isinstance(mark, Mention):
                if waiting_failure is not None and self._follows(waiting_failure, mark):
                    self._fail([mark], waiting_failure)
                    listed_failure = waiting_failure
                elif listed_failure is not None and seen and self._goes_on_with(seen[-1], mark):
                    self._fail([mark], listed_failure)
                else:
                    listed_failure = None
                waiting_failure = None
                self._inherit(mark, seen)
                if seen and self._is_alike(seen[-1], mark):
                    mark.bad = True
                    letters = designator_letters(mark.part or "")
                    if seen[-1].failure == "shorted" and letters in _MAY_SHORT and mark.failure is None:
                        mark.failure = "shorted"
                seen.append(mark)
                continue
            assert isinstance(mark, Event)
            if mark.kind == "failures":
                waiting_failure = self._failure(mark, seen)
            elif mark.kind == "actions":
                self._action(mark, seen)

    def _goes_on_with(self, before: Mention, mention: Mention) -> bool:
        """Whether a list of parts of one letter goes on."""
        return (
            bool(mention.part and before.part)
            and before.sentence == mention.sentence
            and designator_letters(mention.part or "") == designator_letters(before.part or "")
            and listed(before, mention, self.tokens)
        )

    def _follows(self, event: Event, mention: Mention) -> bool:
        near = mention.first - event.last <= 3 and mention.sentence == self.tokens[event.last].sentence
        return near and self.tokens[event.last].clause == self.tokens[mention.first].clause

    def _failure(self, event: Event, seen: list[Mention]) -> Event | None:
        """Gives the failure to the parts before it; returns it where it waits for the part behind it."""
        if self._not_so(event):
            return None
        group = self._open_group(event, seen, lambda mention: mention.failure is None)
        group = [mention for mention in group if self._can_fail(mention, event)]
        if group:
            self._fail(group, event)
            return None
        return event

    def _not_so(self, event: Event) -> bool:
        """Whether the failure is denied: "not burnt", "no bulges"."""
        words = self.tokens[max(0, event.first - 3) : event.first]
        clause = self.tokens[event.first].clause
        return any(token.folded in negation_words() and token.clause == clause for token in words)

    def _can_fail(self, mention: Mention, event: Event) -> bool:
        if self.tokens[event.first].folded in ("blow", "blows", "blowing") and mention.part_class == "fan":
            return False  # "fans blow"
        if event.value == "worn contacts" and self._own_class(mention) not in WITH_CONTACTS:
            return False
        only = _FAILS_SO.get(event.value)
        if only is not None and self._own_class(mention) not in only:
            return False
        if event.value not in FAILURE_CONCEPTS:
            return True
        classes = FAILURE_CONCEPTS[event.value][1]
        own = mention.part_class or class_of_designator(mention.part or "", None)
        if event.value == "shorted" and own in ("fuse", "solder joint", "relay"):
            return False
        return not classes or own in classes

    def _fail(self, group: list[Mention], event: Event) -> None:
        for mention in group:
            if mention.failure is None and self._can_fail(mention, event):
                mention.failure = FAILURE_CONCEPTS.get(event.value, (event.value,))[0]
                mention.take(event.first, event.last)

    def _open_group(self, event: Event, seen: list[Mention], is_open: object) -> list[Mention]:
        """The list of parts that ends just before `event`, in its sentence."""
        group: list[Mention] = []
        sentence = self.tokens[event.first].sentence
        for mention in reversed(seen):
            if not group and event.kind == "failures" and only_says_where(mention, seen, self.tokens):
                continue
            if not group and event.value in _FAILS_SO and not self._can_fail(mention, event):
                continue  # "the cap behind the standby diode vented"
            if (
                not group
                and event.value in _OF_PARTS
                and mention.part_class == "circuit board"
                and seen[0] is not mention
            ):
                continue  # "the triac on the washer's pcb shorted"
            if mention.sentence != sentence or not is_open(mention):  # type: ignore[operator]
                break
            if group and not listed(mention, group[-1], self.tokens):
                break
            if not group and self._interrupted(mention, event):
                break
            group.append(mention)
        return group

    def _interrupted(self, mention: Mention, event: Event) -> bool:
        if event.kind == "failures":
            words = [
                at
                for at in range(mention.last + 1, event.first)
                if self.tokens[at].kind == WORD
                and at not in self.places
                and self.tokens[at].folded not in function_words.ARTICLES
            ]
            return len(words) > 6
        return False

    def _action(self, event: Event, seen: list[Mention]) -> None:
        event = of_whole_board(event, self.tokens, self.places)
        following = self._behind(event)
        if following is not None and self._joined_behind(event, following, seen):
            following = None
        following = self._without_own_joint(event, following, seen)
        if event.value == "repair track" and following is not None:
            # "track rebuilt + D14 new": D14 was not rebuilt.
            own = self._own_class(following)
            following = following if own in ("circuit board", "connector", "solder joint") else None
        if following is not None:
            following.action, following.acted_at = event.value, event.first
            following.take(event.first, event.last)
            self._also_behind(following, event.value)
            return
        if seen and self._repeats(event, seen[-1]):
            return
        if event.value == "replace" and (removed := just_removed(event, seen, self.tokens)):
            for mention in removed:
                mention.action = "replace"  # "removed and new fitted"
            return
        sentence = self.tokens[event.first].sentence
        group = self._open_parts(event, seen)
        if event.value == "reprogram":
            group = [mention for mention in group if self._own_class(mention) in _HOLD_PROGRAMS]
        if event.value == "recap section":
            group = [mention for mention in group if self._own_class(mention) in CAPACITORS]
        elif event.value == "repair track":
            group = self._of_track(event, group, seen)
        if not group:
            group = self._of_the_device(event, seen)
        if not group and event.value == "resolder":
            group = loose_wire(event, seen, self.tokens)
        if event.value == WITH_ADAPTER:
            group = []
        if not group and event.value == "resolder" and (joints := self._joints_behind(event)):
            group = joints
        if not group and event.value in _WITHOUT_PART and not self._already(event, seen):
            action = "replace" if event.value == WITH_ADAPTER else event.value
            self.without_part.append(
                Mention(
                    event.first,
                    event.last,
                    part_class=_CLASS_OF_ACTION.get(event.value),
                    action=action,
                    acted_at=event.first,
                    sentence=sentence,
                )
            )
        for mention in group:
            mention.action, mention.acted_at = event.value, event.first
            if mention.sentence == sentence:
                mention.take(event.first, event.last)

    def _without_own_joint(
        self, event: Event, following: Mention | None, seen: list[Mention]
    ) -> Mention | None:
        """ "lead pulled off, soldered": the lead was, and no joint that the word for soldering names."""
        if event.value != "resolder" or following is None or following.last > event.last:
            return following
        if not loose_wire(event, [one for one in seen if one is not following], self.tokens):
            return following
        self.mentions = [one for one in self.mentions if one is not following]
        seen[:] = [one for one in seen if one is not following]
        return None

    def _open_parts(self, event: Event, seen: list[Mention]) -> list[Mention]:
        """The parts before an action to which it belongs: those of its sentence, else of the last that names any."""
        sentence = self.tokens[event.first].sentence
        open_ones = [mention for mention in seen if mention.action is None and not mention.ok]
        group = [mention for mention in open_ones if mention.sentence == sentence]
        if not group and self._of_every(event):
            near = [mention for mention in open_ones if mention.sentence >= sentence - _SENTENCES_OF_ALL]
            bad = {mention.sentence for mention in near if mention.failure or mention.bad}
            group = [
                mention
                for mention in near
                if mention.failure
                or mention.bad
                or (mention.sentence in bad and not mention.only_place and self._is_board_part(mention))
            ]
            for mention in group:
                mention.bad = mention.bad or not mention.failure
        if not group and open_ones and open_ones[-1].sentence >= sentence - 2:
            group = [mention for mention in open_ones if mention.sentence == open_ones[-1].sentence]
        # "motor jerky, cleaned": what the complaint names is not what was worked on where a part is.
        chosen: list[Mention] = []
        for mention in reversed(group):
            if (
                mention.failure
                or mention.bad
                or (not mention.only_place and (mention.part or self._is_board_part(mention)))
                or 0 < event.first - mention.last <= 2
                or (chosen and self._is_listed_with(mention, chosen[-1], event))
            ):
                chosen.append(mention)
        group = chosen[::-1]
        if any(not mention.only_place for mention in group):
            group = [mention for mention in group if not mention.only_place or mention.failure or mention.bad]
        if group and self._own_class(group[-1]) == "heat sink or pad":
            group = group[-1:]  # "U2 hot, new paste": U2 stayed
        return self._bad_ones(group)

    def _is_listed_with(self, mention: Mention, behind: Mention, event: Event) -> bool:
        """ "heating element and thermal fuse replaced": joined right before what was done."""
        near = 0 < event.first - behind.last <= 2 and behind.first - mention.last == 2
        return near and self.tokens[mention.last + 1].folded in _JOINED

    def _repeats(self, event: Event, last: Mention) -> bool:
        """ "new fuse fitted": the second word says what the first one did."""
        return (
            last.action == event.value
            and 0 < event.first - last.last <= 2
            and self.tokens[event.first].clause == self.tokens[last.last].clause
        )

    def _joints_behind(self, event: Event) -> list[Mention]:
        """ "went over it with the iron, dry joints at CN4 and T1"."""
        sentence = self.tokens[event.first].sentence
        return [
            mention
            for mention in self.mentions
            if mention.first > event.last
            and mention.sentence == sentence
            and mention.part_class == "solder joint"
            and mention.action is None
        ]

    def _of_track(self, event: Event, group: list[Mention], seen: list[Mention]) -> list[Mention]:
        """The board, the connector named right before ("TB2 track repaired"), or what was corroded before."""
        own = [mention for mention in group if mention.part_class in ("circuit board", "cable")]
        if own:
            return own
        beside = [
            mention
            for mention in group
            if mention.part
            and 0 < event.first - mention.last <= 2
            and self._own_class(mention) == "connector"
        ]
        sentence = self.tokens[event.first].sentence
        cleaned = [
            mention
            for mention in seen
            if mention.action == "clean"
            and mention.failure == "corroded"
            and mention.sentence == sentence
            and mention.part
            and self._own_class(mention) != "connector"
        ]
        for mention in beside or cleaned:
            mention.part_class = "circuit board"
        return beside or cleaned

    def _of_every(self, event: Event) -> bool:
        """ "alles getauscht", "both replaced"."""
        near = range(max(0, event.first - 3), min(event.last + 4, len(self.tokens)))
        clause = self.tokens[event.first].clause
        return any(
            self.tokens[at].folded in function_words.EVERY and self.tokens[at].clause == clause for at in near
        )

    def _already(self, event: Event, seen: list[Mention]) -> bool:
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

    def _of_the_device(self, event: Event, seen: list[Mention]) -> list[Mention]:
        """ "fan not spinning, cleaned": the part of the device that the complaint named last."""
        if event.value == "replace":
            bad = [one for one in seen if one.failure and one.action is None and not one.ok]
            if bad and bad[-1].sentence >= self.tokens[event.first].sentence - _SENTENCES_BACK:
                return bad[-1:]
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
        between = self.tokens[near[-1].last + 1 : event.first] if near else ()
        if any(token.folded in function_words.MECHANICAL for token in between):
            return []  # "fan will not spin. Bearing dry. Oiled."
        return near[-1:]

    def _bad_ones(self, group: list[Mention]) -> list[Mention]:
        """Where some parts were found bad, those and what is listed with them."""
        if not any(mention.failure or mention.bad for mention in group):
            return group
        kept = []
        named = named_behind(group)
        for at, mention in enumerate(group):
            if mention in named:
                kept.append(mention)
                continue
            sides = [group[other] for other in (at - 1, at + 1) if 0 <= other < len(group)]
            with_bad = any(
                (other.failure or other.bad) and listed(*in_order(mention, other), tokens=self.tokens)
                for other in sides
            )
            if mention.failure or mention.bad or with_bad:
                kept.append(mention)
        return kept

    def _is_board_part(self, mention: Mention) -> bool:
        return mention.part_class not in OF_THE_DEVICE

    def _behind(self, event: Event) -> Mention | None:
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

    def _joined_behind(self, event: Event, following: Mention, seen: list[Mention]) -> bool:
        """ "… replaced + R12": the action belongs to the parts before it, the next part is joined on."""
        gap = self.tokens[event.last + 1 : following.first]
        sentence = self.tokens[event.first].sentence
        has_open = any(
            mention.sentence == sentence and mention.action is None and not mention.ok for mention in seen
        )
        return (
            has_open
            and bool(gap)
            and gap[0].folded in function_words.EXTENDS - {"with", "mit", "avec", "met", "con"}
        )

    def _also_behind(self, mention: Mention, action: str) -> None:
        before = mention
        for other in self.mentions[self.mentions.index(mention) + 1 :]:
            if (
                other.sentence != before.sentence
                or other.action is not None
                or other.only_place
                or not listed(before, other, self.tokens)
                or is_still_so(other, self.tokens)
            ):
                return
            other.action, other.acted_at = action, mention.acted_at
            before = other

    def _inherit(self, mention: Mention, seen: list[Mention]) -> None:
        """ "… all replaced + R12": what was done goes on to the part joined behind."""
        if mention.action is not None or not seen or seen[-1].action is None:
            return
        before = seen[-1]
        if (before.action == "repair track" and mention.part_class == "cable") or is_still_so(
            mention, self.tokens
        ):
            return  # "bridged with wire"; "fuse still blows"
        between = self.tokens[max(before.end, before.last) + 1 : mention.first]
        joined = (
            between
            and between[0].folded in function_words.EXTENDS
            and all(token.folded in function_words.LISTED for token in between)
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
                and not (last == "repair track" and mention.part_class == "cable")
                and (mention.part or self._is_board_part(mention))
                and (self._alone(mention) or self._leads_on(mention))
            ):
                mention.action, mention.acted_at = last, mention.first

    def _after(self, mention: Mention) -> bool:
        """ "5.05 after C8", at the end of a clause: it was replaced."""
        at, ends = mention.first - 1, mention.last + 1
        clause = self.tokens[mention.first].clause
        return (
            at >= 0
            and self.tokens[at].folded in function_words.AFTER
            and any(one.last == at - 1 and is_near_nominal(one) for one in self.readings)
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
        return all(token.kind == SIGN or token.folded in function_words.NEXT for token in around)

    def _is_attempt(self, mention: Mention) -> bool:
        if mention.ok or self._is_none(mention):
            return False
        named = mention.part or mention.part_class in COMES_LOOSE
        if mention.action is not None or (mention.bad and named and not mention.only_place):
            return True
        return (
            mention.failure not in (None, "no oscillation")
            and (mention.part_class != "fuse" or mention.part is not None or self._beside_bad(mention))
            and (mention.part is not None or mention.part_class is not None)
        )

    def _is_none(self, mention: Mention) -> bool:
        """ "no smoke, no fuse": a part that is not there, or of which nothing is said."""
        at = mention.first - 1
        return (
            at >= 0
            and mention.failure is None
            and mention.part is None
            and mention.acted_at == mention.first
            and self.tokens[at].folded in function_words.NONE
            and self.tokens[at].clause == self.tokens[mention.first].clause
        )

    def _beside_bad(self, fuse: Mention) -> bool:
        """Whether another part was found bad as well: a blown fuse alone is a symptom, and no fix."""
        return any(
            other is not fuse and other.part_class != "fuse" and not other.ok and (other.failure or other.bad)
            for other in self.mentions
        )
