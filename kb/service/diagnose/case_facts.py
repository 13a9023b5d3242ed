"""Facts that the complaint and the notes of a case state: read, compared with what is noted, taken in, left out."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from kb.errors import BadInput
from kb.facts.designators import normalise_designator, rail_key
from kb.facts.spoken_readings import spoken_reading
from kb.facts.vocabulary import VERDICTS, values
from kb.model import (
    Attempt,
    CaseRecord,
    FamilyRecord,
    NotedSymptom,
    PartClassRecord,
    Reading,
    SymptomRecord,
    as_dict,
)
from kb.reading import Read, ReadAttempt, Span
from kb.service.cases import cases
from kb.service.diagnose.case_texts import as_record, names_of, read_once
from kb.service.diagnose.general import parts_of_family
from kb.service.shop.shop import Shop

__all__ = [
    "Fact",
    "Making",
    "Noted",
    "TextRead",
    "leave_out",
    "making_of",
    "noted_in",
    "read_case",
    "read_words",
    "reading_key",
    "take_in",
    "with_facts",
    "without_fact",
]

Value = NotedSymptom | Reading | Attempt | str | float
ReadingKey = tuple[object, ...]
_VERDICTS = values(VERDICTS)
_LISTS = {"symptom": "symptoms", "reading": "readings", "attempt": "attempts"}


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact as a case would hold it: a symptom, reading, attempt, verdict, minutes or cost.

    `key` is the same wherever the same fact is read; `words` are the characters `start` to before `end` of the
    text; `what` says the fact in the book's own words.
    """

    key: str
    kind: str
    what: str
    words: str
    start: int
    end: int
    value: Value


@dataclass(frozen=True, slots=True)
class TextRead:
    """A text with the facts read in it, in their order; `left` are pieces that could not be placed.

    `proposed` are symptoms that only a person takes in. Nothing but a press makes facts of them.
    """

    text: str = ""
    facts: tuple[Fact, ...] = ()
    left: tuple[str, ...] = ()
    proposed: tuple[Fact, ...] = ()

    def pieces(self, without: Collection[str] = ()) -> list[tuple[str, bool]]:
        """The text cut where a mark begins or ends: (piece, whether a fact was read from it).

        Facts whose keys stand in `without` are not marked. The pieces together are the text.
        """
        found: list[tuple[str, bool]] = []
        at = 0
        for fact in sorted(self.facts, key=lambda one: (one.start, -one.end)):
            if fact.key in without or fact.end <= at:
                continue
            start = max(fact.start, at)
            found += [(self.text[at:start], False), (self.text[start : fact.end], True)]
            at = fact.end
        return [piece for piece in (*found, (self.text[at:], False)) if piece[0]]


@dataclass(slots=True)
class Noted:
    """What is noted of a case already, as far as a fact may repeat it."""

    symptoms: set[str] = field(default_factory=set)
    readings: set[ReadingKey] = field(default_factory=set)
    attempts: list[tuple[str, str, str]] = field(default_factory=list)
    verdict: str = ""
    minutes: bool = False
    cost: bool = False

    def holds(self, fact: Fact) -> bool:
        """Whether the case says so already, or says something of its own on the same matter."""
        match fact.value:
            case NotedSymptom(name=name):
                return name.casefold() in self.symptoms
            case Reading() as reading:
                return reading_key(reading) in self.readings
            case Attempt() as attempt:
                return any(_same_attempt(attempt, *one) for one in self.attempts)
        return bool({"verdict": self.verdict, "minutes": self.minutes, "cost": self.cost}[fact.kind])


def noted_in(record: CaseRecord) -> Noted:
    """What a record holds."""
    return Noted(
        {entry.name.casefold() for entry in record.symptoms},
        {reading_key(entry) for entry in record.readings},
        [(entry.part, entry.part_class, entry.section) for entry in record.attempts],
        record.verdict or "",
        any(entry.minutes is not None for entry in record.attempts),
        any(entry.cost is not None for entry in record.attempts),
    )


def reading_key(reading: Reading) -> ReadingKey:
    """What makes two readings the same one, whatever was written."""
    where = rail_key(reading.rail or reading.point or "")
    values_read = (reading.value, reading.min, reading.max)
    return (where, reading.quantity, reading.supply, reading.load, values_read, reading.after_repair)


def _same_attempt(value: Attempt, part: str, part_class: str, section: str) -> bool:
    if value.part and part:
        return normalise_designator(value.part) == normalise_designator(part)
    return (value.part_class.casefold(), value.section) == (part_class.casefold(), section)


def read_words(shop: Shop, text: str, family: FamilyRecord | None) -> TextRead:
    """What a text says, under the names that the store's lists have. Nothing is kept."""
    return read_texts(shop, (text,), family)[0]


def read_case(shop: Shop, record: CaseRecord, family: FamilyRecord | None) -> tuple[TextRead, TextRead]:
    """The complaint and the notes of a case."""
    complaint, notes = read_texts(shop, (record.complaint, record.notes), family)
    return complaint, notes


def read_texts(shop: Shop, texts: Sequence[str], family: FamilyRecord | None) -> tuple[TextRead, ...]:
    """Several texts on one board; a fact stands with the first text that states it.

    Minutes and cost belong to an attempt; where no attempt is read they cannot be placed.
    """
    if not any(text.strip() for text in texts):
        return tuple(TextRead(text) for text in texts)
    with shop.known() as session:
        symptoms, part_classes = shop.kept.symptoms(session), shop.kept.part_classes(session)
        names = names_of(shop, session)
    parts: dict[str, tuple[str, str]] = {}
    if family is not None:
        with shop.derived.ledger() as ledger:
            parts = parts_of_family(ledger, family.code)
    known = names.known(family)
    making = making_of(symptoms, part_classes, parts)
    return tuple(making.text(text, read_once(text, known)) for text in texts)


def making_of(
    symptoms: Sequence[SymptomRecord],
    part_classes: Sequence[PartClassRecord],
    parts: dict[str, tuple[str, str]],
) -> Making:
    """What turns a read text into facts, under the names of these lists."""
    return Making(
        {word.casefold(): one.name for one in symptoms for word in (*one.synonyms, one.name)},
        {word.casefold(): one.name for one in part_classes for word in (*one.synonyms, one.name)},
        {normalise_designator(part): pair for part, pair in parts.items()},
    )


class Making:
    """Turns what the reader found into facts of a record; a fact stands with the first text that states it."""

    def __init__(
        self, symptoms: dict[str, str], part_classes: dict[str, str], parts: dict[str, tuple[str, str]]
    ) -> None:
        self._symptoms, self._part_classes, self._parts = symptoms, part_classes, parts
        self._seen: set[str] = set()

    def for_another(self) -> Making:
        """The same lists for another case, whose facts may repeat those of this one."""
        return Making(self._symptoms, self._part_classes, self._parts)

    def text(self, text: str, found: Read) -> TextRead:
        facts: list[Fact] = []
        left: list[Span] = list(found.left)
        for span, kind, what, value in self._values(found, left):
            key = f"{kind} {what}"
            if key not in self._seen:
                self._seen.add(key)
                facts.append(Fact(key, kind, what, span.words, span.start, span.end, value))
        facts.sort(key=lambda one: (one.start, one.end))
        left.sort(key=lambda one: one.start)
        proposed = tuple(self._proposed(found))
        return TextRead(text, tuple(facts), tuple(one.words for one in left), proposed)

    def _proposed(self, found: Read) -> Iterable[Fact]:
        for one in found.proposed:
            name = self._symptoms.get(one.name.casefold())
            key = f"symptom {name}"
            if name is not None and key not in self._seen:
                noted = NotedSymptom(name=name, present=one.present)
                yield Fact(key, "symptom", name, one.words, one.start, one.end, noted)

    def _values(self, found: Read, left: list[Span]) -> Iterable[tuple[Span, str, str, Value]]:
        for symptom in found.symptoms:
            name = self._symptoms.get(symptom.name.casefold())
            if name is None:
                left.append(symptom)
            else:
                yield symptom, "symptom", name, NotedSymptom(name=name, present=symptom.present)
        for one in found.readings:
            reading = as_record(one)
            yield one, "reading", _line_of(reading), reading
        for tried in found.attempts:
            attempt = self._attempt(tried)
            if attempt is None:
                left.append(tried)
            else:
                yield tried, "attempt", spoken_attempt(attempt), attempt
        if found.verdict is not None and found.verdict.value in _VERDICTS:
            yield found.verdict, "verdict", found.verdict.value, found.verdict.value
        for kind, amount in (("minutes", found.minutes), ("cost", found.cost)):
            if amount is None:
                continue
            if found.attempts:
                yield amount, kind, f"{amount.value:g}", float(amount.value)
            else:
                left.append(amount)

    def _attempt(self, found: ReadAttempt) -> Attempt | None:
        """None where not even a part is named."""
        before = self._parts.get(normalise_designator(found.part)) if found.part else None
        part_class = self._part_classes.get((found.part_class or "").casefold())
        if part_class is None and before is None and not found.part:
            return None
        return Attempt(
            part=found.part or "",
            part_class=part_class or (before[1] if before else "other"),
            section=found.section or (before[0] if before else "other"),
            failure=found.failure or "",
            # Seen to be bad, and nothing is said of its having been changed.
            action=found.action or ("found" if found.result is None else "replace"),
            result=found.result or "not known yet",
            cause=found.cause,
        )


def _line_of(reading: Reading) -> str:
    where = reading.rail or reading.point or ""
    line = spoken_reading(
        where, reading.quantity, reading.supply, reading.load, reading.value, reading.min, reading.max
    )
    return f"{line}, after the repair" if reading.after_repair else line


def spoken_attempt(attempt: Attempt) -> str:
    """An attempt as a line: what, where, what was done, what came of it."""
    what = " ".join(word for word in (attempt.part, attempt.part_class) if word)
    said = [f"{what} in {attempt.section}", attempt.action, attempt.failure, attempt.result]
    return ", ".join(word for word in said if word)


def with_facts(record: CaseRecord, facts: Iterable[Fact], today: date) -> CaseRecord:
    """The record with the facts that it does not hold already.

    Minutes and cost go to the first attempt without; a verdict closes an open case today, and then it waits
    for nothing. Raises BadInput where what comes out is no record.
    """
    noted = noted_in(record)
    new = [fact for fact in facts if not noted.holds(fact)]
    update: dict[str, Any] = {
        name: [*getattr(record, name), *(fact.value for fact in new if fact.kind == kind)]
        for kind, name in _LISTS.items()
    }
    for fact in new:
        if fact.kind in ("minutes", "cost") and update["attempts"]:
            first: Attempt = update["attempts"][0]
            amount = int(fact.value) if fact.kind == "minutes" else fact.value  # type: ignore[arg-type]
            update["attempts"][0] = first.model_copy(update={fact.kind: amount})
        elif fact.kind == "verdict":
            update |= {"verdict": fact.value, "closed": today, "waiting_for": "", "waiting_since": None}
    return _valid(record, update)


def without_fact(record: CaseRecord, fact: Fact) -> CaseRecord:
    """The record without one fact; what repeats it goes too."""
    update: dict[str, Any] = {}
    if fact.kind in _LISTS:
        name = _LISTS[fact.kind]
        kept = [one for one in getattr(record, name) if not _says(record, name, one, fact)]
        update[name] = kept
    elif fact.kind == "verdict":
        update = {"verdict": None, "closed": None}
    else:
        update["attempts"] = [
            one.model_copy(update={fact.kind: None}) if getattr(one, fact.kind) == fact.value else one
            for one in record.attempts
        ]
    return _valid(record, update)


def _says(record: CaseRecord, name: str, entry: object, fact: Fact) -> bool:
    """Whether this entry of a list, by itself, holds the fact."""
    by_itself: dict[str, Any] = {key: [] for key in _LISTS.values()} | {name: [entry]}
    return noted_in(record.model_copy(update=by_itself)).holds(fact)


def _valid(record: CaseRecord, update: dict[str, Any]) -> CaseRecord:
    try:
        return CaseRecord.model_validate(record.model_copy(update=update).model_dump())
    except ValueError as error:
        raise BadInput(
            "What was read from the words does not fit the rest of the case.",
            remedy="Leave out what does not belong there, the verdict above all.",
        ) from error


def take_in(shop: Shop, uid: str, key: str) -> bool:
    """Notes on the case a fact that its words state; False where they do not state it any more.

    Raises NotFound and what `cases.save` raises.
    """
    return _change(shop, uid, key, lambda record, fact: with_facts(record, (fact,), shop.today()))


def leave_out(shop: Shop, uid: str, key: str) -> bool:
    """Takes off the case a fact that was read from its words; False where they do not state it any more."""
    return _change(shop, uid, key, without_fact)


def _change(shop: Shop, uid: str, key: str, change: Any) -> bool:
    # Made on what stands in the store now: one fact more or less overwrites nothing that others saved.
    view = cases.own(shop, uid)
    texts = read_case(shop, view.record, view.family)
    facts = [fact for one in texts for fact in (*one.facts, *one.proposed)]
    fact = next((one for one in facts if one.key == key), None)
    if fact is None:
        return False
    record = change(view.record, fact)
    if as_dict(record) != as_dict(view.record):
        cases.save(shop, record, expected_version=view.version)
    return True
