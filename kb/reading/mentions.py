"""Parts among the words: designators and words for classes, made one where they stand together."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from kb.facts.designators import designator_letters
from kb.facts.parts import PART_CLASSES
from kb.reading import function_words
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.patterns import CODE_LETTERS, DEVICES
from kb.reading.sections import class_of_designator
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
    lamps = {
        place for hit in hits if (hit.table, hit.value) == (CONCEPT, "lamp_device") for place in hit.places
    }
    devices = device_phrases(hits)
    fuses = any(hit.value == "fuse" for hit in parts)
    parts = [hit for hit in parts if not _is_another_word(hit, tokens, hits)]
    for hit in parts:
        if lamps.intersection(hit.places):
            continue  # "LED lamp": the device
        if inside_device(hit, devices):
            continue  # "fan heater", "food processor"
        if mended.issuperset(hit.places):
            continue  # "bridged", "jumper wire": what was done, not a part
        if taken.intersection(hit.places) or any(place in rails for place in hit.places):
            continue
        if hit.value == "light-emitting diode" and _is_indicator(hit, tokens):
            continue
        behind = tokens[hit.last + 1].folded if hit.last + 1 < len(tokens) else ""
        if behind in _A_BOARD and hit.value not in ("circuit board", "solder joint"):
            continue  # "controller board", "relay pcb"
        taken.update(hit.places)
        chosen.append(hit)
    spans = [Mention(hit.first, hit.last, None, hit.value) for hit in chosen]
    spans += [Mention(at, at, None, "connector") for at in _contacts(tokens, chosen, taken)]
    codes = error_codes(tokens, hits)
    for at, token in enumerate(tokens):
        if (
            token.kind == DESIGNATOR
            and at not in taken
            and at not in codes
            and not (fuses and _FUSE_RATING.fullmatch(token.folded))
            and (designator_letters(token.folded) not in ("TP", "MP", "H"))
        ):
            spans.append(Mention(at, at, token.folded))
    spans.sort(key=lambda span: span.first)
    spans = _with_those_between(spans, tokens)
    failed = {place for hit in hits if hit.table == "failures" for place in hit.places}
    failed |= {place for hit in hits if hit.table == CONCEPT and hit.value in _FAILS for place in hit.places}
    return _named_in_brackets(_merged(spans, tokens, failed), tokens)


_FUSE_RATING = re.compile(r"[TF][0-9]{1,2}A")  # "T2A" beside a fuse
_SEVERAL = frozenset(("other", "our", "the", "all", "both", "two", "three", "their", "these", "my", "old"))


def _is_another_word(hit: Hit, tokens: Sequence[Token], hits: Sequence[Hit]) -> bool:
    """Whether a word for a part is another thing: "battery charger", "the other tvs", "earth leakage switch"."""
    if any(
        other.table == CONCEPT and other.value in ("rcd", "breaker") and set(hit.places) < set(other.places)
        for other in hits
    ):
        return True
    behind = tokens[hit.last + 1].folded if hit.last + 1 < len(tokens) else ""
    before = tokens[hit.first - 1].folded if hit.first else ""
    if hit.value == "battery" and behind in ("charger", "chargers"):
        return True
    return tokens[hit.first].folded == "tvs" and before in _SEVERAL and behind not in ("diode", "diodes")


_PINS = frozenset(("leg", "legs", "pin", "pins", "lead", "leads"))
_ITS_REACH = 3


def name_its_joints(mentions: Sequence[Mention], tokens: Sequence[Token]) -> None:
    """ "D14 is fine, dry joint at its leg": gives the joint the part named last in the sentence."""
    for mention in mentions:
        behind = [token.folded for token in tokens[mention.last + 1 : mention.last + 1 + _ITS_REACH]]
        if mention.part_class != "solder joint" or mention.part or "its" not in behind:
            continue
        before = [token for token in tokens[: mention.first] if token.sentence == mention.sentence]
        named = [token.folded for token in before if token.kind == DESIGNATOR]
        if named and _PINS.intersection(behind):
            mention.part = named[-1]


def device_phrases(hits: Sequence[Hit]) -> dict[int, frozenset[int]]:
    """The tokens of phrases of several words that name a device, under the first of them."""
    return {
        hit.first: frozenset(hit.places)
        for hit in hits
        if hit.table == CONCEPT and hit.value in DEVICES and len(hit.places) > 1
    }


def inside_device(hit: Hit, devices: dict[int, frozenset[int]]) -> bool:
    """Whether a word for a part is only a piece of the name of a device."""
    own = frozenset(hit.places)
    return any(own < devices[first] for first in range(hit.first - 2, hit.first + 1) if first in devices)


def _is_indicator(hit: Hit, tokens: Sequence[Token]) -> bool:
    """ "power led blinks", "led off": a light that shows something, and no part under repair."""
    before = tokens[hit.first - 1].folded if hit.first else ""
    behind = tokens[hit.last + 1].folded if hit.last + 1 < len(tokens) else ""
    return before in function_words.BEFORE_INDICATORS or behind in function_words.BEHIND_INDICATORS


def _contacts(tokens: Sequence[Token], chosen: Sequence[Hit], taken: set[int]) -> list[int]:
    """ "burnt contact in the base": contacts that are those of no relay, switch or other part of the sentence."""
    owned = {tokens[hit.first].sentence for hit in chosen if hit.value in _HAVE_CONTACTS}
    owned |= {token.sentence for token in tokens if token.kind == DESIGNATOR}
    return [
        at
        for at, token in enumerate(tokens)
        if token.folded in function_words.CONTACT
        and at not in taken
        and token.sentence not in owned
        and not (at + 1 < len(tokens) and tokens[at + 1].folded in function_words.NO_CONTACT)
        and not (at and tokens[at - 1].folded in function_words.NO_CONTACT)
    ]


_HAVE_CONTACTS = frozenset(
    ("relay", "switch", "connector", "potentiometer", "keypad", "battery", "thermal cut-out", "cable")
)
_TO = frozenset(("to", "bis", "a", "tot", "al", "thru", "through"))
_MOST_BETWEEN = 12


def _with_those_between(spans: list[Mention], tokens: Sequence[Token]) -> list[Mention]:
    """ "C1-C4", "C1 to C4": the parts between the two ends as well, where both are of one letter."""
    found: list[Mention] = []
    for number, span in enumerate(spans):
        found.append(span)
        other = spans[number + 1] if number + 1 < len(spans) else None
        if other is None or span.part is None or other.part is None or other.first - span.last != 2:
            continue
        sign = tokens[span.last + 1]
        joins = sign.folded in _TO or (
            sign.kind == SIGN and sign.folded in ("-", "\N{EN DASH}") and sign.glued
        )
        before = tokens[span.first - 1].folded if span.first else ""
        if not joins or before in ("from", "von", "de", "van", "da", "between"):
            continue
        letters = designator_letters(span.part)
        low, high = span.part[len(letters or "") :], other.part[len(letters or "") :]
        same = letters is not None and letters == designator_letters(other.part)
        if same and low.isdigit() and high.isdigit() and 1 < int(high) - int(low) <= _MOST_BETWEEN:
            found += [
                Mention(other.first, other.last, f"{letters}{part}")
                for part in range(int(low) + 1, int(high))
            ]
    return found


_A_BOARD = frozenset(("board", "pcb", "platine", "print", "carte", "placa", "scheda"))
_FAILS = frozenset(("cracked", "dry", "bad", "cold", "defective", "loose"))


def error_codes(tokens: Sequence[Token], hits: Sequence[Hit]) -> frozenset[int]:
    """Tokens such as "E15" or "F3" that a display shows and that name no part."""
    said = [
        hit.last for hit in hits if hit.table == CONCEPT and hit.value in ("error", "err", "show", "blink")
    ]
    failed = {hit.first for hit in hits if hit.table == "failures"}
    found = set()
    for at, token in enumerate(tokens):
        if at + 1 in failed:
            continue  # "real fault F3 open"
        if token.kind != DESIGNATOR or (letters := designator_letters(token.folded)) not in CODE_LETTERS:
            continue
        near = any(0 < at - last <= 3 and tokens[last].clause == token.clause for last in said)
        if near or letters in ("E", "ER", "ERR", "EE"):
            found.add(at)
    return frozenset(found)


def _named_in_brackets(mentions: list[Mention], tokens: Sequence[Token]) -> list[Mention]:
    """ "2 caps bulged by the heatsink (C14 + C17)": the parts of a class that are named in brackets behind it."""
    kept: list[Mention] = []
    owners: list[Mention] = []  # those of a class alone
    for mention in mentions:
        owner = None
        if mention.part is not None and not mention.part_class:
            behind = (one for one in reversed(owners) if _in_brackets_behind(one, mention, tokens))
            owner = next(behind, None)
        if owner is None:
            kept.append(mention)
            if mention.part_class and not mention.part:
                owners.append(mention)
            continue
        mention.part_class = owner.part_class
        mention.take(mention.first, mention.last)
        mention.first, mention.last = owner.first, owner.last
        kept.append(mention)
    named = {id(one) for one in kept if one.part}
    places = {one.first for one in kept if id(one) in named and one.ends}
    return [one for one in kept if one.part or one.first not in places]


_BRACKET_REACH = 9


def _in_brackets_behind(owner: Mention, mention: Mention, tokens: Sequence[Token]) -> bool:
    if owner.sentence != mention.sentence or mention.first - owner.last > _BRACKET_REACH:
        return False
    usual = class_of_designator(mention.part or "", None)
    if usual != owner.part_class and (usual or "").split()[-1:] != (owner.part_class or "").split()[-1:]:
        return False
    at = mention.first - 1
    while at > owner.last and (tokens[at].folded in function_words.LISTED or tokens[at].kind == DESIGNATOR):
        at -= 1
    return at > owner.last and tokens[at].folded == "("


def _merged(spans: list[Mention], tokens: Sequence[Token], failed: set[int]) -> list[Mention]:
    kept: list[Mention] = []
    for span in spans:
        span.sentence = tokens[span.first].sentence
        before = kept[-1] if kept else None
        if (
            before is not None
            and before.sentence == span.sentence
            and _joint_of(before, span, tokens, failed)
        ):
            before.part, before.last = span.part, span.last
            continue
        if before is not None and _is_piece_of(before, span, tokens):
            before.last = span.last
            continue
        if before is not None and _with_joint(before, span, tokens, failed):
            before.part_class, before.last = "solder joint", span.last
            continue
        if before is not None and before.sentence == span.sentence and _beside(before, span, tokens):
            if (
                before.part
                and span.part_class
                and not before.part_class
                and _passes_for(before.part, span.part_class)
            ):
                before.part_class, before.last = span.part_class, span.last
                continue
            if before.part_class and span.part and not before.part and _may_be(span.part, before.part_class):
                before.part, before.last = span.part, span.last
                continue
            if before.part_class and span.part_class and not span.part and not before.part:
                # "relay coil", "transistor Q1 mosfet": the last word says what it is.
                before.part_class, before.last = span.part_class, span.last
                continue
            if _ribbon_or_track(before, span):
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
        if before is not None and span.part and before.part and before.part_class == "solder joint":
            between = tokens[before.last + 1 : span.first]
            if before.sentence == span.sentence and _joins_joints(between):
                span.part_class = before.part_class
        kept.append(span)
    return kept


# Beside these words a designator of another letter is another part: "by the heatsink C14".
_ONLY_OWN_LETTERS = frozenset(
    ("heat sink or pad", "circuit board", "cable", "fan", "motor or pump", "battery", "display module")
)


# Classes that only their own letters name: "Q2 gate resistor" is no resistor Q2.
_ONE_LETTER = {one.name: frozenset(one.letters) for one in PART_CLASSES if one.name in
               ("resistor", "current sense resistor", "start-up resistor", "fusible resistor", "electrolytic capacitor",
                "ceramic capacitor", "film capacitor", "fuse", "relay", "inductor")}  # fmt: skip


def _ribbon_or_track(before: Mention, span: Mention) -> bool:
    """Makes one of "ribbon CN4", its connector, and of "choke L2 track lifted", the track at L2; whether it did."""
    if before.part_class == "cable" and span.part and not before.part and _is_connector(span.part):
        before.part, before.part_class, before.last = span.part, "connector", span.last
        return True
    if before.part and span.part_class == "circuit board" and _is_no_connector(before.part):
        before.part, before.part_class, before.last = None, span.part_class, span.last
        return True
    return False


def _is_connector(part: str) -> bool:
    return class_of_designator(part, None) == "connector"


def _is_no_connector(part: str) -> bool:
    """ "choke L2 track lifted": the track at L2, which is no board; a connector's tracks are named by it."""
    return class_of_designator(part, None) not in (None, "connector", "circuit board")


def _passes_for(part: str, part_class: str) -> bool:
    letters = _ONE_LETTER.get(part_class)
    return letters is None or (designator_letters(part) or "")[:1] in {one[:1] for one in letters}


def _may_be(part: str, part_class: str) -> bool:
    usual = class_of_designator(part, None)
    if usual is None or usual == part_class:
        return True
    if usual.endswith("capacitor"):
        return part_class.endswith("capacitor") or part_class == "solder joint"
    return part_class not in _ONLY_OWN_LETTERS


def _joins_joints(between: Sequence[Token]) -> bool:
    """ "dry joints at CN4 and on T1"."""
    words = {token.folded for token in between}
    return bool(words & function_words.EXTENDS) and words <= function_words.LISTED | function_words.JOINT_OF


def _joint_of(before: Mention, span: Mention, tokens: Sequence[Token], failed: set[int]) -> bool:
    """ "dry joint at CN3", "soldadura fría de L5", "Lötstelle am LS-Relais": a joint of the part behind it."""
    if before.part_class != "solder joint" or before.part or span.part_class == "solder joint":
        return False
    between = range(before.last + 1, span.first)
    words = [at for at in between if at not in failed]
    return len(words) <= 4 and all(
        (tokens[at].folded in function_words.JOINT_OF and tokens[at].kind == WORD)
        or (tokens[at].folded == "-" and tokens[at].glued)
        or (tokens[at].kind == WORD and tokens[at + 1].folded == "-" and tokens[at + 1].glued)
        for at in words
    )


def _is_piece_of(before: Mention, span: Mention, tokens: Sequence[Token]) -> bool:
    """ "K2 coil": a piece of the part, and no inductor of its own."""
    if not before.part or span.part or before.part_class or span.first != before.last + 1:
        return False
    ends = span.last + 1 >= len(tokens) or tokens[span.last + 1].kind != DESIGNATOR
    return ends and not _passes_for(before.part, span.part_class or "")


def _with_joint(before: Mention, span: Mention, tokens: Sequence[Token], failed: set[int]) -> bool:
    """ "Q2 with a dry joint": the joint is that part's."""
    if not before.part or span.part or span.part_class != "solder joint" or before.sentence != span.sentence:
        return False
    words = [tokens[at].folded for at in range(before.last + 1, span.first) if at not in failed]
    return (
        bool(words)
        and words[0] in _HAS
        and all(word in _HAS | function_words.ARTICLES | {"a"} for word in words)
    )


_HAS = frozenset(("with", "has", "had", "w", "/", "mit", "hat", "avec", "met", "heeft", "con"))


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
        token.folded in function_words.LISTED
        or token.kind == QUANTITY
        or (token.folded == "-" and token.glued and token.end == tokens[before.last + 2].start)
        for token in tokens[before.last + 1 : span.first]
    )


STILL = frozenset(
    ("still", "remains", "stays", "noch", "immer", "bleibt", "encore", "toujours", "reste", "nog", "steeds", "altijd",
     "blijft", "aun", "todavia", "sigue", "ancora")
)  # fmt: skip


def is_still_so(mention: Mention, tokens: Sequence[Token]) -> bool:
    """ "new caps, display still dark": what the part does, and no part of the list before it."""
    at = mention.last + 1
    here = at < len(tokens) and tokens[at].clause == tokens[mention.last].clause
    return here and tokens[at].folded in STILL


def only_says_where(mention: Mention, seen: Sequence[Mention], tokens: Sequence[Token]) -> bool:
    """ "Q3 next to the heatsink shorted": what failed is the part named before the place."""
    if not mention.only_place:
        return False
    clause = tokens[mention.first].clause
    return any(
        other.first < mention.first
        and not other.only_place
        and not other.ok
        and other.failure is None
        and tokens[other.first].clause == clause
        for other in seen[-2:]
    )
