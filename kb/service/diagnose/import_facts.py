"""Cases on their way in whose words state facts that they do not hold as data: read, and given them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from kb.errors import BadInput
from kb.facts.designators import code_key, rail_key
from kb.model import CaseRecord, FamilyRecord, PartClassRecord, Reading, SymptomRecord
from kb.reading import Known, Read, read
from kb.service.boards import vocabulary
from kb.service.diagnose.case_facts import Fact, Making, making_of, with_facts
from kb.service.diagnose.case_texts import ShopNames
from kb.service.shop.shop import Shop

_CACHED = 20_000
_LONGEST_CACHED = 2_000
_PLURALS = {
    "symptom": "symptoms",
    "reading": "readings",
    "attempt": "attempts",
    "minutes": "minutes",
    "cost": "costs",
}


class ImportReading:
    """Gives cases the facts of their complaint and notes; `added` counts them by kind, `cases` the cases.

    What a case holds depends on its own words, the rails of its board and the lists alone, never on other
    cases: the same file brought in again gives the same records. A verdict is not taken from words, for it
    would close a case that nobody closed.
    """

    def __init__(self, shop: Shop, *, create_missing: bool = False) -> None:
        self._create_missing = create_missing
        self._today = shop.today()
        self.cases = 0
        self.added: Counter[str] = Counter()
        self.learn(vocabulary.symptoms(shop), vocabulary.part_classes(shop))

    def learn(self, symptoms: Sequence[SymptomRecord], part_classes: Sequence[PartClassRecord]) -> None:
        """Reads with these lists from here on: those of the store, or what lines of the file made of them."""
        if self._create_missing:
            # Names that cases of the file add to the lists would be read in it the second time only.
            symptoms = [one for one in symptoms if one.synonyms]
            part_classes = [one for one in part_classes if one.synonyms]
        self._names = ShopNames.of(symptoms, part_classes)
        self._making: Making = making_of(symptoms, part_classes, {})
        self._known: dict[str, Known] = {}
        self._texts: dict[tuple[str, str], Read] = {}

    def __call__(self, record: CaseRecord, family: FamilyRecord | None) -> CaseRecord:
        """The record with the facts that its words state and that it does not hold, as it is where none."""
        if not (record.complaint.strip() or record.notes.strip()):
            return record
        at = self._key_of(family)
        making = self._making.for_another()
        facts: list[Fact] = []
        for text in (record.complaint, record.notes):
            facts += making.text(text, self._read(text, at)).facts
        new = list(_missing(record, facts))
        if not new:
            return record
        try:
            made = with_facts(record, new, self._today)
        except BadInput:
            return record  # too many readings or attempts for one case: its words stay as they are
        self.cases += 1
        self.added.update(fact.kind for fact in new)
        return made

    def counted(self) -> list[tuple[str, int]]:
        """(kind of fact in the plural, how many were added), in a fixed order, those without any left out."""
        return [(words, self.added[kind]) for kind, words in _PLURALS.items() if self.added[kind]]

    def _key_of(self, family: FamilyRecord | None) -> str:
        """The key of what is known of a board; boards without rails are all the same to the reader."""
        if family is None or not family.rails:
            family = None
        key = "" if family is None else f"{code_key(family.code)} {family.rails!r}"
        if key not in self._known:
            self._known[key] = self._names.known(family)
        return key

    def _read(self, text: str, at: str) -> Read:
        found = self._texts.get((at, text))
        if found is None:
            found = read(text, self._known[at])
            if len(self._texts) >= _CACHED:
                self._texts.clear()
            if len(text) <= _LONGEST_CACHED:
                self._texts[at, text] = found
        return found


def _missing(record: CaseRecord, facts: Iterable[Fact]) -> Iterable[Fact]:
    """Facts on matters of which the case holds nothing: its own data come first."""
    named = {one.name.casefold() for one in record.symptoms}
    measured = {_measured(one) for one in record.readings}
    tried = bool(record.attempts)
    for fact in facts:
        value = fact.value
        if fact.kind == "symptom":
            if getattr(value, "name", "").casefold() not in named:
                yield fact
        elif isinstance(value, Reading):
            if _measured(value) not in measured:
                yield fact
        # What was tried is written down whole or not at all; a sentence may only repeat it in other words.
        elif fact.kind != "verdict" and not tried:
            yield fact


def _measured(one: Reading) -> tuple[object, ...]:
    # Supply and load are left aside: words seldom say them, and a noted reading always does.
    return (rail_key(one.rail or one.point or ""), one.quantity, one.value, one.min, one.max)
