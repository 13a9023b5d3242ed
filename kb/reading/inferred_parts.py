"""The class and section of a part where the text does not say them outright."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from kb.facts.designators import designator_letters
from kb.facts.vocabulary import SECTION_OF_ROLE
from kb.reading import function_words
from kb.reading.facts import KnownPart
from kb.reading.later_readings import wrong_rails
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.mentions import Mention
from kb.reading.part_failures import WET_CAPACITORS
from kb.reading.readings import Found
from kb.reading.sections import BESIDE_OTHERS, OF_OUTPUTS, class_of_designator, section_of
from kb.reading.subjects import Subject
from kb.reading.tokens import QUANTITY, Token

_BESIDE_REACH = 5
_BRIDGES = ("bridge", "gleichricht", "pont", "brug", "puente", "ponte")
_BEFORE_REACH, _BEHIND_REACH = 2, 4


class Filler:
    """Says of parts what their letters, the supplies around them and the family's earlier cases say."""

    def __init__(
        self,
        tokens: Sequence[Token],
        hits: Sequence[Hit],
        subjects: Sequence[Subject],
        readings: Sequence[Found],
        known: dict[str, KnownPart],
    ) -> None:
        self.tokens, self.hits, self.subjects, self.known = tokens, hits, subjects, known
        self.measured = frozenset(one.subject.first for one in readings)
        self.wrong_rails = wrong_rails(tokens, hits, subjects, readings)

    def fill(self, mentions: Sequence[Mention]) -> None:
        """Gives every part its class and section, and what they say of its failure."""
        roles = [(subject.first, subject.role) for subject in self.subjects if subject.rail]
        said = [
            (hit.first, hit.value) for hit in self.hits if hit.table == "sections" and hit.value != "other"
        ]
        for mention in mentions:
            earlier = self.known.get(mention.part or "")
            role = self._role(mention, roles)
            said_here = self._nearest(mention, said)
            if mention.part_class is None and mention.part:
                mention.part_class = earlier.part_class if earlier else self._class(mention)
            if earlier and earlier.part_class == mention.part_class:
                mention.section = earlier.section
            else:
                of_a_part = mention.part or mention.part_class
                mention.section = section_of(
                    mention.part_class,
                    role if of_a_part else None,
                    said_here,
                    "standby" if self._of_standby(mention, roles) else self._named_with(mention, roles),
                )
            self._refine(mention)
            if mention.part_class == "solder joint":
                mention.section = self._section_of_joint(mention, role)
        self._beside(sorted(mentions, key=lambda mention: mention.first))

    def _beside(self, mentions: Sequence[Mention]) -> None:
        """ "the cap by the standby chip": a part sits where the part sits that says its place."""
        for mention, place in pairwise(mentions):
            if (
                not place.only_place
                or mention.only_place
                or mention.part_class not in BESIDE_OTHERS
                or place.section in (None, "board and joints")
                or self.tokens[place.first].clause != self.tokens[mention.last].clause
            ):
                continue
            between = range(mention.last + 1, place.first)
            if len(between) <= _BESIDE_REACH and not any(
                subject.rail and subject.first in between for subject in self.subjects
            ):
                mention.section = place.section

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
            and not self._in_a_bridge(mention)
            and str(mention.section).endswith("output")
        ):
            mention.part_class = "Schottky rectifier"
        if mention.part_class == "diode" and self._in_a_bridge(mention):
            mention.section = "inrush and rectifier"
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
        if mention.failure == "cracked joint" and mention.part and mention.part_class != "circuit board":
            mention.part_class = "solder joint"  # "ring crack at pin 4 of T1"
        if mention.part_class == "solder joint" and mention.failure is None and mention.action == "resolder":
            mention.failure, mention.inferred = "cracked joint", True

    def _in_a_bridge(self, mention: Mention) -> bool:
        """ "bridge 2 diodes short": those of the mains rectifier."""
        words = [token.folded for token in self.tokens[max(0, mention.first - 2) : mention.last + 1]]
        return any(word.startswith(_BRIDGES) for word in words)

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
        before = self.tokens[mention.first - 1].folded if mention.first else ""
        if designator_letters(mention.part) == "R" and before in function_words.SENSES:
            return "current sense resistor"
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

    def _of_standby(self, mention: Mention, roles: list[tuple[int, str]]) -> bool:
        """Whether a controller known by its letters alone stands where only the standby supply was found wrong."""
        letters = designator_letters(mention.part or "")
        wrong = {role for at, role in roles if at in self.wrong_rails}
        return letters in ("U", "IC") and mention.part_class == "controller IC" and wrong == {"standby"}

    def _named_with(self, mention: Mention, roles: list[tuple[int, str]]) -> str | None:
        """The supply that is named right before or behind a part: "standby transformer", "fuse in the 24 V feed"."""
        near = [
            (mention.first - at if at < mention.first else at - mention.last, role)
            for at, role in roles
            if self.tokens[at].clause == self.tokens[mention.first].clause
            and mention.first - _BEFORE_REACH <= at <= mention.last + _BEHIND_REACH
            and at not in self.measured
        ]
        return min(near)[1] if near else None

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
