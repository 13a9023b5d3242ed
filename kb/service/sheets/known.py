"""What the store knows while a sheet is read: families, symptoms, part classes, and how texts name them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from sqlmodel import Session

from kb.facts.designators import code_key, designator_letters
from kb.facts.parts import PART_CLASSES
from kb.facts.sheet_words import OURS, PART_CLASS_OF, folded
from kb.facts.vocabulary import FOLLOW_UP_STATES, RESULTS, SECTIONS, VERDICTS, values
from kb.model import CaseRecord, FamilyRecord, PartClassRecord, SymptomRecord
from kb.reading import Known as ReaderKnown
from kb.reading import KnownPart, Read, read
from kb.service.diagnose.case_facts import Making, making_of
from kb.service.diagnose.case_texts import ShopNames, rails_of
from kb.service.diagnose.general import parts_of_family
from kb.service.shop.shop import Shop
from kb.store.records import families, lists

Found = tuple[tuple[str, bool], ...]
_CACHED = 10_000
_LONGEST_CACHED = 2_000
_LISTED = {
    "verdict": values(VERDICTS),
    "result": values(RESULTS),
    "section": values(SECTIONS),
    "follow_up_state": values(FOLLOW_UP_STATES),
}


@dataclass(slots=True)
class FamilyKnown:
    """A family of the store: its code, the names of its rails and the whole record."""

    code: str
    rails: tuple[str, ...]
    record: FamilyRecord


@dataclass
class Known:
    """One moment of the store's lists."""

    symptom_records: list[SymptomRecord]
    class_records: list[PartClassRecord]
    symptoms: list[tuple[str, list[str]]]
    part_classes: list[str]
    listed: dict[str, set[str]]
    part_words: dict[str, str]
    letters: dict[str, str]
    families: dict[str, FamilyKnown]
    parts_of: Callable[[str], dict[str, tuple[str, str]]] = lambda _: {}
    """What designators were in a family's earlier cases, by its code: (section, part class)."""
    _texts: dict[tuple[str, str], Read] = field(default_factory=dict)
    _parts: dict[str, tuple[str, str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.symptom_names = {
            folded(word): name for name, others in self.symptoms for word in (*others, name)
        }
        longest = sorted(self.part_words, key=len, reverse=True)
        self._part_names = re.compile(r"\b(?:" + "|".join(map(re.escape, longest)) + r")\b")

        self._names = {word.casefold(): name for name, others in self.symptoms for word in (*others, name)}
        self._without_family = ShopNames.of(self.symptom_records, self.class_records).known(None)
        self._with_family: dict[str, ReaderKnown] = {}
        self._makings: dict[str, Making] = {}
        self._parts_of: dict[str, dict[str, tuple[str, str]]] = {}

    def making(self, family: str) -> Making:
        """What turns the texts of one case into facts under the names of the lists and the board's parts."""
        at = code_key(family) if self.parts(family) else ""
        if at not in self._makings:
            made = making_of(self.symptom_records, self.class_records, self.parts(family))
            self._makings[at] = made
        return self._makings[at].for_another()

    def parts(self, family: str) -> dict[str, tuple[str, str]]:
        """(section, part class) of designators by the earlier cases of a board."""
        board = self.family(family) if family else None
        if board is None:
            return {}
        if board.code not in self._parts_of:
            self._parts_of[board.code] = self.parts_of(board.code)
        return self._parts_of[board.code]

    def read(self, text: str, family: str = "") -> Read:
        """What a text says, read with the rails of its board; the same text is read once."""
        board = self.family(family) if family else None
        at = code_key(board.code) if board and (board.rails or self.parts(family)) else ""
        found = self._texts.get((at, text))
        if found is None:
            if at and at not in self._with_family and board is not None:
                self._with_family[at] = replace(
                    self._without_family,
                    rails=rails_of(board.record),
                    parts=tuple(
                        KnownPart(name, kind, section) for name, (section, kind) in self.parts(family).items()
                    ),
                )
            found = read(text, self._with_family[at] if at else self._without_family)
            if len(self._texts) >= _CACHED:
                self._texts.clear()
            if len(text) <= _LONGEST_CACHED:
                self._texts[at, text] = found
        return found

    def symptoms_in(self, text: str) -> Found:
        """(symptom, present) that a text names, those of the list alone."""
        return tuple(
            (self._names[one.name.casefold()], one.present)
            for one in self.read(text).symptoms
            if one.name.casefold() in self._names
        )

    def with_phrases(self, named: dict[str, str]) -> Known:
        """The same lists with phrases that a person named as other words for a symptom."""
        more: dict[str, list[str]] = {}
        for phrase, name in named.items():
            more.setdefault(name, []).append(phrase)
        if not more:
            return self
        records = [
            one.model_copy(update={"synonyms": list(dict.fromkeys([*one.synonyms, *more.get(one.name, ())]))})
            for one in self.symptom_records
        ]
        return replace(
            self,
            symptom_records=records,
            symptoms=[(one.name, list(one.synonyms)) for one in records],
            _texts={},
        )

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
    with shop.read() as session:
        records = lists.symptoms(session)
        symptoms = [(entry.name, list(entry.synonyms)) for entry in records]
        classes = lists.part_classes(session)
        known = shop.kept.get(session, "families of sheets", ("family",), _families)

    def parts_of(family: str) -> dict[str, tuple[str, str]]:
        with shop.derived.ledger() as ledger:
            return dict(parts_of_family(ledger, family))

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
        list(records),
        list(classes),
        symptoms,
        sorted(names),
        {
            "symptom": {word.casefold() for name, others in symptoms for word in (name, *others)},
            "part class": {word.casefold() for entry in classes for word in (entry.name, *entry.synonyms)},
        },
        words,
        {letter: name for letter, name in letters.items() if name in names},
        known,
        parts_of,
    )


def _families(session: Session) -> dict[str, FamilyKnown]:
    """All families by every number they are known by."""
    return {
        code_key(number): FamilyKnown(
            one.record.code, tuple(rail.name for rail in one.record.rails), one.record
        )
        for one in families.by_ids(session, families.all_ids(session))
        for number in (one.record.code, *one.record.aliases)
    }
