"""Parts among the words: designators and words for classes, made one where they stand together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from kb.facts.designators import designator_letters
from kb.reading import little_words
from kb.reading.lexicon import Hit
from kb.reading.subjects import Subject
from kb.reading.tokens import DESIGNATOR, QUANTITY, SIGN, WORD, Token

# "relais collé K2": the word between says how it failed.
_FAILED_BETWEEN = frozenset(
    ("colle", "klebt", "pegado", "incollato", "plakt", "def", "defekt", "hs", "kaputt", "malo")
)


@dataclass(slots=True)
class Mention:
    """A part at tokens `first` to `last`, and what was read of it."""

    first: int
    last: int
    part: str | None = None
    part_class: str | None = None
    role: str | None = None
    section: str | None = None
    failure: str | None = None
    action: str | None = None
    result: str | None = None
    cause: bool | None = None
    ok: bool = False
    only_place: bool = False  # "on CN2 pin 3": where something was measured
    bad: bool = False  # said to be bad without saying how
    inferred: bool = False  # the failure follows from what was done
    acted_at: int | None = None  # the token that says what was done
    ends: list[int] = field(default_factory=list)
    sentence: int = 0

    def take(self, *places: int) -> None:
        self.ends.extend(places)

    @property
    def start(self) -> int:
        return min([self.first, *self.ends])

    @property
    def end(self) -> int:
        return max([self.last, *self.ends])


def find_mentions(tokens: Sequence[Token], hits: Sequence[Hit], subjects: Sequence[Subject]) -> list[Mention]:
    """Parts in order, class words and designators beside each other made one."""
    rails = {
        place
        for subject in subjects
        if subject.rail
        for place in range(subject.first, subject.last + 1)
        if tokens[place].kind != WORD
    }
    taken: set[int] = set()
    parts = sorted(
        (hit for hit in hits if hit.table == "parts"), key=lambda hit: (-len(hit.places), hit.first)
    )
    chosen: list[Hit] = []
    mended = {
        place
        for hit in hits
        if (hit.table, hit.value) == ("actions", "repair track")
        for place in range(hit.first, hit.last + 1)
    }
    for hit in parts:
        if mended.issuperset(hit.places):
            continue  # "bridged", "jumper wire": what was done, not a part
        if taken.intersection(hit.places) or any(place in rails for place in hit.places):
            continue
        taken.update(hit.places)
        chosen.append(hit)
    spans = [Mention(hit.first, hit.last, None, hit.value) for hit in chosen]
    for at, token in enumerate(tokens):
        if (
            token.kind == DESIGNATOR
            and at not in taken
            and (designator_letters(token.folded) not in ("TP", "MP", "H"))
        ):
            spans.append(Mention(at, at, token.folded))
    spans.sort(key=lambda span: span.first)
    return _merged(spans, tokens)


def _merged(spans: list[Mention], tokens: Sequence[Token]) -> list[Mention]:
    kept: list[Mention] = []
    for span in spans:
        span.sentence = tokens[span.first].sentence
        before = kept[-1] if kept else None
        if before is not None and before.sentence == span.sentence and _joint_of(before, span, tokens):
            before.part, before.last = span.part, span.last
            continue
        if before is not None and before.sentence == span.sentence and _beside(before, span, tokens):
            if before.part and span.part_class and not before.part_class:
                before.part_class, before.last = span.part_class, span.last
                continue
            if before.part_class and span.part and not before.part:
                before.part, before.last = span.part, span.last
                continue
            if before.part_class and span.part_class and not span.part and not before.part:
                # "relay coil", "transistor Q1 mosfet": the last word says what it is.
                before.part_class, before.last = span.part_class, span.last
                continue
            if before.part_class and before.part and span.part_class and not span.part:
                before.part_class, before.last = span.part_class, span.last
                continue
        if (
            before is not None
            and span.part
            and not span.part_class
            and before.part
            and listed(before, span, tokens)
        ):
            same = designator_letters(span.part) == designator_letters(before.part)
            if same:
                span.part_class = before.part_class
        kept.append(span)
    return kept


def _joint_of(before: Mention, span: Mention, tokens: Sequence[Token]) -> bool:
    """ "dry joint at CN3", "soldadura de L5": a joint of the part behind it."""
    if before.part_class != "solder joint" or before.part or span.part_class == "solder joint":
        return False
    between = tokens[before.last + 1 : span.first]
    return len(between) <= 3 and all(
        token.folded in little_words.JOINT_OF and token.kind == WORD for token in between
    )


def _beside(before: Mention, span: Mention, tokens: Sequence[Token]) -> bool:
    between = tokens[before.last + 1 : span.first]
    if any(token.kind == SIGN and token.folded not in "()" for token in between):
        return False
    words = [token for token in between if token.kind != SIGN]
    if len(words) == 1 and before.part_class and span.part and words[0].folded in _FAILED_BETWEEN:
        return True
    return not words or (len(words) == 1 and words[0].kind == QUANTITY and words[0].unit in ("F", "ohm"))


def in_order(one: Mention, other: Mention) -> tuple[Mention, Mention]:
    return (one, other) if one.first < other.first else (other, one)


def listed(before: Mention, span: Mention, tokens: Sequence[Token]) -> bool:
    return all(
        token.folded in little_words.LISTED
        or token.kind == QUANTITY
        or (token.folded == "-" and token.glued and token.end == tokens[before.last + 2].start)
        for token in tokens[before.last + 1 : span.first]
    )
