"""How symptoms are said in concepts: the patterns of the list file, and where they stand in a text.

`patterns.toml` has the patterns, `concepts.toml` the words for each of their elements in every language.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from kb.facts.designators import designator_letters
from kb.facts.parts import PART_CLASSES
from kb.facts.word_lists import denied_patterns, symptom_patterns
from kb.reading import function_words
from kb.reading.lexicon import CONCEPT, Hit
from kb.reading.sections import VAGUE_LETTERS, class_of_designator
from kb.reading.tokens import CODE, DESIGNATOR, NUMBER, QUANTITY, WORD, Token

_REACH = 5  # words that may stand between two words of a pattern, besides its own
_NOT_REACH = 4  # words that may stand between "no" and what it belongs to
_CLAUSES_APART = 2
_NEXT_REMARK = 2
FAR = 16
# Concepts whose phrases hold a "no" of their own ("sans arrêt"), which denies nothing else.
_HOLD_NOTS = frozenset(("missing", "repeatedly", "anything", "no_effect", "unloaded", "only", "else"))
# Concepts that are read inside longer phrases as well ("not present" holds a "not").
_SHORT_TOO = frozenset(("no", "nothing", "off", "light", "red", "standby"))
# Names of devices, of which a word may be a part: "food processor".
DEVICES = frozenset(("device", "motor_device", "warmer", "lamp_device", "washer"))
_CODE_WORDS = frozenset(
    ("error", "err", "code", "errore", "erreur", "codice", "codigo", "foutcode", "fehlercode")
)
# Letters that a display shows before a number, and that are no part or seldom one.
CODE_LETTERS = frozenset(("E", "ER", "ERR", "EE", "F", "H", "P"))
_SHOWN_CODE = re.compile(r"([A-Z]+)-?[0-9]+")
_ERROR_CODE = re.compile(r"(?:E|ER|ERR)[0-9]{1,3}")
_LONG_MINUTES = 15  # what stops after so long stops because it is warm
_CAPACITORS = tuple(part.name for part in PART_CLASSES if part.name.endswith("capacitor"))
RAIL_ELEMENTS = {"standby": "standby_rail", "controller supply": "vcc", "bulk": "bulk_rail"}


PHRASE = "="


@dataclass(frozen=True, slots=True)
class Match:
    """A symptom said by the tokens `places`; `nots` are those of them that deny.

    `way` is how it was read: the pattern, or `PHRASE` and the words of a list's phrase; empty where facts imply it.
    """

    name: str
    places: tuple[int, ...]
    nots: frozenset[int]
    present: bool = True
    way: str = ""

    @property
    def first(self) -> int:
        return self.places[0]

    @property
    def last(self) -> int:
        return self.places[-1]


@dataclass(frozen=True, slots=True)
class _Group:
    elements: tuple[tuple[str, ...], ...]
    absent: tuple[str, ...]
    beside: frozenset[int]


@dataclass(frozen=True, slots=True)
class Pattern:
    """One way to say a symptom: groups of elements, each group in one clause."""

    name: str
    groups: tuple[_Group, ...]
    present: bool = True
    text: str = ""


def _group(text: str) -> _Group:
    elements: list[tuple[str, ...]] = []
    absent: list[str] = []
    beside: set[int] = set()
    for word in text.split():
        if word.startswith("!"):
            absent.append(_element(word[1:]))
            continue
        if word.startswith("~"):
            beside.add(len(elements))
            word = word[1:]
        elements.append(tuple(_element(one) for one in word.split("|")))
    return _Group(tuple(elements), tuple(absent), frozenset(beside))


def _element(word: str) -> str:
    return word.replace("_", " ") if word.startswith("@") else word


_NOTS = (("no",), ("none",))


@lru_cache(maxsize=1)
def patterns() -> tuple[Pattern, ...]:
    """All patterns of the list file."""
    found = []
    for table, present in ((symptom_patterns(), True), (denied_patterns(), False)):
        for name, texts in table.items():
            for text in texts:
                groups = tuple(_group(piece) for piece in text.split(">"))
                found.append(Pattern(name, groups, present, text))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Indexed:
    """The patterns under one element of each that few others have; equal groups are one object."""

    patterns: tuple[Pattern, ...]
    by_element: dict[str, tuple[int, ...]]


@lru_cache(maxsize=1)
def _indexed() -> _Indexed:
    groups: dict[_Group, _Group] = {}
    one_each = tuple(
        Pattern(
            pattern.name,
            tuple(groups.setdefault(group, group) for group in pattern.groups),
            pattern.present,
            pattern.text,
        )
        for pattern in patterns()
    )
    counted = Counter(
        name for pattern in one_each for group in pattern.groups for names in group.elements for name in names
    )
    by_element: dict[str, list[int]] = defaultdict(list)
    for number, pattern in enumerate(one_each):
        solid = [names for group in pattern.groups for names in group.elements if names not in _NOTS]
        for name in min(solid, key=lambda names: sum(counted[name] for name in names)):
            by_element[name].append(number)
    return _Indexed(one_each, {name: tuple(numbers) for name, numbers in by_element.items()})


def _is_part(hit: Hit, longer: Mapping[int, Sequence[Hit]]) -> bool:
    """Whether a longer phrase with another meaning holds all words of this one."""
    return any(
        other.value != hit.value and set(hit.places) < set(other.places)
        for other in longer.get(hit.first, ())
    )


AND = frozenset(("and", "und", "et", "y", "ed"))


def _is_of_tries(tokens: Sequence[Token], at: int) -> bool:
    """ "5 times", "three goes": how often something was tried."""
    token = tokens[at]
    if token.kind == QUANTITY and token.unit == "times":
        return (token.value or token.high or 0) >= 2
    if token.folded not in (
        "goes",
        "tries",
        "attempts",
        "versuche",
        "versuchen",
        "essais",
        "pogingen",
        "intentos",
        "tentativi",
    ):
        return False
    before = tokens[at - 1] if at else None
    return before is not None and before.kind == NUMBER


_NE, _QUE = frozenset(("ne", "n")), frozenset(("que", "qu"))
_BEFORE_NOUNS_ALONE = frozenset(
    ("no", "kein", "keine", "keinen", "aucun", "aucune", "geen", "sin", "senza", "nessun")
)
_FRENCH_NOTS = frozenset(("pas", "rien", "jamais", "aucun", "aucune"))
_NE_REACH = 7


def _french_only(tokens: Sequence[Token]) -> frozenset[int]:
    """The words of "ne … que" (only), also "ne … plus que": they deny nothing."""
    found: set[int] = set()
    for at, token in enumerate(tokens):
        if token.folded not in _NE or token.kind != WORD:
            continue
        held = {at}
        for place in range(at + 1, min(at + 1 + _NE_REACH, len(tokens))):
            word = tokens[place].folded
            if tokens[place].clause != token.clause or word in _FRENCH_NOTS:
                break
            if word == "plus":
                held.add(place)
            elif word in _QUE:
                found |= held | {place}
                break
    return frozenset(found)


def _is_error_number(tokens: Sequence[Token], at: int, err: set[int], failed: set[int]) -> bool:
    """ "error 14", "Fehler F08": a number or code right behind the word; "fault K1", "fault F3 open" name a part."""
    if tokens[at].kind == DESIGNATOR and at + 1 in failed:
        return False
    if _is_a_code_shown(tokens, at):
        return True
    if tokens[at - 1].folded == "code" and _A_CODE_ON_IT.fullmatch(tokens[at].folded.upper()):
        return True  # "code H62 showing"
    if at - 1 not in err or tokens[at].clause != tokens[at - 1].clause:
        return False
    if tokens[at].kind != DESIGNATOR or tokens[at - 1].folded in _CODE_WORDS:
        return True
    return designator_letters(tokens[at].folded) in CODE_LETTERS


# English: what a display does with a code.
_SHOWS = frozenset(
    ("shows", "show", "showed", "showing", "says", "said", "displays", "displaying", "flashes", "flashing")
)


def _is_a_code_shown(tokens: Sequence[Token], at: int) -> bool:
    """ "display shows H62": a letter of codes with a number right behind the verb, and nothing more of it."""
    if tokens[at - 1].folded not in _SHOWS or tokens[at].clause != tokens[at - 1].clause:
        return False
    found = _SHOWN_CODE.fullmatch(tokens[at].folded.upper())
    return found is not None and found[1] in CODE_LETTERS


_DISPLAYS = frozenset(
    ("display", "screen", "panel", "lcd", "readout", "anzeige", "ecran", "afficheur", "scherm", "pantalla",
     "schermo")
)  # fmt: skip
_ON_THE = frozenset(
    ("on", "in", "auf", "im", "sur", "op", "en", "su", "sul", "the", "its", "der", "dem", "het", "la", "l")
)
_A_CODE_ON_IT = re.compile(r"[A-Z]{1,3}-?[0-9]{1,3}")


def _stands_on_a_display(tokens: Sequence[Token], at: int) -> bool:
    """ "F21 on the display", "H:H on display": a code of letters that a display has."""
    if not _A_CODE_ON_IT.fullmatch(tokens[at].folded.upper()):
        return False
    behind = [token.folded for token in tokens[at + 1 : at + 4] if token.sentence == tokens[at].sentence]
    return (
        len(behind) > 1
        and behind[0] in _ON_THE
        and any(word in _DISPLAYS and set(behind[:place]) <= _ON_THE for place, word in enumerate(behind))
    )


def _longer_phrases(hits: Iterable[Hit]) -> dict[int, list[Hit]]:
    """Phrases of several words for meanings and parts, under each of their tokens."""
    found: dict[int, list[Hit]] = defaultdict(list)
    for hit in hits:
        if hit.table in (CONCEPT, "parts") and len(hit.places) > 1:
            for place in hit.places:
                found[place].append(hit)
    return found


class Places:
    """Where each element stands in one text; `rails` has the role of each token that names a supply."""

    def __init__(self, tokens: Sequence[Token], hits: Iterable[Hit], rails: dict[int, str]) -> None:
        self.tokens, self.rails = tokens, rails
        self.done = sorted({hit.first for hit in hits if hit.table == "actions"})
        spans: dict[str, set[tuple[int, ...]]] = defaultdict(set)
        held = {
            place
            for hit in hits
            if len(hit.places) > 1 and hit.value in _HOLD_NOTS and tokens[hit.last].folded != "any"
            for place in hit.places
        }
        longer = _longer_phrases(hits)
        devices = {
            place: [hit for hit in found if hit.table == CONCEPT and hit.value in DEVICES]
            for place, found in longer.items()
        }
        only_french = _french_only(tokens)
        for hit in hits:
            alone = len(hit.places) == 1 and hit.first in held
            if hit.value == "no" and (alone or not only_french.isdisjoint(hit.places)):
                continue
            if hit.table == CONCEPT and hit.value not in _SHORT_TOO and _is_part(hit, longer):
                continue
            if hit.table == CONCEPT:
                spans[hit.value].add(hit.places)
            elif hit.table == "parts" and not _is_part(hit, devices):
                spans[f"@{hit.value}"].add(hit.places)
                spans["@part"].add(hit.places)
                if hit.value in _CAPACITORS:
                    spans["@capacitor"].add(hit.places)
        failed = {hit.first for hit in hits if hit.table == "failures"}
        err = {hit.last for hit in hits if hit.table == CONCEPT and hit.value == "err"}
        for at, token in enumerate(tokens):
            if token.kind == DESIGNATOR:
                spans["@part"].add((at,))
                own = class_of_designator(token.folded, None)
                if own and (len(token.folded) <= 2 or designator_letters(token.folded) not in VAGUE_LETTERS):
                    spans[f"@{own}"].add((at,))
                if _ERROR_CODE.fullmatch(token.folded):
                    spans["error"].add((at,))
            elif token.kind == CODE and _ERROR_CODE.fullmatch(token.folded.upper()):
                spans["error"].add((at,))
            elif token.kind == QUANTITY and token.unit in ("s", "min"):
                spans["soon" if token.unit == "s" else "later"].add((at,))
                if token.unit == "min" and (token.value or token.high or 0) >= _LONG_MINUTES:
                    spans["long"].add((at,))
            elif _is_of_tries(tokens, at):
                spans["tries"].add((at,))
            if token.kind in (CODE, DESIGNATOR) and _stands_on_a_display(tokens, at):
                spans["error"].add((at,))
            if token.kind in (NUMBER, CODE, DESIGNATOR) and at and _is_error_number(tokens, at, err, failed):
                spans["error"].add((at - 1, at))
            if at in only_french and token.folded in _QUE:
                spans["only"].add((at,))
        for at, role in rails.items():
            spans["rail"].add((at,))
            if role in RAIL_ELEMENTS:
                spans[RAIL_ELEMENTS[role]].add((at,))
        self.spans = {name: sorted(found) for name, found in spans.items()}
        self._of: dict[tuple[str, ...], frozenset[int]] = {}
        self._starts = {name: [span[0] for span in found] for name, found in self.spans.items()}

    def of(self, *names: str) -> frozenset[int]:
        """All tokens of the spans of these elements; put together once, since each match asks."""
        if names not in self._of:
            self._of[names] = frozenset(
                place for name in names for span in self.spans.get(name, ()) for place in span
            )
        return self._of[names]

    def near(self, name: str, at: int, reach: int) -> list[tuple[int, ...]]:
        """Spans of an element that begin within `reach` tokens of token `at`, in its clause."""
        starts = self._starts.get(name)
        if not starts:
            return []
        clause = self.tokens[at].clause
        low, high = bisect_left(starts, at - reach), bisect_left(starts, at + reach + 1)
        return [span for span in self.spans[name][low:high] if self.tokens[span[0]].clause == clause]

    def before(self, name: str, at: int, reach: int) -> list[tuple[int, ...]]:
        """Spans of an element that begin at most `reach` tokens before token `at`."""
        starts = self._starts.get(name)
        if not starts:
            return []
        return self.spans[name][bisect_left(starts, at - reach) : bisect_left(starts, at)]

    def joined_between(self, one: int, other: int) -> bool:
        """Whether an "and" stands between two tokens."""
        low, high = (one, other) if one < other else (other, one)
        return any(
            self.tokens[at].folded in AND and not self._joins_numbers(at) for at in range(low + 1, high)
        )

    def denied_between(self, one: int, other: int) -> bool:
        """Whether the later of two words has a "no" of its own right before it: "smoke, no smell"."""
        low, high = (one, other) if one < other else (other, one)
        return high - 1 > low and self.tokens[high - 1].folded in _BEFORE_NOUNS_ALONE

    def _joins_numbers(self, at: int) -> bool:
        """Whether an "and" stands between two numbers: "keys 5 and 6"."""
        return at + 1 < len(self.tokens) and self.tokens[at - 1].kind == self.tokens[at + 1].kind == NUMBER

    def in_sentence(self, name: str, at: int) -> bool:
        """Whether an element stands in the sentence of token `at`."""
        sentence = self.tokens[at].sentence
        starts = self._starts.get(name, ())
        low, high = bisect_left(starts, at - FAR), bisect_left(starts, at + FAR)
        return any(self.tokens[start].sentence == sentence for start in starts[low:high])


def _group_matches(group: _Group, places: Places) -> list[tuple[tuple[int, ...], frozenset[int]]]:
    """(tokens, those that deny) of every place in the text where all elements of `group` stand together."""
    solid = [names for names in group.elements if names not in _NOTS]
    wanted = [("no",) if names in _NOTS else names for names in group.elements]
    if not solid or any(not any(name in places.spans for name in names) for names in wanted):
        return []
    counted = [sum(len(places.spans.get(name, ())) for name in names) for names in solid]
    pivot = counted.index(min(counted))
    reach = _REACH + len(group.elements)
    found = {}
    for name in solid[pivot]:
        for span in places.spans.get(name, ()):
            used = _gather(solid, pivot, span, group, places, reach)
            if used is None:
                continue
            nots: frozenset[int] = frozenset()
            if len(solid) < len(group.elements):
                deny = _negation(used, places, ("none",) in group.elements)
                if deny is None:
                    continue
                nots = frozenset(deny)
            found[tuple(sorted({*used, *nots}))] = nots
    return list(found.items())


def _gather(
    solid: Sequence[tuple[str, ...]],
    pivot: int,
    span: tuple[int, ...],
    group: _Group,
    places: Places,
    reach: int,
) -> set[int] | None:
    used = set(span)
    plain = len(solid) == len(group.elements)  # a pattern without a denial of its own
    for number, names in enumerate(solid):
        if number == pivot:
            continue
        near = [
            (min(abs(at - mine) for at in other for mine in used), other)
            for name in names
            for other in places.near(name, span[0], reach)
            if not used.intersection(other)
            and not places.joined_between(span[0], other[0])
            and not (plain and places.denied_between(span[0], other[0]))
        ]
        if not near:
            return None
        distance, other = min(near)
        if number in group.beside and distance > 2:
            return None
        used.update(other)
    if any(places.in_sentence(name, span[0]) for name in group.absent):
        return None
    return used


def _negation(used: set[int], places: Places, of_noun: bool) -> tuple[int, ...] | None:
    first, last = min(used), max(used)
    best: tuple[int, tuple[int, ...]] | None = None
    for span in places.near("no", first, FAR):
        if used.intersection(span):
            continue
        at = span[0]
        if of_noun and places.tokens[at].folded not in function_words.NOT_BEFORE_NOUNS and at < first:
            continue
        if at < first:
            distance = first - span[-1]
            if distance > _NOT_REACH or (places.tokens[at].folded == "plus" and len(span) == 1):
                continue
        elif at > last:
            distance = at - last
            word = places.tokens[at].folded
            if (
                distance > (1 if word == "plus" else 2)
                or word not in function_words.NOT_AFTER
                or (
                    word == "no"
                    and at + 1 < len(places.tokens)
                    and places.tokens[at + 1].clause == places.tokens[at].clause
                )
            ):
                continue
        else:
            distance = 1
        if best is None or distance < best[0]:
            best = (distance, span)
    return best[1] if best else None


def pattern_matches(places: Places) -> list[Match]:
    made: dict[int, list[tuple[tuple[int, ...], frozenset[int]]]] = {}
    found: list[Match] = []
    indexed = _indexed()
    asked = {number for name in places.spans for number in indexed.by_element.get(name, ())}
    for number in sorted(asked):
        pattern = indexed.patterns[number]
        chains: list[tuple[tuple[int, ...], frozenset[int]]] | None = None
        for group in pattern.groups:
            own = id(group)
            if own not in made:
                made[own] = _group_matches(group, places)
            chains = made[own] if chains is None else _chained(chains, made[own], places.tokens)
            if not chains:
                break
        for used, nots in chains or ():
            found.append(Match(pattern.name, used, nots, pattern.present, pattern.text))
    return found


def _chained(
    before: list[tuple[tuple[int, ...], frozenset[int]]],
    after: list[tuple[tuple[int, ...], frozenset[int]]],
    tokens: Sequence[Token],
) -> list[tuple[tuple[int, ...], frozenset[int]]]:
    found = []
    later = sorted(after)
    starts = [used[0] for used, _ in later]
    for used, nots in before:
        for other, more in later[bisect_left(starts, used[-1] + 1) :]:
            if other[0] - used[-1] > FAR:
                break
            near = tokens[other[0]].clause - tokens[used[-1]].clause <= _CLAUSES_APART
            if not more and any(
                tokens[place].folded in function_words.PLAIN_NOTS
                for place in range(max(0, other[0] - 2), other[0])
            ):
                break
            apart = tokens[other[0]].sentence - tokens[used[-1]].sentence
            # "Sound fine. Picture gone.": short remarks that belong together
            if near and (not apart or (apart == 1 and other[0] - used[-1] <= _NEXT_REMARK)):
                found.append(((*used, *other), nots | more))
                break
    return found
