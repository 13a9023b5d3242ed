"""Free text to symptoms: what a person wrote, read with the same chain that search uses."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from kb.search.analysis import SYMPTOM, Analysis, Concept, Lexicon, Token
from kb.search.codes import WORD
from kb.search.normalization import NOT, word_set, word_term
from kb.search.spelling import Speller, edits_allowed, may_be_inflected

MOST_CHARACTERS = 4_000
_SHORTEST_CORRECTED = 5
_PREFIX = f"{SYMPTOM}:"

# Words that say nothing about the fault; not reported as not understood. Common practice.
NEUTRAL_WORDS = word_set(
    "all also always any anymore appliance back bad badly board box came comes completely customer day days "
    "device down eventually every everything fault faulty few found from gets go goes going got hello hour "
    "hours just keep keeps last left like little look looks machine make makes measured minute minutes month "
    "more much new now off old on once one only out over owner panel part please problem put reported right "
    "said says screen second seconds seem seems seen set several since some sometimes still take terminal "
    "thanks time times today too tried try two unit up used using week weeks well when while work worked "
    "working works year years yesterday"
)

# Everyday words a letter or two away from a word of the list; never "corrected" into a symptom.
EVERYDAY_WORDS = word_set(
    "about above again along around below board bring brown clean clear could cover every field first floor "
    "front glass great green house large later latest leads light lower might morning never night noise "
    "other paper parts place plain plate point press quick quiet quite reach ready right round sales shade "
    "shape share shelf shift shirt shore short should shown since small sound south space speed spoke staff "
    "stage stand start state still stock stone store story table taken thing think third those three title "
    "total touch trade train trial truck trust under until upper usual value watch water wheel where which "
    "white whole whose winter world worse would write wrong yellow young oven kettle toaster fridge freezer cooker "
    "grill stove iron mixer boiler lamp torch radio clock phone printer scanner camera router bell horn engine"
)


@dataclass(frozen=True, slots=True)
class Matched:
    """What was understood: `symptoms` as (name, present, the words it was read from), and what was not."""

    symptoms: tuple[tuple[str, bool, str], ...]
    unknown_terms: tuple[str, ...]


class _Reader:
    """A symptom list made ready for one analysis."""

    def __init__(self, names: tuple[tuple[str, tuple[str, ...]], ...], analysis: Analysis) -> None:
        self.lexicon = Lexicon(analysis, ((SYMPTOM, name, others) for name, others in names))
        known = {**analysis.lexicon.words, **self.lexicon.words}
        self.known = known.keys()
        self.terms = set(known.values())
        self.speller = Speller(word for word in self.lexicon.words if word.isalpha())


@lru_cache(maxsize=8)
def _reader(names: tuple[tuple[str, tuple[str, ...]], ...], analysis: Analysis) -> _Reader:
    return _Reader(names, analysis)


def match_symptoms(text: str, symptoms: Sequence[tuple[str, Sequence[str]]], analysis: Analysis) -> Matched:
    """The symptoms that `text` names, present or denied, and the words that were not understood.

    `symptoms` are (name, other names). The longest name at a place wins; "no hum" and "fuse not blown" are
    not present, while names that deny something themselves ("no picture") are. Misspelt words are corrected by
    one edit from 5 letters and two from 8, never in designators, codes or numbers. When one symptom is both
    named and denied, what was said last counts. Reads at most the first 4,000 characters; never raises.
    """
    text = text[:MOST_CHARACTERS]
    names = tuple((name, tuple(others)) for name, others in symptoms)
    reader = _reader(names, analysis)
    tokens = [_corrected(token, reader) for token in analysis.tokens(text)]
    found: dict[str, tuple[bool, str]] = {}
    used: set[int] = set()
    for concept in reader.lexicon.find(tokens, text, loose=True):
        used.update(range(concept.first, concept.last))
        words = text[tokens[concept.first].start : tokens[concept.last - 1].end]
        for key in concept.keys:
            name = key.removeprefix(_PREFIX)
            found.pop(name, None)
            found[name] = (concept.present, words)
    understood = tuple((name, present, words) for name, (present, words) in found.items())
    return Matched(understood, _not_understood(tokens, used, text, analysis))


def _corrected(token: Token, reader: _Reader) -> Token:
    word = token.folded
    if token.kind != WORD or not word.isalpha() or len(word) < _SHORTEST_CORRECTED:
        return token
    if word in reader.known or word in NEUTRAL_WORDS or word in EVERYDAY_WORDS:
        return token
    has_term = token.term in reader.terms
    if has_term and may_be_inflected(word):
        return token
    near = reader.speller.near(word, most=1 if has_term else edits_allowed(word), same_start=True)
    if not near:
        return token
    return token._replace(term=word_term(near[0][1]))


def _not_understood(
    tokens: Sequence[Token], used: set[int], text: str, analysis: Analysis
) -> tuple[str, ...]:
    concepts: list[Concept] = analysis.concepts(tokens, text)
    known = used | {at for concept in concepts for at in range(concept.first, concept.last)}
    left: dict[str, None] = {}
    for at, token in enumerate(tokens):
        if at in known or token.kind != WORD or token.term == NOT:
            continue
        if token.folded in NEUTRAL_WORDS or len(token.folded) < 2 or not re.search(r"[^\W\d_]", token.folded):
            continue
        left[text[token.start : token.end]] = None
    return tuple(left)
