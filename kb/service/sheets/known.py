"""What the store knows while a sheet is read: families, symptoms, part classes, and how texts name them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from sqlmodel import Session

from kb.facts.designators import code_key, designator_letters
from kb.facts.parts import PART_CLASSES
from kb.facts.sheet_words import OURS, PART_CLASS_OF, folded
from kb.facts.vocabulary import FOLLOW_UP_STATES, RESULTS, SECTIONS, VERDICTS, values
from kb.model import CaseRecord
from kb.search import match_symptoms
from kb.search.analysis import Analysis
from kb.service.shop.shop import Shop
from kb.store.records import families, lists

Found = tuple[tuple[str, bool], ...]
_CACHED = 50_000
_LISTED = {
    "verdict": values(VERDICTS),
    "result": values(RESULTS),
    "section": values(SECTIONS),
    "follow_up_state": values(FOLLOW_UP_STATES),
}


@dataclass(slots=True)
class FamilyKnown:
    """A family of the store: its code and the names of its rails."""

    code: str
    rails: tuple[str, ...]


@dataclass
class Known:
    """One moment of the store's lists."""

    analysis: Analysis
    symptoms: list[tuple[str, list[str]]]
    part_classes: list[str]
    listed: dict[str, set[str]]
    part_words: dict[str, str]
    letters: dict[str, str]
    families: dict[str, FamilyKnown]
    _texts: dict[str, Found] = field(default_factory=dict)
    _parts: dict[str, tuple[str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.symptom_names = {
            folded(word): name for name, others in self.symptoms for word in (*others, name)
        }
        longest = sorted(self.part_words, key=len, reverse=True)
        self._part_names = re.compile(r"\b(?:" + "|".join(map(re.escape, longest)) + r")\b")

    def symptoms_in(self, text: str) -> Found:
        """(symptom, present) that a text names; the same text is analysed once."""
        found = self._texts.get(text)
        if found is None:
            matched = match_symptoms(text, self.symptoms, self.analysis)
            found = tuple((name, present) for name, present, _ in matched.symptoms)
            if len(self._texts) >= _CACHED:
                self._texts.clear()
            self._texts[text] = found
        return found

    def kind_of_part(self, text: str) -> tuple[str, str]:
        """(what the text shows of the kind of part, the class it most likely is).

        The first is the class's own name where the text names it, the letters of a designator (`C`),
        or "" where the text shows nothing.
        """
        found = self._parts.get(text)
        if found is None:
            found = self._kind_of_part(text)
            if len(self._parts) >= _CACHED:
                self._parts.clear()
            self._parts[text] = found
        return found

    def _kind_of_part(self, text: str) -> tuple[str, str]:
        named = self._part_names.search(folded(text))
        if named:
            name = self.part_words[named[0]]
            return name, name
        for word in re.split(r"[\s,;/+&()]+", text):
            letters = designator_letters(word)
            if letters:
                return letters, self.letters.get(letters, "other")
        return "", "other"

    def guess(self, kind: str, word: str) -> str:
        """Our entry for one of their words, "" where nothing fits. "!" before a symptom: not present."""
        plain = folded(word) or word
        if kind == "symptoms":
            return self._guess_symptom(word, plain)
        if kind == "part_class":
            named = self._part_names.search(plain)
            return self.part_words[named[0]] if named else ""
        listed = _LISTED.get(kind, ())
        if word.casefold() in listed:
            return word.casefold()
        return OURS[kind].get(plain, "")

    def _guess_symptom(self, word: str, plain: str) -> str:
        if plain in self.symptom_names:
            return self.symptom_names[plain]
        found = self.symptoms_in(word)
        return ("" if found[0][1] else "!") + found[0][0] if len(found) == 1 else ""

    def new_in(self, case: CaseRecord) -> Iterator[tuple[str, str]]:
        """(kind, name) of what a case names and the store does not know yet."""
        if code_key(case.family) not in self.families:
            yield "family", case.family
        for symptom in case.symptoms:
            if symptom.name.casefold() not in self.listed["symptom"]:
                yield "symptom", symptom.name
        for attempt in case.attempts:
            if attempt.part_class.casefold() not in self.listed["part class"]:
                yield "part class", attempt.part_class

    def family(self, number: str) -> FamilyKnown | None:
        return self.families.get(code_key(number))


def look(shop: Shop) -> Known:
    """The store's lists as they are now."""
    with shop.store.reading() as session:
        symptoms = [(entry.name, list(entry.synonyms)) for entry in lists.symptoms(session)]
        classes = lists.part_classes(session)
        known = shop.kept.get(session, "families of sheets", ("family",), _families)
    names = {entry.name for entry in classes}
    words = {word: name for word, name in PART_CLASS_OF.items() if name in names}
    for entry in classes:
        words |= {folded(word): entry.name for word in entry.synonyms}
    words |= {folded(entry.name): entry.name for entry in classes if entry.name != "other"}
    words.pop("", None)
    letters: dict[str, str] = {}
    # A class's own first letter says more than its others; of several the trade's order decides.
    for first in (True, False):
        for part_class in PART_CLASSES:
            for letter in part_class.letters[:1] if first else part_class.letters[1:]:
                letters.setdefault(letter, part_class.name)
    return Known(
        shop.derived.analysis,
        symptoms,
        sorted(names),
        {
            "symptom": {word.casefold() for name, others in symptoms for word in (name, *others)},
            "part class": {word.casefold() for entry in classes for word in (entry.name, *entry.synonyms)},
        },
        words,
        {letter: name for letter, name in letters.items() if name in names},
        known,
    )


def _families(session: Session) -> dict[str, FamilyKnown]:
    """All families by every number they are known by."""
    return {
        code_key(number): FamilyKnown(one.record.code, tuple(rail.name for rail in one.record.rails))
        for one in families.by_ids(session, families.all_ids(session))
        for number in (one.record.code, *one.record.aliases)
    }
