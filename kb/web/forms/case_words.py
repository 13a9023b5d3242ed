"""What the complaint and the notes in a case's form say, beside what stands in its fields."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from kb.errors import BadInput
from kb.model import CaseRecord, FamilyRecord, Problem
from kb.service import Shop
from kb.service.diagnose import case_facts
from kb.service.diagnose.case_facts import Fact, Noted, TextRead
from kb.web.forms.case import noted_in_form
from kb.web.forms.fields import Form

State = Literal["new", "noted", "left out", "not sure"]
_TEXTS = (("complaint", "Complaint"), ("notes", "Notes"))


@dataclass(frozen=True, slots=True)
class FactLine:
    """A fact of a text: `new` where saving adds it, `noted` where the case holds it, `left out`, or `not sure`
    where a person has to take it in."""

    fact: Fact
    state: State


@dataclass(frozen=True, slots=True)
class ReadText:
    """A text of a case as it was read; `pieces` are the text cut at its marks."""

    name: str
    label: str
    lines: tuple[FactLine, ...]
    pieces: tuple[tuple[str, bool], ...]
    left: tuple[str, ...]


_TAKEN = "+"  # stands before the key of a proposed fact that was taken in


def not_read(form: Form) -> set[str]:
    """Keys of the facts that the form leaves out, and of proposed ones that it takes in."""
    return set(form.get("not_read").splitlines())


def leave_or_take(form: Form) -> bool:
    """Does what a press beside a fact asks for; False where none was pressed."""
    leave, take = form.plain.pop("leave", ""), form.plain.pop("take", "")
    keys = (not_read(form) | {leave, f"{_TAKEN}{take}"}) - {take, f"{_TAKEN}{leave}", "", _TAKEN}
    form.plain["not_read"] = "\n".join(sorted(keys))
    return bool(leave or take or form.plain.pop("read", ""))


def of_case(shop: Shop, record: CaseRecord, family: FamilyRecord | None) -> list[ReadText]:
    """The texts of a case as it is kept."""
    noted = case_facts.noted_in(record)
    found = case_facts.read_case(shop, record, family)
    return [
        _read_text(place, one, noted, lambda _: "left out", lambda _: "not sure")
        for place, one in enumerate(found)
        if one.text
    ]


def of_form(shop: Shop, form: Form, family: FamilyRecord | None, before: CaseRecord | None) -> list[ReadText]:
    """The texts in a form. What the case held `before` and the form does not was taken out of its fields."""
    noted, taken_out = noted_in_form(form, family), case_facts.noted_in(before) if before else Noted()
    keys = not_read(form)

    def state(fact: Fact) -> State:
        return "left out" if fact.key in keys or taken_out.holds(fact) else "new"

    def proposed(fact: Fact) -> State:
        return "new" if f"{_TAKEN}{fact.key}" in keys else "not sure"

    texts = case_facts.read_texts(shop, (form.get("complaint"), form.get("notes")), family)
    return [
        _read_text(place, one, noted, state, proposed) for place, one in enumerate(texts) if one.text.strip()
    ]


def _read_text(
    place: int,
    read: TextRead,
    noted: Noted,
    otherwise: Callable[[Fact], State],
    proposed: Callable[[Fact], State],
) -> ReadText:
    states = [(fact, otherwise) for fact in read.facts] + [(fact, proposed) for fact in read.proposed]
    lines = tuple(FactLine(fact, "noted" if noted.holds(fact) else state(fact)) for fact, state in states)
    out = {line.fact.key for line in lines if line.state == "left out"}
    name, label = _TEXTS[place]
    words = {fact.words for fact in read.proposed}
    left = tuple(one for one in read.left if one not in words)
    return ReadText(name, label, lines, tuple(read.pieces(out)), left)


def unnoted(shop: Shop, record: CaseRecord, family: FamilyRecord | None) -> list[str]:
    """Keys of facts in the texts of a kept case that it does not hold."""
    noted = case_facts.noted_in(record)
    return [
        fact.key
        for one in case_facts.read_case(shop, record, family)
        for fact in one.facts
        if not noted.holds(fact)
    ]


def with_words(
    shop: Shop, form: Form, record: CaseRecord, family: FamilyRecord | None, before: CaseRecord | None
) -> CaseRecord | None:
    """The record with what its texts say and the form shows; None where that does not fit (`form.problems`).

    A kept case whose texts nobody touched, sent by a form that did not show what they say, stays as it is.
    """
    changed = before is None or (record.complaint, record.notes) != (before.complaint, before.notes)
    if not changed and not form.get("words_shown"):
        return record
    facts = [
        line.fact
        for text in of_form(shop, form, family, before)
        for line in text.lines
        if line.state == "new"
    ]
    try:
        return case_facts.with_facts(record, facts, shop.today())
    except BadInput as error:
        form.problems.append(Problem("complaint", error.message, error.remedy or ""))
        return None
