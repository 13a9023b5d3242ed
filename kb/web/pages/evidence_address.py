"""The address of the diagnose screen read as evidence, and made again with something added or left out."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any
from urllib.parse import urlencode

from pydantic import ValidationError
from starlette.datastructures import ImmutableMultiDict

from kb.errors import BadInput, NotFound, StoreAway
from kb.facts.values import parse_money
from kb.model import (
    Attempt,
    CaseRecord,
    EvidenceRecord,
    FamilyRecord,
    NotedSymptom,
    PartCheck,
    Problem,
    Reading,
    TriedFix,
    by_field,
    problems,
)
from kb.service import Shop
from kb.service.boards import families
from kb.service.cases import cases
from kb.service.diagnose import case_facts, diagnosis, tried_lines
from kb.service.diagnose.case_facts import Fact, TextRead
from kb.service.diagnose.diagnosis import Notice, Switch
from kb.web.forms.case import line_of

MOST_LINES = 60
NOT_NOTED = "not noted"
_BY_FIELDS = ("rail", "value", "supply", "load")
_GIVEN = ("family", "text", "symptom", "reading", "tried", "value", "check")
Pairs = ImmutableMultiDict[str, Any]


@dataclass
class Asked:
    """What the address says: evidence as typed, what it means, and what could not be read.

    `dropped` are symptoms that must not be read out of the complaint. `row_of` and `line_of` say from
    which row or line of the form each symptom and reading of the record came; `by_fields` is what
    stands in the separate fields of a reading that is not complete yet. `case` is the open case that the
    evidence belongs to, `held` that case; `tried_lines` are fixes tried, as typed, and `tried` what they name;
    `not_read` has the keys of facts that must not be read out of the complaint, which is `read`. `complete` is the
    tick that nothing else is to be told of the board. `checks` are what the dead checks of a bench test came to;
    only a test puts them there.
    """

    family: str = ""
    text: str = ""
    order: str = "likely"
    symptoms: list[tuple[str, bool]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    record: EvidenceRecord = field(default_factory=EvidenceRecord)
    board: FamilyRecord | None = None
    problems: list[Problem] = field(default_factory=list)
    kind: str = ""
    price_text: str = ""
    price: float | None = None
    rate_text: str = ""
    rate: float | None = None
    dropped: list[str] = field(default_factory=list)
    by_fields: dict[str, str] = field(default_factory=dict)
    row_of: list[int] = field(default_factory=list)
    line_of: list[int] = field(default_factory=list)
    case: str = ""
    held: cases.CaseView | None = None
    tried_lines: list[str] = field(default_factory=list)
    tried: list[Attempt] = field(default_factory=list)
    not_read: list[str] = field(default_factory=list)
    read: TextRead = field(default_factory=TextRead)
    every_cause: bool = False
    complete: bool = False
    checks: list[PartCheck] = field(default_factory=list)

    @property
    def errors(self) -> dict[str, Problem]:
        """The first problem of each field, by the field's name in the form."""
        return by_field(self.problems)

    @property
    def rows(self) -> list[tuple[str, str]]:
        """The symptom rows of the form: (name, state)."""
        noted = [(name, "present" if present else "not present") for name, present in self.symptoms]
        return noted + [(name, NOT_NOTED) for name in self.dropped]

    @property
    def open_case(self) -> CaseRecord | None:
        """The case that is written into, where it is the shop's own, on the bench and not in the bin."""
        held = self.held
        if held is None or held.origin or held.binned_at or held.record.verdict is not None:
            return None
        return held.record

    @property
    def left_out(self) -> set[str]:
        """Keys of the facts of the complaint that do not count."""
        return {*self.not_read, *(f"symptom {name}" for name in self.dropped)}

    @property
    def facts(self) -> list[Fact]:
        """Facts of the complaint that count."""
        return [fact for fact in self.read.facts if fact.key not in self.left_out]

    @property
    def dropped_words(self) -> list[str]:
        """What must not be read out of the complaint: names of symptoms, and the words of other facts."""
        out = [fact for fact in self.read.facts if fact.key in self.left_out]
        return [fact.what if fact.kind == "symptom" else fact.words for fact in out] + self.dropped

    def was_tried(self, section: str, part_class: str) -> bool:
        """Whether this fix was tried on the board and cured nothing."""
        return any(
            (one.section, one.part_class) == (section, part_class) and one.result in ("no change", "worse")
            for one in self.record.attempts
        )

    def pairs(self, without: Switch | None = None) -> list[tuple[str, str]]:
        """The query that leads back to exactly this state, or to it with one line of evidence left out."""
        rows = {self.row_of[place] for place in without.symptoms} if without else set()
        lines = {self.line_of[place] for place in without.readings} if without else set()
        found = [("case", self.case), ("text", self.text), ("family", self.family), ("kind", self.kind)]
        for number, (name, state) in enumerate(self.rows):
            if number not in rows:
                found += [("symptom", name), ("state", state)]
        if without and without.symptom and not rows:
            found += [("symptom", without.symptom), ("state", NOT_NOTED)]
        found += [("reading", line) for number, line in enumerate(self.lines) if number not in lines]
        found += [("tried", line) for line in self.tried_lines]
        found += [("not_read", key) for key in self.not_read]
        found += [("complete", "yes" if self.complete else "")]
        found += [("check", self.check_text(one)) for one in self.checks]
        found += [("order", "" if self.order == "likely" else self.order), ("price", self.price_text)]
        found.append(("rate", self.rate_text))
        return [(name, value) for name, value in found if value]

    @cached_property
    def _query(self) -> str:
        """What every address of a page begins with; asked for when the page is shown, and all is read."""
        return urlencode(self.pairs())

    def url(self, path: str, *more: tuple[str, str]) -> str:
        """The address of this state at `path`, with more pairs added."""
        return f"{path}?{'&'.join(part for part in (self._query, urlencode(more)) if part)}"

    def url_without(self, switch: Switch) -> str:
        """The address of this state with one line of evidence switched off."""
        return f"/diagnose?{urlencode(self.pairs(switch))}"

    def url_with(self, symptoms: Collection[tuple[str, bool]], state: str = "") -> str:
        """The address with symptoms noted as they are given, or all in one state."""
        more = []
        for name, present in symptoms:
            more += [("symptom", name), ("state", state or ("present" if present else "not present"))]
        return self.url("/diagnose", *more)

    def url_taken_back(self, key: str) -> str:
        """The address in which a fact of the complaint counts again."""
        pairs = [pair for pair in self.pairs() if pair != ("not_read", key)]
        return f"/diagnose?{urlencode(pairs)}"

    @staticmethod
    def check_text(check: PartCheck) -> str:
        """A check as the address holds it: "rail|5VSB|shorted|0.3"."""
        where = ("rail", check.rail) if check.rail is not None else ("point", check.point)
        return "|".join((*(str(one) for one in where), check.found, check.written))

    def url_without_check(self, check: PartCheck) -> str:
        """The address without one check of the bench test."""
        pairs = [pair for pair in self.pairs() if pair != ("check", self.check_text(check))]
        return f"/diagnose?{urlencode(pairs)}"

    def url_ordered(self, order: str) -> str:
        """The address of the same evidence in another order."""
        pairs = [pair for pair in self.pairs() if pair[0] != "order"]
        return f"/diagnose?{urlencode([*pairs, ('order', order)])}"

    def note(self, notice: Notice) -> bool:
        """Puts a notice about the evidence at its field; False where it belongs to none."""
        place = self._form_field(notice.field)
        if place is None:
            return False
        self.problems.append(Problem(place, notice.text, notice.remedy))
        return True

    def refuse(self, error: BadInput) -> None:
        """Puts an error at its field."""
        place = self._form_field(error.field) or "symptom.0"
        self.problems.append(Problem(place, error.message, error.remedy or ""))

    def _form_field(self, path: str | None) -> str | None:
        name, _, number = (path or "").partition(".")
        numbers = {"symptoms": ("symptom", self.row_of), "readings": ("reading", self.line_of)}
        if name in numbers and number.isdigit() and int(number) >= len(numbers[name][1]):
            return None
        if name in numbers and number.isdigit():
            form_name, places = numbers[name]
            return f"{form_name}.{places[int(number)]}"
        return name if name == "family" else None


def read_asked(shop: Shop, query: Pairs) -> Asked:
    """Reads the address; whatever cannot be used is noted at its field and left aside.

    The address of a case alone stands for all that the case says.
    """
    asked = Asked(query.get("family", "").strip(), query.get("text", "").strip())
    asked.order = "cheapest" if query.get("order") == "cheapest" else "likely"
    asked.kind = query.get("kind", "").strip()
    asked.every_cause = query.get("causes") == "all"
    asked.complete = query.get("complete") == "yes"
    asked.not_read = list(dict.fromkeys(query.getlist("not_read")))[:MOST_LINES]
    asked.checks = _checks(query.getlist("check"))
    asked.price_text, asked.rate_text = (query.get(name, "").strip() for name in ("price", "rate"))
    asked.price = _read_money(asked, "price", asked.price_text)
    asked.rate = _read_money(asked, "rate", asked.rate_text)
    _read_rows(asked, query)
    _open(shop, asked, query.get("case", "").strip()[:64], bare=not any(query.get(name) for name in _GIVEN))
    usable = _usable_words(asked)
    asked.board = families.find(shop, usable["family"]) if "family" in usable else None
    asked.read = case_facts.read_words(shop, usable.get("text", ""), asked.board)
    if asked.held is not None and not any(query.get(name) for name in _GIVEN):
        asked.not_read = _taken_off(asked.held.record, asked.read)
    readings = _readings(asked)
    _read_tried(shop, asked)
    asked.record = EvidenceRecord.model_validate(
        {
            **usable,
            "order": asked.order,
            "symptoms": _symptoms(asked),
            "readings": readings,
            "attempts": _attempts(asked),
            "complete": asked.complete,
            "checks": asked.checks,
        }
    )
    return asked


def _open(shop: Shop, asked: Asked, uid: str, *, bare: bool) -> None:
    """Takes up a case: what was tried on it always, the rest where the address says nothing else."""
    if not uid:
        return
    try:
        asked.held = cases.view(shop, uid)
    except (NotFound, StoreAway) as error:
        asked.problems.append(Problem("case", error.message, error.remedy or ""))
        return
    asked.case, record = uid, asked.held.record
    asked.family = asked.family or record.family
    if bare:
        asked.text = record.complaint
        asked.symptoms = [(entry.name, entry.present) for entry in record.symptoms][:MOST_LINES]
        before = [line_of(entry) for entry in record.readings if not entry.after_repair]
        asked.lines = before[:MOST_LINES]


def _taken_off(record: CaseRecord, read: TextRead) -> list[str]:
    """Facts of the complaint that somebody took off the case; none where it holds nothing of its complaint,
    for then nobody has read that yet."""
    noted = case_facts.noted_in(record)
    held = [noted.holds(fact) for fact in read.facts]
    return [fact.key for fact, holds in zip(read.facts, held, strict=True) if not holds] if any(held) else []


def _read_tried(shop: Shop, asked: Asked) -> None:
    for number, line in enumerate(asked.tried_lines):
        try:
            asked.tried += tried_lines.read_tried(shop, line, asked.board)
        except BadInput as error:
            asked.problems.append(_at(f"tried.{number}", error))


def _checks(given: list[str]) -> list[PartCheck]:
    """The checks of an address; what is none is left aside, for nobody types them."""
    found = []
    for text in given[:MOST_LINES]:
        where, _, rest = text.partition("|")
        name, _, rest = rest.partition("|")
        said, _, written = rest.partition("|")
        try:
            found.append(PartCheck.model_validate({where: name, "found": said, "written": written}))
        except ValidationError:
            continue
    return found


def _attempts(asked: Asked) -> list[TriedFix]:
    """What was tried on the board: on its case, as typed, and as the complaint says."""
    found = list(asked.held.record.attempts) if asked.held else []
    found += [*asked.tried, *(fact.value for fact in asked.facts if isinstance(fact.value, Attempt))]
    return [_tried(one) for one in found[: 3 * MOST_LINES]]


def _tried(attempt: Attempt) -> TriedFix:
    """Where the part is named, "other" only says that the rest is not known."""
    named = bool(attempt.part)
    return TriedFix(
        part=attempt.part,
        part_class="" if named and attempt.part_class == "other" else attempt.part_class,
        section=None if named and attempt.section == "other" else attempt.section,
        result=attempt.result,
    )


def _at(field: str, error: BadInput) -> Problem:
    """An error at its field, without the field's name, which stands above it anyway."""
    message = error.message.removeprefix(f"{error.field}: ")
    return Problem(field, message[:1].upper() + message[1:], error.remedy or "")


def _read_money(asked: Asked, name: str, text: str) -> float | None:
    if not text:
        return None
    try:
        return parse_money(text, field=name) / 100
    except BadInput as error:
        asked.problems.append(_at(name, error))
        return None


def _read_rows(asked: Asked, query: Pairs) -> None:
    states = query.getlist("state")
    names = [name.strip() for name in query.getlist("symptom")]
    for number, name in enumerate(names[:MOST_LINES]):
        state = states[number] if number < len(states) else "present"
        if name and state == NOT_NOTED:
            asked.dropped.append(name)
        elif name:
            asked.symptoms.append((name, state != "not present"))
    lines = [line.strip() for line in query.getlist("reading") if line.strip()]
    asked.lines = lines[:MOST_LINES]
    tried = [line.strip() for line in query.getlist("tried") if line.strip()]
    asked.tried_lines = tried[:MOST_LINES]
    for name, given in (("symptom", names), ("reading", lines), ("tried", tried)):
        if len(given) > MOST_LINES:
            what = {"tried": "fixes"}.get(name, f"{name}s")
            message = f"Only the first {MOST_LINES} {what} are used."
            asked.problems.append(Problem(f"{name}.{MOST_LINES - 1}", message, "Leave some out."))
    by_fields = {name: query.get(name, "").strip() for name in _BY_FIELDS}
    if by_fields["rail"] and by_fields["value"]:
        asked.lines.append(" ".join(part for part in by_fields.values() if part))
        return
    asked.by_fields = by_fields
    if by_fields["value"]:
        asked.problems.append(
            Problem("rail", "The value does not say where it was measured.", "Name the rail or test point.")
        )


def _usable_words(asked: Asked) -> dict[str, str]:
    """Family, kind and complaint, where they are what they may be."""
    usable = {}
    for name, value in (("family", asked.family), ("kind", asked.kind), ("text", asked.text)):
        if not value:
            continue
        try:
            EvidenceRecord.model_validate({name: value})
            usable[name] = value
        except ValidationError as error:
            asked.problems += [Problem(name, found.message, found.remedy) for found in problems(error)]
    return usable


def _symptoms(asked: Asked) -> list[NotedSymptom]:
    usable = []
    for number, (name, present) in enumerate(asked.symptoms):
        try:
            usable.append(NotedSymptom(name=name, present=present))
            asked.row_of.append(number)
        except ValidationError as error:
            first = problems(error)[0]
            asked.problems.append(Problem(f"symptom.{number}", first.message, first.remedy))
    return usable


def _readings(asked: Asked) -> list[Reading]:
    readings = []
    for number, line in enumerate(asked.lines):
        try:
            readings.append(diagnosis.read_line(asked.board, line))
            asked.line_of.append(number)
        except BadInput as error:
            asked.problems.append(_at(f"reading.{number}", error))
        except ValidationError as error:
            first = problems(error)[0]
            asked.problems.append(Problem(f"reading.{number}", first.message, first.remedy))
    return readings
