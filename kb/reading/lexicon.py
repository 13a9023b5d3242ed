"""The word lists made ready for reading, and what they find among the tokens of a text.

Phrases of all languages lie in one index, each under its rarest word, so that a text is read once whatever
the number of phrases. A word meets a phrase under its stem in the phrase's language.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from kb.facts.parts import PART_CLASSES
from kb.facts.symptoms import SYMPTOMS
from kb.facts.word_lists import LANGUAGES, TABLES, common_words, concepts, never_mended, word_list
from kb.reading.stems import fold, stem, without_umlaut_letters
from kb.reading.tokens import DESIGNATOR, NUMBER, QUANTITY, RAIL, SIGN, VOLTS, WORD, Token

CONCEPT = "concept"
_IDIOM = "idiom"
_GAPS = {"symptoms": 1, CONCEPT: 0, "results": 1, "verdicts": 1, "failures": 1, "actions": 0}
_AS_WRITTEN = ("symptoms", "actions", "results", "verdicts")  # a single word of these stands for itself only
# Tables of which a language lists every form, so that "coup" is not taken for "coupé".
_FORMS_LISTED = frozenset((("failures", "fr"), ("failures", "es"), ("failures", "it")))
_PARTICLE = 3  # letters of words such as "on" and "off", which stand close to their verb
_OPEN_GAP = 4  # words that may stand in the place of ".." in a phrase
_FUNCTION_WORDS = 400  # the commonest words of a language, by which a text shows its language
_EVERYDAY = 1_200
_OF_EVERYDAY = 0.5  # what an everyday word counts beside one of the commonest
_SURE = 2  # everyday words from which on a language is taken to be spoken
_SHORTEST_MENDED = 5
_SHORTEST_COMPOUND = 4
_JOINS = frozenset(
    ("and", "but", "or", "then", "und", "aber", "oder", "et", "mais", "ou", "maar", "of", "pero", "y", "ma",
     "though")
)  # fmt: skip
_MORE_THAN_GAPS = 1_000  # what a word that joins counts as, so that no phrase reaches over it
_SHORT_NOTS = frozenset(("plus", "ne", "o", "e", "ni", "net"))
_WORDS = re.compile(r"[^\W_]+")
_NOT_A_LETTER = frozenset((NUMBER, VOLTS, QUANTITY, RAIL, DESIGNATOR))


class Entry(NamedTuple):
    """One phrase: `words` are keys as `_key` makes them; `gaps[i]` words may stand before `words[i]`."""

    table: str
    value: str
    language: str
    words: tuple[str, ...]
    gaps: tuple[int, ...]
    denies: bool
    plain: str  # the first word as the list writes it


class Hit(NamedTuple):
    """A phrase found: the tokens `places` hold its words, in the order of the text."""

    table: str
    value: str
    language: str
    places: tuple[int, ...]
    denies: bool

    @property
    def first(self) -> int:
        return self.places[0]

    @property
    def last(self) -> int:
        return self.places[-1]


def _key(word: str, language: str) -> str:
    if language == "de":
        word = without_umlaut_letters(word)
    return f"{language}:{stem(word, language)}"


@lru_cache(maxsize=16_384)
def keys_of(folded: str) -> tuple[str, ...]:
    """All keys under which a phrase may hold this word."""
    plain = without_umlaut_letters(folded)
    written = (f"={folded}",) if plain == folded else (f"={folded}", f"={plain}")
    return (*written, *(_key(folded, language) for language in LANGUAGES))


def _words_of(phrase: str) -> list[str]:
    """The words of a phrase as `tokens_of` folds them; "won't" is one word."""
    return _WORDS.findall(fold(phrase).replace("n't", "nt").replace("n’t", "nt"))


@dataclass(frozen=True, slots=True)
class _Common:
    function: frozenset[str]
    everyday: frozenset[str]


@lru_cache(maxsize=1)
def _common() -> dict[str, _Common]:
    return {
        language: _Common(
            frozenset(fold(word) for word in common_words(language)[:_FUNCTION_WORDS]),
            frozenset(fold(word) for word in common_words(language)[:_EVERYDAY]),
        )
        for language in LANGUAGES
    }


@lru_cache(maxsize=1)
def every_common_word() -> frozenset[str]:
    """Words that are common in any of the languages; no spelling is mended from one of them."""
    return frozenset(fold(word) for language in LANGUAGES for word in common_words(language))


def _articles(language: str) -> frozenset[str]:
    return frozenset(fold(word) for word in word_list(language)["words"].get("articles", ()))


@lru_cache(maxsize=1)
def skipped_words() -> frozenset[str]:
    """Articles of all languages, over which every phrase reaches."""
    return frozenset(word for language in LANGUAGES for word in _articles(language)) | {
        "the",
        "a",
        "an",
        "it",
        "its",
    }


@lru_cache(maxsize=1)
def negation_words() -> frozenset[str]:
    found = {fold(word) for phrases in concepts().get("no", {}).values() for word in phrases}
    for language in LANGUAGES:
        found |= {fold(word) for word in word_list(language)["words"].get("negation", ())}
    return frozenset(word.rstrip("=") for word in found if " " not in word)


def _entry(table: str, value: str, language: str, phrase: str) -> Entry | None:
    words: list[str] = []
    gaps: list[int] = []
    gap = _GAPS.get(table, 0)
    articles = _articles(language)
    negations = negation_words()
    denies = False
    plain = ""
    told = [word for piece in phrase.split() for word in _words_of(piece.removesuffix("="))]
    # "das war es": where only one word would be left, its articles are words of the phrase.
    skips = (
        table != CONCEPT
        and len(phrase.split()) > 2
        and len([word for word in told if word not in articles]) > 1
    )
    for piece in phrase.split():
        if piece == "..":
            gap = _OPEN_GAP
            continue
        alone = " " not in phrase and (table in _AS_WRITTEN or (table, language) in _FORMS_LISTED)
        exact = piece.endswith("=") or value == _IDIOM or alone
        for word in _words_of(piece.removesuffix("=")):
            if skips and word in articles:
                continue
            denies = denies or word in negations
            plain = plain or word
            written = without_umlaut_letters(word) if language == "de" else word
            words.append(f"={written}" if exact else _key(word, language))
            short = table == "symptoms" and len(word) <= _PARTICLE and language not in ("de", "nl")
            gaps.append((min(gap, 1) if short else gap) if words[1:] else 0)
            gap = _GAPS.get(table, 0)
    return Entry(table, value, language, tuple(words), tuple(gaps), denies, plain) if words else None


def _listed() -> Iterable[tuple[str, str, str, str]]:
    for language in LANGUAGES:
        for table in TABLES:
            for value, phrases in word_list(language)[table].items():
                for phrase in phrases:
                    yield table, value, language, phrase
    for concept, by_language in concepts().items():
        for language, phrases in by_language.items():
            for phrase in phrases:
                yield CONCEPT, concept, language, phrase
    for symptom in SYMPTOMS:
        for phrase in (symptom.name, *symptom.synonyms):
            yield "symptoms", symptom.name, "en", phrase
    for part in PART_CLASSES:
        for phrase in (part.name, *part.synonyms):
            if phrase != "other":
                yield "parts", part.name, "en", phrase


class Lexicon:
    """All phrases, and the shop's own names beside them."""

    def __init__(
        self,
        symptoms: Sequence[tuple[str, Sequence[str]]] = (),
        part_classes: Sequence[tuple[str, Sequence[str]]] = (),
    ) -> None:
        own = [("symptoms", name, "en", phrase) for name, others in symptoms for phrase in (name, *others)]
        own += [("parts", name, "en", phrase) for name, others in part_classes for phrase in (name, *others)]
        entries = dict.fromkeys(entry for row in (*_listed(), *own) if (entry := _entry(*row)) is not None)
        count = Counter(word for entry in entries for word in set(entry.words))
        self._by_word: dict[str, list[tuple[int, Entry]]] = defaultdict(list)
        for one in entries:
            rarest = min(range(len(one.words)), key=[count[word] for word in one.words].__getitem__)
            self._by_word[one.words[rarest]].append((rarest, one))
        self._words = frozenset(count)
        self._written: dict[str, set[str]] = defaultdict(set)
        for one in entries:
            if len(one.words) == 1:
                self._written[one.plain].add(one.language)
        self._compounds = _compound_ends()
        self._speller = mending()

    def knows(self, folded: str) -> bool:
        """Whether any list holds this word."""
        return any(key in self._words for key in keys_of(folded))

    def find(self, tokens: Sequence[Token]) -> list[Hit]:
        """Every phrase among `tokens`, in the order of their first words."""
        languages = languages_of(tokens)
        keys = [self._keys(token, languages) for token in tokens]
        row = _Row(tokens, keys)
        found: list[Hit] = []
        for at, own in enumerate(keys):
            for key in own:
                for anchor, entry in self._by_word.get(key, ()):
                    places = _places(entry, anchor, at, row)
                    if places is not None and _fits(entry, places, tokens, languages, self._written):
                        found.append(Hit(entry.table, entry.value, entry.language, places, entry.denies))
            if not own and tokens[at].kind == WORD:
                found += self._compound(at, tokens[at])
        found += [Hit("parts", "bridge rectifier", *hit[2:]) for hit in found if hit.value == "bridge"]
        return sorted(dict.fromkeys(_without_idioms(found)), key=lambda hit: (hit.first, -len(hit.places)))

    def settle_short_forms(self, tokens: Sequence[Token]) -> None:
        """Gives "Brückengl." and the like the word that they are short for, and takes away the sentence's end there.

        A short form ends in a full stop, is no everyday word and begins the words of one kind of part or action only.
        """
        languages = languages_of(tokens)
        ends = 0
        for at, token in enumerate(tokens):
            token.clause, token.sentence = token.clause - ends, token.sentence - ends
            if not token.stopped or token.kind != WORD or self.knows(token.folded):
                continue
            token.meant = _long_form(token.folded, languages)
            following = tokens[at + 1] if at + 1 < len(tokens) else None
            if token.meant and following is not None and following.sentence - ends > token.sentence:
                ends += 1

    def _keys(self, token: Token, languages: frozenset[str]) -> tuple[str, ...]:
        if token.meant:
            return tuple(key for key in keys_of(token.meant) if key in self._words)
        if token.kind in _NOT_A_LETTER or token.kind == SIGN:
            return (f"={token.folded}",) if f"={token.folded}" in self._words else _whole(token, self._words)
        own = tuple(key for key in keys_of(token.folded) if key in self._words)
        if own or token.kind != WORD or len(token.folded) < _SHORTEST_MENDED:
            return own
        if (
            token.folded in every_common_word()
            or token.folded in never_mended()
            or _is_a_form_of_an_everyday_word(token.folded)
            or any(token.folded.endswith(end) for end in self._compounds if len(token.folded) > len(end) + 2)
        ):
            return ()
        for meant, language in self._speller.near(token.folded):
            if not languages or language in languages:
                return tuple(key for key in keys_of(meant) if key in self._words)
        return ()

    def _compound(self, at: int, token: Token) -> list[Hit]:
        """German and Dutch compounds: "Ausgangselko" is an electrolytic capacitor."""
        word = without_umlaut_letters(token.folded)
        for start in range(2, len(word) - _SHORTEST_COMPOUND + 1):
            if value := self._compounds.get(word[start:]):
                return [Hit("parts", value, "de", (at,), False)]
        return []


_FORMS = (("s", ""), ("es", ""), ("d", ""), ("ed", ""), ("ing", ""), ("ing", "e"), ("er", ""), ("er", "e"), ("ies", "y"), ("ied", "y"), ("ier", "y"), ("y", ""))  # noqa: E501  # fmt: skip


def _is_a_form_of_an_everyday_word(folded: str) -> bool:
    """ "sells", "holed": English forms of everyday words, and no slips of "smells" and "hosed"."""
    common = _common_english()
    for ending, instead in _FORMS:
        if folded.endswith(ending):
            base = folded[: -len(ending)] + instead
            if base in common or (len(base) > 3 and base[-1] == base[-2] and base[:-1] in common):
                return True
    return False


@lru_cache(maxsize=1)
def _common_english() -> frozenset[str]:
    return frozenset(fold(word) for word in common_words("en"))


_SHORTEST_SHORT_FORM = 3


@lru_cache(maxsize=1)
def _long_forms() -> list[tuple[str, str, str]]:
    """(word, what it stands for, language) of all single words for parts and actions, in the order of the alphabet."""
    return sorted(
        {
            (words[0], value, language)
            for table, value, language, phrase in _listed()
            if table in ("parts", "actions") and len(words := _words_of(phrase)) == 1
        }
    )


def _long_form(folded: str, languages: frozenset[str]) -> str:
    """The word that begins with `folded` where all that do mean the same, else nothing."""
    if len(folded) < _SHORTEST_SHORT_FORM or folded in every_common_word() or folded in skipped_words():
        return ""
    words = _long_forms()
    at = bisect_left(words, (folded, "", ""))
    found: list[tuple[str, str, str]] = []
    while at < len(words) and words[at][0].startswith(folded):
        if not languages or words[at][2] in languages:
            found.append(words[at])
        at += 1
    if len({value for _, value, _ in found}) != 1:
        return ""
    return min((word for word, _, _ in found), key=len)


def _without_idioms(found: list[Hit]) -> list[Hit]:
    """Nothing is read from the words of a phrase that only looks like a fact, unless a longer phrase holds it."""
    idioms = [frozenset(hit.places) for hit in found if hit.value == _IDIOM]
    if not idioms:
        return found
    held = frozenset(place for idiom in idioms for place in idiom)
    return [
        hit
        for hit in found
        if hit.value == _IDIOM
        or held.isdisjoint(hit.places)
        or any(_reaches_over(hit, idiom) for idiom in idioms)
    ]


def _reaches_over(hit: Hit, idiom: frozenset[int]) -> bool:
    """Whether a phrase begins no later and ends no earlier than an idiom, and is the longer of the two."""
    return (
        len(hit.places) > 1
        and hit.first <= min(idiom)
        and max(idiom) <= hit.last
        and not idiom >= frozenset(hit.places)
    )


def _whole(token: Token, words: frozenset[str]) -> tuple[str, ...]:
    """Keys of a token such as "12V" or "5VSB" where a list holds it as one word."""
    return tuple(key for key in keys_of(token.folded.replace(" ", "")) if key in words)


def _compound_ends() -> dict[str, str]:
    ends: dict[str, str] = {}
    for language in ("de", "nl"):
        for value, phrases in word_list(language)["parts"].items():
            for phrase in phrases:
                word = without_umlaut_letters(fold(phrase))
                if " " not in word and len(word) >= _SHORTEST_COMPOUND:
                    ends.setdefault(word, value)
    return ends


def languages_of(tokens: Sequence[Token]) -> frozenset[str]:
    """The languages in which the everyday words of a text speak; empty where it has none."""
    score = dict.fromkeys(LANGUAGES, 0.0)
    for token in tokens:
        if token.kind == WORD:
            for language, common in _common().items():
                if token.folded in common.function:
                    score[language] += 1
                elif token.folded in common.everyday:
                    score[language] += _OF_EVERYDAY
    most = max(score.values())
    if most < _SURE:
        return frozenset()
    return frozenset(name for name, points in score.items() if points and points >= 0.7 * most)


def _fits(
    entry: Entry,
    places: tuple[int, ...],
    tokens: Sequence[Token],
    languages: frozenset[str],
    written: Mapping[str, Set[str]],
) -> bool:
    """A word of one language is not read in a text of another where it is an everyday word ("die", "rot").

    Nor is it read by its stem where another language lists it as it stands: "blown" is no Dutch blower.
    """
    if len(places) > 1:
        return True
    word = tokens[places[0]].folded
    others = written.get(word, frozenset())
    if word != entry.plain and others and entry.language not in others:
        return False
    if others & languages and entry.language not in languages:
        return False  # "flashes" in an English text is no French participle
    if word != entry.plain and not others and word in _common()[entry.language].everyday:
        return False  # "coup" is a word of its own and no form of "coupé"
    if not languages or entry.language in languages:
        return True
    if word != entry.plain or (entry.table == CONCEPT and entry.value == "no" and word in _SHORT_NOTS):
        return False
    return not any(word in _common()[language].everyday for language in languages)


class _Row:
    """Where each key stands in one text, and what lies before each token.

    With it a phrase is found in as many steps as it has words, however many articles and signs lie between them.
    """

    def __init__(self, tokens: Sequence[Token], keys: Sequence[tuple[str, ...]]) -> None:
        skipped = skipped_words()
        self.clauses = [token.clause for token in tokens]
        self._places: dict[str, list[int]] = defaultdict(list)
        # How many words lie before each token: those that use up the gaps of phrases, and all for idioms.
        self.words, self.words_of_idioms = [0], [0]
        for at, (token, own) in enumerate(zip(tokens, keys, strict=True)):
            for key in own:
                self._places[key].append(at)
            counts = _MORE_THAN_GAPS if token.folded in _JOINS else 1
            reached_over = token.folded in skipped or token.kind == SIGN
            self.words.append(self.words[-1] + (0 if reached_over else counts))
            self.words_of_idioms.append(self.words_of_idioms[-1] + counts)

    def nearest(self, key: str, at: int, step: int) -> int | None:
        """The nearest token with `key` behind token `at`, before it where `step` is negative."""
        places = self._places.get(key, ())
        number = bisect_right(places, at) if step > 0 else bisect_left(places, at) - 1
        return places[number] if 0 <= number < len(places) else None


def _places(entry: Entry, anchor: int, at: int, row: _Row) -> tuple[int, ...] | None:
    """Where the words of `entry` stand when its word `anchor` is token `at`, or None."""
    if len(entry.words) == 1:
        return (at,)
    before = _walk(entry, range(anchor - 1, -1, -1), at, -1, row)
    if before is None:
        return None
    after = _walk(entry, range(anchor + 1, len(entry.words)), at, 1, row)
    return None if after is None else (*reversed(before), at, *after)


def _walk(entry: Entry, numbers: range, at: int, step: int, row: _Row) -> list[int] | None:
    found: list[int] = []
    words = row.words_of_idioms if entry.value == _IDIOM else row.words
    for number in numbers:
        gap = entry.gaps[number if step > 0 else number + 1]
        place = row.nearest(entry.words[number], at, step)
        if place is None or row.clauses[place] != row.clauses[at]:
            return None
        low, high = (at, place) if step > 0 else (place, at)
        if words[high] - words[low + 1] > gap:
            return None
        found.append(place)
        at = place
    return found


def _trade_words() -> dict[str, str]:
    """Words worth mending towards, with their language: those of symptoms, parts, failures and concepts."""
    found: dict[str, str] = {}
    for table, _, language, phrase in _listed():
        if table in ("symptoms", "parts", "failures", "actions", CONCEPT):
            for word in _words_of(phrase.replace("=", "")):
                if len(word) >= _SHORTEST_MENDED and word.isalpha() and word not in every_common_word():
                    found.setdefault(word, language)
    return found


@lru_cache(maxsize=1)
def mending() -> Speller:
    """Finds the trade words that a misspelt word may mean."""
    return Speller(_trade_words())


class Speller:
    """Finds the trade words one edit away (insert, delete, replace, swap) that begin with the same letter.

    Words are kept under what is left of them without one letter, so that a look-up costs as many steps as
    the word has letters.
    """

    def __init__(self, words: dict[str, str]) -> None:
        self._words = words
        self._short: dict[str, list[str]] = defaultdict(list)
        for word in words:
            for form in _shortened(word):
                self._short[form].append(word)

    def near(self, word: str) -> list[tuple[str, str]]:
        """(known word, its language), none for words over 24 letters."""
        if len(word) > 24 or not word.isalpha():
            return []
        found: dict[str, None] = {}
        for form in _shortened(word):
            for known in self._short.get(form, ()):
                if known[0] == word[0] and _one_edit(word, known):
                    found[known] = None
        return [(known, self._words[known]) for known in sorted(found)]


def _shortened(word: str) -> set[str]:
    return {word, *(word[:at] + word[at + 1 :] for at in range(1, len(word)))}


def _one_edit(first: str, second: str) -> bool:
    if len(first) == len(second):
        apart = [at for at, letter in enumerate(first) if letter != second[at]]
        if len(apart) < 2:
            return True
        swapped = len(apart) == 2 and apart[1] == apart[0] + 1
        return swapped and first[apart[0]] == second[apart[1]] and first[apart[1]] == second[apart[0]]
    short, long = sorted((first, second), key=len)
    return len(long) - len(short) == 1 and any(long[:at] + long[at + 1 :] == short for at in range(len(long)))


@lru_cache(maxsize=4)
def lexicon_for(
    symptoms: tuple[tuple[str, tuple[str, ...]], ...], part_classes: tuple[tuple[str, tuple[str, ...]], ...]
) -> Lexicon:
    """The lexicon with a shop's own names, kept for the shops that asked last."""
    return Lexicon(symptoms, part_classes)
