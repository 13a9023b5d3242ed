"""Symptoms among the words: from phrases of the lists, and from patterns of concepts in every language."""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from kb.facts.designators import designator_letters
from kb.facts.parts import PART_CLASSES
from kb.facts.word_lists import concepts, denied_patterns, symptom_patterns
from kb.reading import little_words
from kb.reading.lexicon import CONCEPT, Hit, every_common_word, negation_words
from kb.reading.sections import VAGUE_LETTERS, class_of_designator
from kb.reading.tokens import CODE, DESIGNATOR, NUMBER, QUANTITY, SIGN, WORD, Token

_REACH = 5  # words that may stand between two words of a pattern, besides its own
_NOT_REACH = 4  # words that may stand between "no" and what it belongs to
_CLAUSES_APART = 2
_FAR = 16
# Concepts whose phrases hold a "no" of their own ("sans arrêt"), which denies nothing else.
_HOLD_NOTS = frozenset(("missing", "repeatedly", "anything", "no_effect", "unloaded", "only", "else"))
# Concepts that are read inside longer phrases as well ("not present" holds a "not").
_SHORT_TOO = frozenset(("no", "nothing", "off", "light", "red", "standby"))
_ERROR_CODE = re.compile(r"(?:E|ER|ERR)[0-9]{1,3}")
_LONG_MINUTES = 15  # what stops after so long stops because it is warm
_SHORT_CLAUSE = 5  # words of a clause in which an everyday word alone is about the device
_CAPACITORS = tuple(part.name for part in PART_CLASSES if part.name.endswith("capacitor"))
RAIL_ELEMENTS = {"standby": "standby_rail", "controller supply": "vcc", "bulk": "bulk_rail"}


@dataclass(frozen=True, slots=True)
class Match:
    """A symptom said by the tokens `places`; `nots` are those of them that deny."""

    name: str
    places: tuple[int, ...]
    nots: frozenset[int]
    present: bool = True

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


def known_elements() -> frozenset[str]:
    """Every name that a pattern may use."""
    classes = {f"@{part.name}" for part in PART_CLASSES}
    return frozenset((*concepts(), *classes, "none", "@capacitor", "@part", "rail", *RAIL_ELEMENTS.values()))


_NOTS = (("no",), ("none",))


@lru_cache(maxsize=1)
def patterns() -> tuple[Pattern, ...]:
    """All patterns of the list file."""
    found = []
    for table, present in ((symptom_patterns(), True), (denied_patterns(), False)):
        for name, texts in table.items():
            for text in texts:
                groups = tuple(_group(piece) for piece in text.split(">"))
                found.append(Pattern(name, groups, present))
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
            pattern.name, tuple(groups.setdefault(group, group) for group in pattern.groups), pattern.present
        )
        for pattern in patterns()
    )
    counted = Counter(
        name
        for pattern in one_each
        for group in pattern.groups
        for names in group.elements
        for name in names
    )
    by_element: dict[str, list[int]] = defaultdict(list)
    for number, pattern in enumerate(one_each):
        solid = [names for group in pattern.groups for names in group.elements if names not in _NOTS]
        for name in min(solid, key=lambda names: sum(counted[name] for name in names)):
            by_element[name].append(number)
    return _Indexed(one_each, {name: tuple(numbers) for name, numbers in by_element.items()})


def _is_part(hit: Hit, longer: dict[int, list[Hit]]) -> bool:
    """Whether a longer phrase with another meaning holds all words of this one."""
    return any(
        other.value != hit.value and set(hit.places) < set(other.places)
        for other in longer.get(hit.first, ())
    )


_AND = frozenset(("and", "und", "et", "y", "ed"))


class _Places:
    """Where each element stands in one text."""

    def __init__(self, tokens: Sequence[Token], hits: Iterable[Hit], rails: dict[int, str]) -> None:
        self.tokens = tokens
        spans: dict[str, set[tuple[int, ...]]] = defaultdict(set)
        held = {
            place for hit in hits if len(hit.places) > 1 and hit.value in _HOLD_NOTS for place in hit.places
        }
        longer: dict[int, list[Hit]] = defaultdict(list)
        for hit in hits:
            if hit.table in (CONCEPT, "parts") and len(hit.places) > 1:
                for place in hit.places:
                    longer[place].append(hit)
        for hit in hits:
            if hit.value == "no" and len(hit.places) == 1 and hit.first in held:
                continue
            if hit.table == CONCEPT and hit.value not in _SHORT_TOO and _is_part(hit, longer):
                continue
            if hit.table == CONCEPT:
                spans[hit.value].add(hit.places)
            elif hit.table == "parts":
                spans[f"@{hit.value}"].add(hit.places)
                spans["@part"].add(hit.places)
                if hit.value in _CAPACITORS:
                    spans["@capacitor"].add(hit.places)
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
            elif token.kind == QUANTITY and token.unit == "times" and (token.value or token.high or 0) >= 2:
                spans["tries"].add((at,))
            elif token.folded in ("goes", "tries", "attempts") and at and tokens[at - 1].kind == NUMBER:
                spans["tries"].add((at,))
        for at, role in rails.items():
            spans["rail"].add((at,))
            if role in RAIL_ELEMENTS:
                spans[RAIL_ELEMENTS[role]].add((at,))
        self.spans = {name: sorted(found) for name, found in spans.items()}
        self._starts = {name: [span[0] for span in found] for name, found in self.spans.items()}

    def of(self, *names: str) -> set[int]:
        """All tokens of the spans of these elements."""
        return {place for name in names for span in self.spans.get(name, ()) for place in span}

    def near(self, name: str, at: int, reach: int) -> list[tuple[int, ...]]:
        """Spans of an element that begin within `reach` tokens of token `at`, in its clause."""
        starts = self._starts.get(name)
        if not starts:
            return []
        clause = self.tokens[at].clause
        low, high = bisect_left(starts, at - reach), bisect_left(starts, at + reach + 1)
        return [span for span in self.spans[name][low:high] if self.tokens[span[0]].clause == clause]

    def joined_between(self, one: int, other: int) -> bool:
        """Whether an "and" stands between two tokens."""
        low, high = (one, other) if one < other else (other, one)
        return any(self.tokens[at].folded in _AND for at in range(low + 1, high))

    def in_sentence(self, name: str, at: int) -> bool:
        """Whether an element stands in the sentence of token `at`."""
        sentence = self.tokens[at].sentence
        starts = self._starts.get(name, ())
        low, high = bisect_left(starts, at - _FAR), bisect_left(starts, at + _FAR)
        return any(self.tokens[start].sentence == sentence for start in starts[low:high])


def _group_matches(group: _Group, places: _Places) -> list[tuple[tuple[int, ...], frozenset[int]]]:
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
    places: _Places,
    reach: int,
) -> set[int] | None:
    used = set(span)
    for number, names in enumerate(solid):
        if number == pivot:
            continue
        near = [
            (min(abs(at - mine) for at in other for mine in used), other)
            for name in names
            for other in places.near(name, span[0], reach)
            if not used.intersection(other) and not places.joined_between(span[0], other[0])
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


def _negation(used: set[int], places: _Places, of_noun: bool) -> tuple[int, ...] | None:
    first, last = min(used), max(used)
    best: tuple[int, tuple[int, ...]] | None = None
    for span in places.near("no", first, _FAR):
        if used.intersection(span):
            continue
        at = span[0]
        if of_noun and places.tokens[at].folded not in little_words.NOT_BEFORE_NOUNS and at < first:
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
                or word not in little_words.NOT_AFTER
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


def _pattern_matches(places: _Places) -> list[Match]:
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
            found.append(Match(pattern.name, used, nots, pattern.present))
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
            if other[0] - used[-1] > _FAR:
                break
            near = tokens[other[0]].clause - tokens[used[-1]].clause <= _CLAUSES_APART
            if not more and any(
                tokens[place].folded in little_words.PLAIN_NOTS
                for place in range(max(0, other[0] - 2), other[0])
            ):
                break
            if near and tokens[other[0]].sentence == tokens[used[-1]].sentence:
                found.append(((*used, *other), nots | more))
                break
    return found


def find_symptoms(tokens: Sequence[Token], hits: Sequence[Hit], rails: dict[int, str]) -> list[Match]:
    """The symptoms that the tokens name, each where it stands, present or denied; the longest name wins.

    `rails` has the role of each token that names a supply.
    """
    places = _Places(tokens, hits, rails)
    negations = negation_words()
    found: list[Match] = []
    held = _by_first(hit for hit in hits if hit.table == "parts" and len(hit.places) > 1)
    for hit in hits:
        if hit.table == "symptoms":
            own = frozenset(hit.places)
            if hit.value in _OF_A_PART and any(
                not part <= own for place in own for part in held.get(place, ())
            ):
                continue  # "thermal fuse open" is no blown fuse
            nots = frozenset(at for at in hit.places if tokens[at].folded in negations)
            found.append(Match(hit.value, hit.places, nots))
    found += _pattern_matches(places)
    found = [_of_an_amplifier(match, tokens, places) for match in found]
    kept = _longest(_own_negation(found, tokens))
    kept = _one_of_alike(_about_the_device(kept, tokens, places))
    kept = [match for match in kept if not _is_of_something_else(match, kept, tokens, rails, places)]
    if any(match.name in _OF_THE_WHOLE for match in kept):
        others, whole = places.of(*_OTHER_SUBJECTS), places.of("device")
        kept = [match for match in kept if not _has_other_subject(match, tokens, others, whole)]
    kept = [match for match in kept if not _is_of_a_lamp(match, tokens, places)]
    kept = [match for match in kept if not _is_of_a_verb(match, tokens)]
    done = _by_first(hit for hit in hits if hit.table == "actions")
    kept = [match for match in kept if not _inside(match, done)]
    kept = _several_outputs(kept, rails)
    outcomes = _by_first(hit for hit in hits if hit.table == "results" and len(hit.places) > 1)
    kept = [
        match
        for match in kept
        # "maakt niks uit": no change, and nothing of turning off
        if match.name != "does not turn off"
        or not any(set(match.places) < phrase for phrase in outcomes.get(match.first, ()))
    ]
    return _only_if_alone(_denied(kept, tokens, places))


# Symptoms whose phrases name a part, of which a longer name is another part.
_OF_A_PART = frozenset(("fuse blown", "fuse blows again when replaced", "burnt part seen"))
# What a sentence may be about instead of the whole device.
_OTHER_SUBJECTS = (
    "button", "channel", "pfc", "fan", "motor", "light", "backlight", "heater", "remote", "speaker", "screen", "picture",
    "sound", "standby", "vcc", "bulk", "relay", "error", "communication",
)  # fmt: skip
_OF_THE_WHOLE = frozenset(("dead", "does not work", "does not turn off"))
_SUBJECT_REACH = 4


def _has_other_subject(match: Match, tokens: Sequence[Token], others: set[int], whole: set[int]) -> bool:
    """Whether "does nothing" or "stays on" is said of a thing of its own: the remote, a channel, a lamp."""
    if match.name not in _OF_THE_WHOLE:
        return False
    at, clause = match.first - 1, tokens[match.first].clause
    own = set(match.places)
    for _ in range(_SUBJECT_REACH):
        if at < 0 or tokens[at].clause != clause:
            return False
        if at in whole:
            return False
        if at in others and at not in own:
            return True
        at -= 1
    return False


def _of_an_amplifier(match: Match, tokens: Sequence[Token], places: _Places) -> Match:
    """What hums of an amplifier are its speakers, unless the board or its transformer is named."""
    if match.name != "buzzing from the board" or not places.in_sentence("amplifier", match.first):
        return match
    inside = {"board", "@transformer", "track"}
    if any(places.in_sentence(name, match.first) for name in inside):
        return match
    return Match("hum from speakers", match.places, match.nots, match.present)


_LEADS_TO_NOTHING = frozenset("et puis alors depuis donc ensuite maintenant la y orage tempete soudain".split())


def _is_of_a_verb(match: Match, tokens: Sequence[Token]) -> bool:
    """ "on ne lit plus rien": the verb before "plus rien" says what is not done."""
    if match.name != "dead" or [tokens[at].folded for at in match.places] != ["plus", "rien"]:
        return False
    before = match.first - 1
    if before < 0 or tokens[before].clause != tokens[match.first].clause or tokens[before].kind != WORD:
        return False
    return tokens[before].folded not in _LEADS_TO_NOTHING and any(
        tokens[at].folded in ("ne", "n", "on", "je") for at in range(max(0, before - 2), before)
    )


def _by_first(hits: Iterable[Hit]) -> dict[int, list[frozenset[int]]]:
    """The tokens of phrases, under each of them."""
    found: dict[int, list[frozenset[int]]] = defaultdict(list)
    for hit in hits:
        for place in hit.places:
            found[place].append(frozenset(hit.places))
    return found


def _inside(match: Match, phrases: Mapping[int, Sequence[frozenset[int]]]) -> bool:
    """Whether all words of a symptom are words of one of the phrases."""
    return any(set(match.places) <= phrase for phrase in phrases.get(match.first, ()))


def _is_of_a_lamp(match: Match, tokens: Sequence[Token], places: _Places) -> bool:
    """Whether the light that blinks or is out is the lamp under repair and no standby light."""
    if match.name not in ("standby light blinks", "no standby light"):
        return False
    standby = {place for span in places.spans.get("standby", ()) for place in span}
    return not standby & set(match.places) and places.in_sentence("lamp_device", match.first)


def _several_outputs(kept: list[Match], rails: dict[int, str]) -> list[Match]:
    """ "no 12 no 24": two supplies of which each is said to be missing."""
    single = [match for match in kept if match.name == "one output missing" and match.present]
    named = {place for match in single for place in match.places if place in rails}
    if len(single) < 2 or len(named) < 2:
        return kept
    first = single[0]
    places = tuple(sorted({place for match in single for place in match.places}))
    nots = frozenset().union(*(match.nots for match in single))
    several = Match("more than one output missing", places, nots)
    return [several if match is first else match for match in kept if match is first or match not in single]


_OF_OUTPUTS = frozenset(("output voltage low", "output voltage high", "one output missing"))


_THANKS_REACH = 9
_SHORTED_OUTPUTS = frozenset(("output rail shorted to ground", "standby rail shorted to ground"))


def _is_of_something_else(
    match: Match, kept: Sequence[Match], tokens: Sequence[Token], rails: dict[int, str], places: _Places
) -> bool:
    """Whether the words of a symptom speak of another thing, which is read by itself."""
    if match.name in _OF_OUTPUTS:
        # The rectified mains and the controller's supply are no outputs.
        return any(rails.get(at) in ("bulk", "controller supply") for at in match.places)
    if match.name == "works unloaded but not in the set":
        # "12 V falls to 9.1 on load": a supply of which a value is given, not the whole device.
        return any(tokens[at].value is not None for at in range(match.first, match.last + 1))
    for place in range(match.first - 1, max(-1, match.first - _THANKS_REACH), -1):
        # "thanks for the quick repair last time"
        if tokens[place].clause != tokens[match.first].clause:
            break
        if any(place in span for span in places.spans.get("thanks", ())):
            return True
    if match.name == "relay clicks repeatedly" and len(match.places) <= 3:
        # "K2 clicks but contact 18 ohm": it works, what it switches does not.
        if places.in_sentence("contact", match.first):
            return True
    if match.name in _SHORTED_OUTPUTS:
        # "output transistor Q5 shorted", "heater element down to earth": a part.
        parts = [span[0] for span in places.spans.get("@part", ())]
        clause = tokens[match.first].clause
        return any(match.first - 3 <= at <= match.last and tokens[at].clause == clause for at in parts)
    if match.name == "part too hot to touch":
        # "display says HOT"
        return any(tokens[at].folded in ("says", "shows", "display") for at in range(match.first, match.last))
    if match.name == "no standby light" and not match.nots:
        # The lamp of a charger that does not charge; "no lamp at all" says more.
        return any(
            other.name == "does not charge" and abs(other.first - match.last) <= _FAR for other in kept
        )
    return False


def _only_if_alone(kept: list[Match]) -> list[Match]:
    """Without "does not work" where anything more is said to be wrong, and without a denied shutdown."""
    more = any(match.present and match.name not in (_NO_MORE, *_OF_HISTORY) for match in kept)
    return [
        match
        for match in kept
        if not (more and match.name == _NO_MORE) and (match.present or match.name != "starts then shuts down")
    ]


_NO_MORE = "does not work"
# What happened before says nothing of what the board does.
_OF_HISTORY = (
    "failed after a power cut or storm",
    "failed after a spill or damp",
    "failed after earlier repair",
    "dropped or mechanical damage",
)


# Symptoms that describe one thing in different degrees: of two that share a word the first listed is meant.
_ALIKE = (
    ("buzzing from the board", "hum from speakers"),
    ("hum from speakers", "buzzing from the board"),
    ("does not hold charge", "does not charge"),
    ("fuse blows again when replaced", "fuse blown"),
    ("fan does not run", "motor does not run"),
    ("dim picture", "display dim or fading", "no picture"),
    ("fuse blown", "varistor burnt or cracked", "damaged track or via", "burnt part seen"),
    ("part too hot to touch", "fails when warm"),
    ("trips the mains breaker", "trips the residual-current device", "starts then shuts down"),
    ("one channel silent", "dead", "does not work", "picture but no sound"),
    ("relay clicks once", "relay clicks repeatedly", "ticking or chirping noise"),
    ("standby light on but will not start", "dead", "does not work"),
    ("no standby light", "dead", "does not work"),
)


def _one_of_alike(kept: list[Match]) -> list[Match]:
    result: list[Match] = []
    for match in kept:
        own = set(match.places) - match.nots
        clash = next(
            (other for other in result if own & (set(other.places) - other.nots) and _alike(match, other)),
            None,
        )
        if clash is None:
            result.append(match)
        elif len(match.places) > len(clash.places):
            result[result.index(clash)] = match
    return result


def _alike(match: Match, other: Match) -> bool:
    return any(match.name in names and other.name in names for names in _ALIKE)


def _about_the_device(kept: list[Match], tokens: Sequence[Token], places: _Places) -> list[Match]:
    """Without single everyday words ("smoke", "broken") in clauses that are about something else.

    Such a word is taken in a short clause, beside a word for the device, or beside another symptom.
    """
    sizes: dict[int, int] = defaultdict(int)
    symptoms: dict[int, int] = defaultdict(int)
    for token in tokens:
        sizes[token.clause] += token.kind == WORD
    for match in kept:
        symptoms[tokens[match.first].clause] += 1
    devices = {tokens[span[0]].clause for name in ("device", "@part") for span in places.spans.get(name, ())}
    parts = {place for span in places.spans.get("@part", ()) for place in span}
    devices_at = {
        place for name in ("device", "motor") for span in places.spans.get(name, ()) for place in span
    }
    boards = {place for place in parts if place not in devices_at}
    result = []
    for match in kept:
        if len(match.places) == 1:
            at, clause = match.first, tokens[match.first].clause
            if match.name == "does not work" and (
                sizes[clause] > _SHORT_CLAUSE or any(at + step in parts for step in (-3, -2, -1, 1, 2, 3))
            ):
                continue
            if match.name == "dead" and any(
                place in boards and tokens[place].clause == clause for place in (at - 2, at - 1)
            ):
                continue  # "triac Q5 dead": a part that failed
            everyday = tokens[at].folded in every_common_word()
            if everyday and sizes[clause] > _SHORT_CLAUSE and clause not in devices and symptoms[clause] < 2:
                continue
        result.append(match)
    return result


def _own_negation(found: list[Match], tokens: Sequence[Token]) -> list[Match]:
    """Each "no" belongs to what stands nearest, and through "or" to what is joined with it."""
    nearest: dict[int, tuple[int, Match]] = {}
    for match in found:
        for at in match.nots:
            distance = _distance(match, at)
            if at not in nearest or (distance, -len(match.places)) < (
                nearest[at][0],
                -len(nearest[at][1].places),
            ):
                nearest[at] = (distance, match)
    kept = []
    for match in found:
        for at in match.nots:
            distance, owner = nearest[at]
            if _distance(match, at) > distance and not (set(match.places) - match.nots) & set(owner.places):
                low, high = (
                    sorted((owner.first, match.last))
                    if owner.first < match.last
                    else (match.first, owner.last)
                )
                if not any(tokens[between].folded in little_words.JOINS for between in range(low, high)):
                    break
        else:
            kept.append(match)
    return kept


def _distance(match: Match, at: int) -> int:
    return min((abs(place - at) for place in match.places if place not in match.nots), default=0)


# (symptom, one that holds its words): both are said, "very dark, darker at the right".
_BOTH = frozenset(
    (
        ("dim picture", "uneven backlight"),
        ("does not turn off", "heats all the time"),
        ("intermittent", "responds to tapping or flexing"),
    )
)


def _longest(found: list[Match]) -> list[Match]:
    """Without those whose words are all part of a longer one."""
    kept: list[Match] = []
    by_place: dict[int, list[tuple[set[int], str]]] = defaultdict(list)
    ordered = sorted(found, key=lambda match: (-len(match.places), match.last - match.first, match.first))
    named: set[tuple[str, int]] = set()
    for match in ordered:
        own = set(match.places)
        if any(
            own <= other and (match.name, name) not in _BOTH for other, name in by_place[match.first]
        ):
            continue
        if (match.name, match.first) in named:
            continue
        named.add((match.name, match.first))
        kept.append(match)
        for place in match.places:
            by_place[place].append((own, match.name))
    return sorted(kept, key=lambda match: (match.first, match.last))


def _denied(kept: list[Match], tokens: Sequence[Token], places: _Places) -> list[Match]:
    consumed = {at for match in kept for at in match.nots}
    free = sorted(
        {
            span[0]
            for span in places.spans.get("no", ())
            if span[0] not in consumed and tokens[span[0]].folded != "plus"
        }
    )
    result: list[Match] = []
    last_denied: Match | None = None
    for match in kept:
        present = match.present
        if present and not match.nots and free and match.name not in _OF_HISTORY:
            present = not _is_denied(match, free, tokens, kept, last_denied)
        if not present:
            last_denied = match
        if present or match.name != "does not work":
            result.append(Match(match.name, match.places, match.nots, present))
    return result


def _begins_anew(no: int, first: int, tokens: Sequence[Token]) -> bool:
    """ "does not get cold and something clicks": behind "and" with words of its own nothing is denied any more."""
    joins = [at for at in range(no + 1, first) if tokens[at].folded in _AND]
    return bool(joins) and joins[-1] - no > 2 and first - joins[-1] > 1


def _is_denied(
    match: Match, free: list[int], tokens: Sequence[Token], kept: list[Match], last_denied: Match | None
) -> bool:
    clause = tokens[match.first].clause
    at = bisect_left(free, match.first)
    if at < len(free) and free[at] < match.last:
        return True
    if at > 0:
        no = free[at - 1]
        if tokens[no].clause == clause and match.first - no <= _FAR:
            between = [other for other in kept if no < other.first < match.first and other is not match]
            if not between:
                return not _begins_anew(no, match.first, tokens)
            if last_denied in between:
                joins = {tokens[place].folded for place in range(between[-1].last + 1, match.first)}
                return bool(joins & little_words.JOINS) or not joins
    if (
        last_denied is not None
        and match.first - last_denied.last <= 2
        and tokens[last_denied.last].sentence == tokens[match.first].sentence
    ):
        joins = {tokens[place].folded for place in range(last_denied.last + 1, match.first)}
        if joins & {"or", "nor", "oder", "ou", "ni", "of", "noch", "o", "/"}:
            return True
    after = match.last + 1
    while after < len(tokens) and tokens[after].kind == SIGN:
        after += 1
    if after < len(tokens) and after in free and tokens[after].folded in little_words.NOT_AFTER:
        ends = after + 1 >= len(tokens) or tokens[after + 1].clause != tokens[after].clause
        return ends and tokens[after].sentence == tokens[match.last].sentence
    return False
