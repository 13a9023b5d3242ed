"""Query expansion: what a query may mean beyond its letters: pieces of a code joined, slips and beginnings of words.

Only what the cases hold decides. Codes, designators, values and numbers are never guessed at: pieces of a
code are joined only where a case holds exactly what they make.
"""

from __future__ import annotations

import re
from dataclasses import replace

from kb.facts.word_lists import told_by_device
from kb.search.analysis import DEVICE, Analysis, concept_key
from kb.search.codes import CODE, WORD
from kb.search.engine import State
from kb.search.everyday_words import EVERYDAY_WORDS, NEUTRAL_WORDS
from kb.search.normalization import NEGATIONS, STOP_WORDS, fold, word_term
from kb.search.query import NAME, Group, Plan, is_exact, read_query
from kb.search.spelling import edits_allowed, may_be_inflected

GUESS_FACTOR = 0.6
_PIECE_FACTOR = 0.3
_MOST_BEGINNINGS = 20
_LONGEST_LETTERS = 4
_RARER_BY = 8
_SHORTEST_RARE = 5
_SHORTEST_CORRECTED = 5  # shorter words are a letter away from too many others
_MOST_NAMES = 4  # names that one word of theirs may stand for
_FEWEST_NAMING = 3  # cases that name a device, below which they say nothing of families
_UNSEEN = 0.1
_PLACE_SHARE = 0.4  # of what a device says, what a place or size says
_DEVICE_KEYS = frozenset(concept_key(DEVICE, name) for name in told_by_device())
_MOST_FAMILIES = 3
_LEAST_LIKELY = 0.1
_FAMILY_FACTOR = 2.0
_SEPARATORS = re.compile(r"[\s\-_./]")


class Expander:
    """Expands plans by what one state of the index holds."""

    def __init__(self, state: State, analysis: Analysis) -> None:
        self._state = state
        self._completers = [part.segment.completer for part in state.parts]
        self._spellers = [part.segment.speller for part in state.parts]
        self._analysis = analysis

    def expand(self, plan: Plan) -> tuple[Plan, tuple[str, ...], str | None]:
        """The plan with its guesses, the words that no case holds, and the query as it may be meant."""
        groups: list[Group] = []
        unknown: list[str] = []
        corrected = plan.text
        for group in reversed(self._joined(plan)):
            guesses: list[str] = []
            correction: str | None = None
            if group.kind == NAME or not group.guessed:
                pass
            elif any(self._state.holding(term) for term, _ in group.terms):
                guesses, correction = self._slips(group)
            else:
                unknown.append(group.typed)
                guesses, correction = self._guesses(group)
            if guesses:
                guessed = tuple((term, GUESS_FACTOR) for term in guesses)
                group = replace(group, terms=(*group.terms, *guessed))
            if correction:
                corrected = corrected[: group.start] + correction + corrected[group.end :]
            groups.append(group)
        done = replace(plan, groups=tuple(reversed(groups)))
        if corrected == plan.text:
            return done, tuple(reversed(unknown)), None
        return self._named(done, read_query(corrected, self._analysis)), tuple(reversed(unknown)), corrected

    def _named(self, plan: Plan, meant: Plan) -> Plan:
        """`plan` with the names that only the corrected query `meant` spells out ("bulgin capaciter")."""
        known = {term for group in plan.groups for term, _ in group.terms}
        further = []
        for group in meant.groups:
            keys = tuple((term, factor) for term, factor in group.terms if ":" in term and term not in known)
            if keys:
                further.append((group.start, keys))
        if not further:
            return plan
        groups = list(plan.groups)
        for start, keys in further:
            # A corrected word may have changed its length, so the nearest group is the one meant.
            at = min(range(len(groups)), key=lambda number: abs(groups[number].start - start))
            groups[at] = replace(groups[at], terms=(*groups[at].terms, *keys))
        return replace(plan, groups=tuple(groups))

    def _joined(self, plan: Plan) -> list[Group]:
        """The groups in reading order, with neighbours joined where cases hold the code they make."""
        joined: list[Group] = []
        named = [group for group in plan.groups if group.kind == NAME]
        words = [group for group in plan.groups if group.kind != NAME]
        for group in sorted(words, key=lambda group: group.start):
            whole = self._as_one(joined[-1], group, plan.text) if joined else None
            if whole is not None:
                joined[-1] = whole
            else:
                joined.append(group)
        return [*joined, *named, *self._families(plan)]

    def _families(self, plan: Plan) -> list[Group]:
        """A group for the families whose cases are those that name the devices and places of the query.

        Few complaints name the device; where those that do are of one family, its other cases are meant as well.
        A naive Bayes estimate over the cases that hold each name, with as many cases of each family as there are.
        """
        if not plan.devices:
            return []
        of_all = self._state.families()
        likely = {family: float(count) for family, count in of_all.items()}
        for key in plan.devices:
            held = self._state.families(key)
            if sum(held.values()) >= _FEWEST_NAMING:
                share = 1.0 if key in _DEVICE_KEYS else _PLACE_SHARE
                likely = {
                    family: value * ((held.get(family, 0) + _UNSEEN) / (of_all[family] + 1.0)) ** share
                    for family, value in likely.items()
                }
        whole = sum(likely.values())
        best = sorted(likely.items(), key=lambda one: (-one[1], one[0]))[:_MOST_FAMILIES]
        terms: dict[str, float] = {}
        for family, value in best:
            tokens = self._analysis.tokens(family)
            if value >= _LEAST_LIKELY * whole and len(tokens) == 1:
                terms.setdefault(tokens[0].term, _FAMILY_FACTOR * value / whole)
        return [Group("", "", NAME, tuple(terms.items()), 0, 0, guessed=False)] if terms else []

    def _as_one(self, first: Group, second: Group, text: str) -> Group | None:
        between = text[first.end : second.start]
        if len(between) > 1 or _SEPARATORS.sub("", between):
            return None
        letters = first.kind == WORD and first.folded.isalpha() and len(first.folded) <= _LONGEST_LETTERS
        tail = second.folded.isalpha() and len(second.folded) <= 2
        if not ((letters and second.typed[:1].isdecimal()) or (first.kind == CODE and tail)):
            return None
        typed = text[first.start : second.end]
        code = _SEPARATORS.sub("", fold(typed))
        if not self._state.holding(code):
            return None
        pieces = {term: factor * _PIECE_FACTOR for group in (first, second) for term, factor in group.terms}
        terms = ((code, 1.0), *((term, factor) for term, factor in pieces.items() if term != code))
        return Group(typed, code, CODE, terms, first.start, second.end)

    def _near(self, word: str, most: int | None = None) -> set[tuple[int, str]]:
        return {pair for speller in self._spellers for pair in speller.near(word, most=most)}

    def _often_first(self, words: list[str]) -> list[str]:
        return sorted(words, key=lambda known: (-self._state.holding(word_term(known)), known))

    def _slips(self, group: Group) -> tuple[list[str], str | None]:
        """What a held word may mean: one that shares a stem with another by a slip only ("capaciter",
        "capacitance"), or a slip that others made before ("realy")."""
        word = group.folded
        if is_exact(group) or edits_allowed(word) == 0 or len(group.terms) > 1 or word in NEGATIONS:
            return [], None
        own = group.terms[0][0]
        if any(word in speller for speller in self._spellers):
            return self._rare_slip(word, own)
        if may_be_inflected(word):
            return [], None
        near = {known for _, known in self._near(word, 1)}
        meant = self._often_first(
            [known for known in near if word_term(known) != own and known[0] == word[0]]
        )
        return ([word_term(meant[0])], meant[0]) if meant else ([], None)

    def _rare_slip(self, word: str, own: str) -> tuple[list[str], str | None]:
        trade = self._analysis.lexicon.words
        if len(word) < _SHORTEST_RARE or word in trade or word in NEUTRAL_WORDS or word in EVERYDAY_WORDS:
            return [], None
        often = max(self._state.holding(own), 1) * _RARER_BY
        meant = self._often_first(
            [
                known
                for _, known in self._near(word, 1)
                if known in trade
                and known[0] == word[0]
                and word_term(known) != own
                and self._state.holding(word_term(known)) >= often
            ]
        )
        return ([word_term(meant[0])], meant[0]) if meant else ([], None)

    def _guesses(self, group: Group) -> tuple[list[str], str | None]:
        word = group.folded
        if is_exact(group) or not word.isalpha() or len(word) < 3 or word in NEGATIONS or word in STOP_WORDS:
            return [], None
        holding = self._state.holding
        own = {term for term, _ in group.terms}
        begun = {word_term(known) for completer in self._completers for known in completer.words(word)}
        begun = {term for term in begun - own if holding(term)}
        if begun:
            return sorted(begun, key=lambda term: (-holding(term), term))[:_MOST_BEGINNINGS], None
        lexicon = self._analysis.lexicon
        if word in lexicon.words:
            return self._named_by(word), None
        if not edits_allowed(word) or word in EVERYDAY_WORDS or word in NEUTRAL_WORDS:
            return [], None
        near = {*self._near(word), *lexicon.speller.near(word)}
        if len(word) < _SHORTEST_CORRECTED:
            near = {(edits, known) for edits, known in near if known in lexicon.words and _kept(word, known)}
        found = {known: self._answers(known) for _, known in near}
        held = [(edits, known) for edits, known in near if found[known]]
        if not held:
            return [], None
        fewest = min(edits for edits, _ in held)
        best = sorted(
            (known for edits, known in held if edits == fewest),
            key=lambda known: (known[0] != word[0], -max(map(holding, found[known])), known),
        )
        return list(dict.fromkeys(term for known in best[:3] for term in found[known])), best[0]

    def _answers(self, known: str) -> list[str]:
        """The terms by which cases answer a known word: its own, or those of the names it is a word of."""
        term = word_term(known)
        return [term] if self._state.holding(term) else self._named_by(known)

    def _named_by(self, known: str) -> list[str]:
        """What a word that no case holds stands for as part of a name ("thermistor", an inrush limiter)."""
        keys = self._analysis.lexicon.naming(word_term(known))
        held = [key for key in keys if self._state.holding(key)]
        return held if len(held) <= _MOST_NAMES else []


def _kept(word: str, known: str) -> bool:
    """Whether a short word keeps its letters: one left out, added or swapped, but none put for another."""
    return len(word) != len(known) or sorted(word) == sorted(known)
